"""Records of other acceptances that a set names: the attempt before this one, and a golden drive of the type."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.flow.commissioning.set_checks import wrong

if TYPE_CHECKING:
    from vibe.core.records.acceptance import Acceptance, CommissioningSet, Quantity, Requirement, Requirements
    from vibe.core.records.commissioning import EarlierAttempt


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherRecords:
    """What a set's other records say; None where it names none."""

    earlier: EarlierAttempt | None = None
    earlier_captures: frozenset[str] = frozenset()
    """Their SHA-256."""
    golden: Acceptance | None = None
    golden_seal: str = ""

    @property
    def remarks(self) -> list[str]:
        """Which golden drive it was, as others can look it up."""
        if self.golden is None:
            return []
        number = f", certificate {self.golden.issue.number}" if self.golden.issue.number else ""
        return [f"Compared with the golden drive {self.golden.serial}{number}, seal {self.golden_seal[:16]}."]


def read_others(given: CommissioningSet, path: Path, requirements: Requirements) -> OtherRecords:
    """The records that a set names, checked against it.

    Raises:
        ConfigError: one is missing or was changed, is of another drive, or the contract allows no further attempt; a
            requirement needs a golden drive and none is named.
    """
    base = path.resolve().parent
    golden, golden_seal = None, ""
    if given.golden is not None:
        golden, golden_seal = _record(base / given.golden, path, ("golden",))
        if golden.answer != "pass":
            raise wrong(path, ("golden",), f"a golden drive has passed; {golden.serial} is {golden.answer}")
    if any(one.kind == "golden" for one in requirements.requirement) and golden is None:
        raise wrong(path, ("requirements",), "a requirement compares with a golden drive: name its record as golden")
    if given.retest_of is None:
        return OtherRecords(golden=golden, golden_seal=golden_seal)
    before, seal = _record(base / given.retest_of, path, ("retest_of",))
    earlier = _attempt(before, seal, given, path, requirements)
    captures = frozenset(digest for _, digest in before.captures if digest)
    return OtherRecords(earlier=earlier, earlier_captures=captures, golden=golden, golden_seal=golden_seal)


def golden_figure(golden: Acceptance, requirement: Requirement) -> Quantity | None:
    """What the golden drive measured for a requirement: the one of that id, else of that measure; None without any."""
    for one in golden.outcomes:
        if one.requirement.id == requirement.id and one.measured is not None:
            return one.measured
    same = [one.measured for one in golden.outcomes if _measure(one.requirement) == _measure(requirement)]
    return next((one for one in same if one is not None), None)


def _measure(one: Requirement) -> str | None:
    """The level that a requirement is about; a zone is one of velocity unless it says otherwise."""
    return one.measure or ("velocity_rms" if one.kind == "zone" else None)


def _attempt(
    before: Acceptance, seal: str, given: CommissioningSet, path: Path, requirements: Requirements
) -> EarlierAttempt:
    from vibe.core.records.commissioning import EarlierAttempt

    place = ("retest_of",)
    if before.serial != given.serial:
        raise wrong(path, place, f"that record is of {before.serial}, this set of {given.serial}")
    if before.answer == "pass":
        raise wrong(path, place, f"{before.serial} passed then: there is nothing to try again")
    attempt = 2 if before.earlier is None else before.earlier.attempt + 1
    rule = requirements.retest
    if rule is not None and attempt > rule.most_attempts:
        raise wrong(path, place, f"this would be attempt {attempt}, and the requirements allow {rule.most_attempts}")
    not_met = [one.requirement.id for one in before.outcomes if one.answer != "pass"]
    here = {one.id for one in requirements.requirement}
    if missing := [name for name in not_met if name not in here]:
        raise wrong(path, place, f"{missing[0]!r} was not met then, and these requirements do not ask for it")
    return EarlierAttempt(
        attempt=attempt, number=before.issue.number, seal=seal, answer=before.answer, not_met=tuple(not_met),
        done_since=given.done_since,
    )  # fmt: skip


def _record(file: Path, path: Path, place: tuple[str, ...]) -> tuple[Acceptance, str]:
    """A record and its seal."""
    from vibe.report.certificate.certificate import acceptance_of
    from vibe.report.certificate.check import verify_certificate
    from vibe.storage.digest import SEAL, SealError

    try:
        found = verify_certificate(file)
    except CallError as error:
        raise wrong(path, place, str(error)) from None
    if found.failed or found.record is None:
        raise wrong(path, place, f"{file} is {found.verdict}")
    try:
        return acceptance_of(found.record), str(found.record[SEAL])
    except SealError as error:
        raise wrong(path, place, f"{file}: {error}") from None


def check_taken_anew(others: OtherRecords, captures: dict[str, str], path: Path) -> None:
    """Refuse captures that the attempt before rested on.

    Raises:
        ConfigError: ``captures``, file names by SHA-256, hold one of them.
    """
    for digest, name in captures.items():
        if digest in others.earlier_captures:
            raise ConfigError(f"{name} was judged in the attempt before: a retest is measured anew", path=path)
