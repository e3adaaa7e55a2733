"""Whether a capture holds the lines of the drive that it is filed under, and not those of a speed sensor's cable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel, Reason
    from vibe.core.drive import Drive
    from vibe.core.evidence import CombEvidence
    from vibe.core.health import Finding
    from vibe.spectra.identity.recognition import Candidate, Recognition
    from vibe.spectra.signal_analysis import SignalAnalysis

EQUALLY_LIKELY = 5.0
"""Log odds within which two drives explain the lines about as well."""
FEWEST_SAMPLES = 4096
"""Samples below which a spectrum has too few lines to know a drive by (our choice: a sixth of a second)."""


def recognised(
    capture: Capture, fit: Sequence[Channel], candidates: Mapping[str, Candidate], tag: str, *, followed: bool = True
) -> Recognition | None:
    """Whose lines the channels ``fit`` hold; None where there are none, or too few samples. ``followed``: a speed that
    moves is wanted as well, and not only whether the lines contradict the drive."""
    from vibe.ingest import assess
    from vibe.spectra.identity.recognition import recognise

    rows = [(channel.samples, channel.sample_rate_hz) for channel in fit if channel.samples.size >= FEWEST_SAMPLES]
    if not rows:
        return None
    tachometer = capture.tachometer
    if tachometer is not None and assess(tachometer).verdict == "rejected":
        tachometer = None
    return recognise(rows, candidates, tag, tachometer=tachometer, followed=followed)


def contradiction(found: Recognition | None, drive: Drive) -> Reason | None:
    """Why nothing can be said of this drive from what was detected; None where it may be its own."""
    if found is None or found.verdict not in {"other drive", "other speed"}:
        return None
    from vibe.ingest.route import field_rules

    if found.verdict == "other drive":
        return field_rules.wrong_drive(drive.tag, likely(found))
    if found.verdict == "other speed" and found.speed is not None:
        return field_rules.out_of_range(drive, found.speed.input_hz)
    return None


def likely(found: Recognition) -> list[str]:
    """Drives that explain the lines about as well as the best one does."""
    return [tag for tag, odds in found.better if odds > found.better[0][1] - EQUALLY_LIKELY]


def leaks_behind(
    findings: Sequence[Finding], combs: Mapping[str, CombEvidence], reading: SignalAnalysis
) -> dict[str, Reason]:
    """By channel, why what is found there at whole multiples of the input's turn is nothing that the machine does:
    pulses of a speed sensor leak into it. Only channels that findings rest on are looked at."""
    from vibe.ingest.quality.checks.pulses import leak
    from vibe.spectra.evidence.pulse_edges import Folding, folding, is_pulse

    leaking: dict[str, Reason] = {}
    folded: dict[tuple[int, float, int], Folding] = {}
    names = {name for finding in findings for name in (finding.tone, *finding.seen_in) if name is not None}
    for comb in (combs[name] for name in sorted(names & set(combs))):
        times = _times_per_turn(comb, reading)
        if times < 1:
            continue
        for channel in {*comb.channels, *comb.surest_channels} - set(leaking):
            samples, rate_hz = reading.samples[channel]
            alike = samples.size, rate_hz, times
            if alike not in folded:
                folded[alike] = folding(samples.size, rate_hz, reading.law, times)
            if is_pulse(samples, rate_hz, reading.law, times, folded[alike]):
                leaking[channel] = leak(times_per_turn=times)
    return leaking


def leak_is_sure(capture: Capture, leaks: Mapping[str, Reason], reading: SignalAnalysis) -> bool:
    """Whether channels with ``leaks`` are left out: where a speed sensor was recorded, whose cable lies there, or where
    others are left to judge by. Else it may as well be what rubs once a turn, as a brake does, and rings as little."""
    return capture.tachometer is not None or bool(set(reading.samples) - set(leaks))


def doubted_pulses(
    findings: Sequence[Finding],
    combs: Mapping[str, CombEvidence],
    reading: SignalAnalysis,
    leaks: Mapping[str, Reason],
) -> list[Finding]:
    """The findings; those on parts that come a whole number of times per turn of the input, in channels in which that
    has two edges and does not ring, are less sure."""
    from vibe.diagnosis.alternatives.outside_machines import doubted_without_ringing

    def doubted(finding: Finding) -> bool:
        names = (finding.tone, *finding.seen_in)
        found = [combs[name] for name in names if name is not None and name in combs]
        return any(
            _times_per_turn(comb, reading) and set(leaks) & {*comb.channels, *comb.surest_channels} for comb in found
        )

    return [doubted_without_ringing(finding) if doubted(finding) else finding for finding in findings]


def _times_per_turn(comb: CombEvidence, reading: SignalAnalysis) -> int:
    """How often per turn of the input a comb comes; 0 where that is no whole number, all turns taken together."""
    times = round(comb.order)
    return times if abs(comb.order - times) * reading.law.total_turns <= 1 else 0
