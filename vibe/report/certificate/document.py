"""The certificate as a document: number and parties, plate, runs and captures, in the words of its page."""

from __future__ import annotations

from vibe.core.records.acceptance import Acceptance
from vibe.core.records.commissioning import Issue, NamePlate
from vibe.report import words
from vibe.report.certificate.numbers import plain, with_unit

FEWEST_SIGNATURES = 2
"""Lines to sign: who measured and who accepts."""
SHORT_HASH = 16
"""Digits of a hash that a person compares: 64 bits."""


def issue_facts(issue: Issue) -> list[tuple[str, str, str]]:
    """Number, day and parties: (name, value, note), as far as they are given."""
    number = words.printable(issue.number) or "not numbered"
    day = "" if issue.issued is None else issue.issued.isoformat()
    facts = [
        ("Certificate", number if number != "not numbered" or day else "", f"issued {day}" if day else ""),
        ("Issued by", words.printable(issue.issuer), ""),
        ("Order", words.printable(issue.order), ""),
        ("Customer", words.printable(issue.customer), ""),
        ("Measured at", words.printable(issue.place), ""),
    ]
    return [fact for fact in facts if fact[1]]


def signing_lines(issue: Issue) -> list[str]:
    """Names that stand in the lines to sign on; empty where somebody is to write his own."""
    names = [name for name in (issue.measured_by, *issue.witness) if name]
    roles = ["measured by" if name == issue.measured_by else "witness" for name in names]
    lines = [f"{words.printable(name)} ({role})" for name, role in zip(names, roles, strict=True)]
    return lines + [""] * max(0, FEWEST_SIGNATURES - len(lines))


def plate_facts(plate: NamePlate) -> list[tuple[str, str]]:
    """What the plate says, as far as it was noted."""

    def number(value: float | None, unit: str) -> str:
        return "" if value is None else with_unit(plain(value), unit)

    facts = [
        ("Type", words.printable(plate.type)), ("Year", "" if plate.year is None else str(plate.year)),
        ("Ratio", number(plate.ratio, "")), ("Input speed", number(plate.input_speed_rpm, "r/min")),
        ("Power", number(plate.power_kw, "kW")), ("Output torque", number(plate.output_torque_nm, "Nm")),
        ("Oil", words.printable(plate.oil)),
    ]  # fmt: skip
    return [fact for fact in facts if fact[1]]


def stated_contributions(a: Acceptance) -> list[str]:
    """Contributions to the uncertainty that the set states, each with its source; zeros too."""
    found = []
    for one in a.contributions:
        normal = one.distribution == "normal"
        shape = f"k = {one.coverage_factor:g}" if normal else one.distribution
        size = f"{one.percent:g} % ({shape})" if one.percent else "0 %"
        at = f" at {', '.join(one.points)}" if one.points else ""
        found.append(f"{one.name}{at} {size}, {one.source}")
    return found


def runs_table(a: Acceptance) -> list[tuple[str, ...]]:
    """Each run with its load, how that was determined, and temperatures; only where captures are listed too."""
    if not a.measured:
        return []

    def cell(value: float | None, unit: str) -> str:
        return "–" if value is None else with_unit(plain(value), unit)

    return [
        (
            run.kind, cell(run.load_percent, "%"), words.printable(run.load_by) or "–", cell(run.temperature_c, "°C"),
            cell(run.oil_c, "°C"), cell(run.ambient_c, "°C"), words.printable(run.note) or "–",
        )
        for run in a.runs
    ]  # fmt: skip


def points_of_all(a: Acceptance) -> str:
    """The points, where they are those of every capture; else empty."""
    points = {one.points for one in a.measured}
    return words.printable(", ".join(points.pop())) if len(points) == 1 else ""


def captures_table(a: Acceptance) -> list[tuple[str, ...]]:
    """Each capture as it was taken, with the first digits of its hash."""

    def cell(value: float | None, unit: str, digits: int = 4) -> str:
        return "–" if value is None else with_unit(f"{value:.{digits}g}", unit)

    def khz(value: float | None) -> str:
        return cell(None if value is None else value / 1000, "kHz")

    points = points_of_all(a)
    return [
        (
            words.printable(shortened(one.file)), one.kind,
            *([] if points else [words.printable(", ".join(one.points)) or "–"]),
            cell(one.duration_s, "s", 3), khz(one.sample_rate_hz), khz(one.top_hz) if one.top_hz else "not used",
            cell(one.load_percent, "%", 3), words.printable(one.sha256[:SHORT_HASH]) or "–",
        )
        for one in a.measured
    ]  # fmt: skip


def shortened(name: str, most: int = 44) -> str:
    """A file name with its middle left out where it is very long; the record has all of it."""
    return name if len(name) <= most else f"{name[: most // 2 - 1]}…{name[-(most // 2 - 1) :]}"
