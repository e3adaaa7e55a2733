"""Recordings too long to be held at once: the quality of all their segments first, then their samples, one by one."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.capture import Capture, Channel, ChannelQuality
    from vibe.core.tones import PlannedSettings
    from vibe.spectra.analysis_request import AnalysisRequest
    from vibe.spectra.signal_analysis import SignalAnalysis
    from vibe.spectra.speed.motion_intervals import Move


@dataclass(frozen=True, slots=True, kw_only=True)
class Assessed:
    """Verdicts on a whole recording. ``fit``: numbers of the segments in which no channel is rejected that is not
    rejected on the whole."""

    quality: tuple[ChannelQuality, ...]
    fit: tuple[int, ...]

    def of(self, channel: str) -> ChannelQuality:
        """The verdict on a channel."""
        return next(one for one in self.quality if one.channel == channel)

    def sound(self, channels: Sequence[Channel]) -> list[Channel]:
        """Those of ``channels`` that are not rejected."""
        return [channel for channel in channels if self.of(channel.name).verdict != "rejected"]


Tell = Callable[[int, int], None]
"""Called with (steps done, steps in all)."""


def silent(done: int, total: int) -> None:
    """Reports to nobody."""


def assessed(
    capture: Capture,
    speed_hz: float | None,
    ranges_m_s2: Mapping[str, float | None] | None = None,
    tell: Tell = silent,
    planned: PlannedSettings | None = None,
) -> Assessed:
    """The quality of every channel, over all segments of a long recording; ``ranges_m_s2`` of the sensors, by channel;
    ``planned``: the settings that remedies name.

    Raises:
        CaptureError: the file cannot be read to its end.
    """
    from vibe.ingest import assess, dead_channels, over_segments

    ranges = ranges_m_s2 or {}
    total = capture.segment_count
    verdicts = []
    for number, segment in enumerate(capture.segments(), start=1):
        single = [
            assess(channel, speed_hz=speed_hz, sensor_range_m_s2=ranges.get(channel.name), planned=planned)
            for channel in segment.channels
        ]
        verdicts.append(dead_channels(segment.channels, single))
        tell(number, 2 * total)
    if len(verdicts) == 1:
        return Assessed(quality=verdicts[0], fit=(0,))
    quality = tuple(over_segments(of_one, capture.duration_s) for of_one in zip(*verdicts, strict=True))
    names = {one.channel for one in quality if one.verdict != "rejected"}
    fit = tuple(
        number
        for number, of_all in enumerate(verdicts)
        if all(one.verdict != "rejected" for one in of_all if one.channel in names)
    )
    return Assessed(quality=quality, fit=fit)


def first_fit(capture: Capture, fit: Sequence[int]) -> Capture:
    """The first segment of which something can be said; the first of all when there is none."""
    if not fit or fit[0] == 0:
        return capture
    assert capture.longer is not None
    return capture.longer.read(fit[0])


def read_over(
    capture: Capture,
    names: Collection[str],
    fit: Collection[int],
    analysis_request: AnalysisRequest,
    tell: Tell = silent,
    *,
    pulses: bool,
    moves: Sequence[Move] = (),
    parts: bool = True,
) -> tuple[SignalAnalysis, list[str]]:
    """The answers of all segments ``fit`` together, and sentences about those that were left out.

    ``names`` are the vibration channels to use; ``pulses``: whether the tachometer is good enough to be used too;
    ``moves``: the pieces, of equally many turns, of a capture whose input does not run all the time; ``parts``: whether
    any part is asked for, or only whether the drive is there, which ``analysis_of`` may make up for.

    Raises:
        CaptureError: the file has changed, or cannot be read any more.
    """
    from vibe.spectra.analysis import analysis_of, with_outside_combs
    from vibe.spectra.segment import analyse_segment
    from vibe.spectra.segment_average import Joined

    if moves:
        return _read_moves(capture, names, analysis_request, moves, tell), []
    total = capture.segment_count
    joined = Joined(total)
    left_out: list[tuple[int, str]] = []
    for number, segment in enumerate(capture.segments()):
        tell(total + number, 2 * total)
        if number not in fit:
            joined.skip(segment.channels[0].duration_s)
            left_out.append((number, "its quality"))
            continue
        analysis = analyse_segment(
            [channel for channel in segment.vibration if channel.name in names],
            segment.tachometer if pulses else None,
            analysis_request,
            joined.first,
        )
        why = joined.add(analysis)
        # Else it would be held while the next one is analysed.
        del analysis
        if why is not None:
            left_out.append((number, why))
    whole = joined.whole()
    # What was gathered for it is not needed any more.
    del joined
    answered = analysis_of(whole, analysis_request) if parts else with_outside_combs(whole, analysis_request)
    return answered, _in_words(left_out, capture)


def _read_moves(
    capture: Capture, names: Collection[str], analysis_request: AnalysisRequest, moves: Sequence[Move], tell: Tell
) -> SignalAnalysis:
    """The answers of all moves together: each is laid on its own angle law, and mean squares are averaged."""
    from vibe.spectra.analysis import analysis_of
    from vibe.spectra.segment import analyse_segment
    from vibe.spectra.segment_average import Joined
    from vibe.spectra.speed.motion_intervals import estimate_of, of_move

    channels = [channel for channel in capture.vibration if channel.name in names]
    joined = Joined(len(moves), apart=True)
    for number, move in enumerate(moves):
        tell(len(moves) + number, 2 * len(moves))
        analysis = analyse_segment(
            of_move(channels, move), None, analysis_request, joined.first, known=(move.law, estimate_of(move))
        )
        joined.add(analysis)
    return analysis_of(joined.whole(), analysis_request)


def _in_words(left_out: Sequence[tuple[int, str]], capture: Capture) -> list[str]:
    if not left_out or capture.longer is None:
        return []
    length_s = capture.longer.duration_s / capture.longer.count
    which = ", ".join(f"{number * length_s / 60:.1f} min ({why})" for number, why in left_out[:5])
    more = f" and {len(left_out) - 5} more" if len(left_out) > 5 else ""
    return [
        f"{len(left_out)} of {capture.longer.count} segments of {length_s:.0f} s are left out, those from {which}{more}"
    ]
