"""Records of other acceptances that a set names: the attempt before this one, and a golden drive of the type."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError
from vibe.flow.commissioning.measured_figures import CaptureFigures, when
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
    earlier_recordings: frozenset[str] = frozenset()
    """What the same samples in other files share with them."""
    earlier_noise: tuple[tuple[str, str], ...] = ()
    """File and noise print of each."""
    earlier_ended: datetime | None = None
    """When the last of them was measured."""
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
    return OtherRecords(
        earlier=earlier,
        earlier_captures=captures,
        earlier_recordings=frozenset(own for one in before.measured for own in one.recording),
        earlier_noise=tuple((one.file, one.noise_print) for one in before.measured if one.noise_print),
        earlier_ended=before.measured_to,
        golden=golden,
        golden_seal=golden_seal,
    )


def most_attempts(requirements: Requirements, earlier: EarlierAttempt | None) -> int | None:
    """Acceptances in all that are allowed: what the first test's requirements said, whatever these say."""
    if earlier is not None and earlier.most_attempts is not None:
        return earlier.most_attempts
    return None if requirements.retest is None else requirements.retest.most_attempts


def retest_remarks(requirements: Requirements, earlier: EarlierAttempt | None) -> list[str]:
    """Where these requirements allow another number of attempts than those of the first test."""
    rule, first = requirements.retest, None if earlier is None else earlier.most_attempts
    if first is None or (rule is not None and rule.most_attempts == first):
        return []
    now = "none is stated" if rule is None else f"it is {rule.most_attempts}"
    return [f"The first test's requirements allow {first} attempts in all, which counts; in these {now}."]


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
    first = before.most_attempts
    if first is None and requirements.retest is not None:
        first = requirements.retest.most_attempts
    if first is not None and attempt > first:
        raise wrong(path, place, f"this would be attempt {attempt}, and the requirements allow {first}")
    not_met = [one.requirement.id for one in before.outcomes if one.answer != "pass"]
    here = {one.id for one in requirements.requirement}
    if missing := [name for name in not_met if name not in here]:
        raise wrong(path, place, f"{missing[0]!r} was not met then, and these requirements do not ask for it")
    for change in _changes(before, requirements):
        raise wrong(path, place, f"{change}: a retest rests on what the first test was held against")
    return EarlierAttempt(
        attempt=attempt, number=before.issue.number, seal=seal, answer=before.answer, not_met=tuple(not_met),
        done_since=given.done_since, most_attempts=first,
    )  # fmt: skip


def _changes(before: Acceptance, requirements: Requirements) -> Iterator[str]:
    """What is asked for in another way than it was then."""
    if before.decision_rule != requirements.decision_rule:
        yield f"the decision rule changed from {before.decision_rule} to {requirements.decision_rule}"
    known = {one.measured.coverage for one in before.outcomes if one.measured is not None}
    for coverage in sorted(known - {requirements.coverage}):
        yield f"the coverage changed from {coverage:g} to {requirements.coverage:g}"
    now = {one.id: one for one in requirements.requirement}
    for outcome in before.outcomes:
        was = outcome.requirement
        if was.id not in now:
            continue
        old, new = was.model_dump(), now[was.id].model_dump()
        for name in old:
            if name not in ("text", "source", "by_analogy") and old[name] != new[name]:
                yield f"{name} of {was.id!r} changed from {_said(old[name])} to {_said(new[name])}"


def _said(value: object) -> str:
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "all"
    return "none" if value is None else str(value)


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


def check_taken_anew(others: OtherRecords, looked: Sequence[CaptureFigures], path: Path) -> None:
    """Refuse captures that the attempt before rested on, under whatever name, and such as are no newer.

    Raises:
        ConfigError: one holds the same bytes, samples or noise, was measured before the last of that attempt, or has no
            time.
    """
    if others.earlier is None:
        return
    for one in looked:
        if one.sha256 in others.earlier_captures or others.earlier_recordings.intersection(one.recording):
            raise ConfigError(f"{one.file} was judged in the attempt before: a retest is measured anew", path=path)
        if others.earlier_ended is None or one.error is not None:
            continue
        at = when(one)
        if at is None:
            why = "does not say when it was measured, so that nothing shows that it was measured anew"
            raise ConfigError(f"{one.file} {why}", path=path)
        if at <= _seconds(others.earlier_ended):
            then = others.earlier_ended.isoformat(sep=" ", timespec="minutes")
            why = f"was measured before the attempt before this one ended ({then}): a retest is measured anew"
            raise ConfigError(f"{one.file} {why}", path=path)
    _check_noise(others, looked, path)


def _check_noise(others: OtherRecords, looked: Sequence[CaptureFigures], path: Path) -> None:
    """Refuse a recording of the attempt before that was moved, resampled or scaled.

    Raises:
        ConfigError: there is one.
    """
    from vibe.ingest.quality.recording.noise_print import ComparedPrints, NoisePrint

    before = [NoisePrint.of_text(kept) for _, kept in others.earlier_noise]
    compared = ComparedPrints([*before, *(one.noise for one in looked)])
    for number, one in enumerate(looked, start=len(before)):
        for earlier, (file, _) in enumerate(others.earlier_noise):
            found = compared.same(earlier, number)
            if found is not None:
                why = f"is {file} of the attempt before, {found.in_words}: a retest is measured anew"
                raise ConfigError(f"{one.file} {why}", path=path)


def _seconds(at: datetime) -> float:
    return (at if at.tzinfo is not None else at.replace(tzinfo=UTC)).timestamp()
