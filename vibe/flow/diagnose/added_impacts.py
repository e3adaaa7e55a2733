"""A capture judged again with impacts of one part added to its samples: would that part have been named?

Impacts hardly change speed, lines, levels and the samples' quality, nor what drive is detected; all that is the first
look's. What they change is weighed anew, by the same steps: bands, combs of other machines, the part's own comb against
its decoys, and the findings of the rules.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from vibe.flow.diagnose.capture_diagnosis import case_of, diagnose_samples, request_of

if TYPE_CHECKING:
    from vibe.core.capture import Capture
    from vibe.core.drive import Drive
    from vibe.core.health import Finding
    from vibe.core.outside_combs import SimilarMachine
    from vibe.core.tones import ToneTable
    from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis
    from vibe.flow.settings import Settings
    from vibe.spectra.analysis_request import AnalysisRequest

PLAUSIBLE = 0.05
"""False-alarm probability up to which another comb of the bare capture is weighed again: its lines are kept from the
part's own."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FirstLook:
    """What is known of a capture without the impacts. ``request`` is None where all must be judged anew: of a long
    recording, of moves to and fro, and where no speed was found."""

    plain: CaptureDiagnosis
    request: AnalysisRequest | None
    alike: tuple[SimilarMachine, ...]


def first_look(capture: Capture, plain: CaptureDiagnosis, drive: Drive, table: ToneTable) -> FirstLook:
    """Of ``capture``, judged as ``plain``."""
    from vibe.flow.diagnose.motion import motion_in, moves_in
    from vibe.flow.diagnose.outside_requests import declared_alike
    from vibe.flow.diagnose.presence import similar_machines_in
    from vibe.flow.diagnose.tone_requests import by_tone

    reading = plain.reading
    whole = reading is not None and capture.segment_count == 1 and not moves_in(motion_in(capture, plain.quality))
    if reading is None or not whole or reading.speed.method == "nominal":
        return FirstLook(plain=plain, request=None, alike=())
    shortest_s = min(channel.duration_s for channel in capture.vibration if channel.name in reading.samples)
    request = request_of(capture, drive, table, plain.visibility, shortest_s)
    alike = plain.alike
    if alike is None:
        declared = bool(declared_alike(drive, table, request.surroundings))
        combs = by_tone(reading, table, request)
        alike = similar_machines_in(reading, drive, table, combs, plain.findings, declared=declared)
    return FirstLook(plain=plain, request=request, alike=alike)


def findings_with(
    capture: Capture, look: FirstLook, tone: str, drive: Drive, table: ToneTable, settings: Settings
) -> list[Finding]:
    """The findings on ``capture``, that of ``look`` with impacts of ``tone`` added."""
    from vibe.diagnosis.alternatives.outside_machines import doubted_undetected
    from vibe.diagnosis.diagnose import diagnose
    from vibe.flow.diagnose.tone_requests import by_tone
    from vibe.spectra.analysis import analysis_of
    from vibe.spectra.segment import bands_again

    plain, request, reading = look.plain, look.request, look.plain.reading
    if request is None or reading is None:
        return diagnose_samples(capture, drive, table, settings).findings
    fit = [channel for channel in capture.vibration if channel.name in reading.samples]
    segment = bands_again(fit, reading, request)
    asked = {comb.tone for comb in reading.combs if comb.false_alarm_probability <= PLAUSIBLE}
    own = by_tone(reading, table, request).get(tone)
    asked |= set() if own is None else {own.tone}
    analysed = analysis_of(segment, request, asked=asked)
    again = {comb.tone: comb for comb in analysed.combs}
    analysed = replace(analysed, combs=tuple(again.get(comb.tone, comb) for comb in reading.combs))
    combs = by_tone(analysed, table, request)
    around = request.surroundings
    found = diagnose(case_of(drive, table, settings, plain.quality, analysed, combs, look.alike, {}, around))
    return found if plain.not_detected is None else doubted_undetected(found)
