"""A health report in a dozen lines, for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from vibe.core.health import Finding, Health

CAUTIONS_SHOWN = 3
"""Those on deciding come first; whoever stands at the drive has the plan's or the page's."""


def facts(health: Health) -> Iterator[tuple[str, str]]:
    """Pairs of label and sentence, most important first."""
    from vibe.report.health_text import level_rows
    from vibe.report.words import unit, with_uncertainty

    yield "drive", f"{health.drive} {health.name}"
    yield "state", f"{health.state} ({health.state_rule})"
    yield "in short", health.sentence
    yield "what to do", health.do_by
    if all(finding.weak_sign for finding in health.findings):
        yield "finding", "none" if health.state != "unknown" else "none: the condition was not assessed"
    said = [finding for finding in health.findings if not finding.too_faint_for_words]
    for number, finding in enumerate(said, start=1):
        yield "weak sign" if finding.weak_sign else "finding", f"{number}. {_finding(finding, health.do_by)}"
    speed = health.speed
    method = f", from: {speed.method}" if speed.method else ""
    yield "speed", f"{with_uncertainty(speed.input_hz, speed.uncertainty_hz, 'Hz')}{method}"
    for level, measure, band in level_rows(health.levels):
        if level.zone is not None:
            where = f"{level.point}, {measure[:1].lower()}{measure[1:]}" + (f", {band}" if band else "")
            yield "level", f"{where}: {level.value:.3g} {unit(level.unit)}, zone {level.zone} of {level.zone_source}"
    for capture in health.captures:
        if capture.error is not None:
            yield "quality", f"{capture.file}: unreadable, {capture.error}"
        for channel in capture.channels:
            yield "quality", ": ".join([capture.file, channel.name, channel.quality, *channel.reasons])
    for source in health.outside_sources:
        hides = f"; it hides {len(source.hides)} of this drive's tones" if source.hides else ""
        yield "outside", f"{source.text}{hides}"
    if count := len(health.not_observable):
        tones = "1 tone was" if count == 1 else f"{count} tones were"
        yield "not seen", f"{tones} not detectable in these captures; the report says which, and why"
    yield from (("caution", caution) for caution in health.cautions[:CAUTIONS_SHOWN])


def _finding(finding: Finding, said: str) -> str:
    from vibe.report.words import component, heading, probability

    name = heading(finding.component, finding.defect)
    sure = probability(finding.probability)
    if finding.damage_probability > finding.probability:
        what = "one of these" if finding.cannot_be_told_from else "the bearing"
        sure += f" (that {what} is damaged: {probability(finding.damage_probability)})"
    text = f"{name}, {finding.severity}, {sure}. {finding.why}"
    if finding.cannot_be_told_from:
        text += (
            f" Cannot be distinguished from: {', '.join(component(other) for other in finding.cannot_be_told_from)}."
        )
    return text if finding.advice in said else f"{text} {finding.advice}"
