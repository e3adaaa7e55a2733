"""A capture beside earlier ones of the same drive: which of them are alike, what grew, what fell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from vibe.core.past import Growth, PastCapture, Trace, TraceBand
    from vibe.diagnosis.settings import PastSettings
    from vibe.flow.judging import Judged
    from vibe.spectra.analysis import Reading

SAME_EDGE = 0.01
"""Relative distance within which edges of bands are the same: rates and widths are the recorder's, not the drive's."""


def past_of(reading: Reading | None, file: str, load_percent: float | None) -> PastCapture | None:
    """What an analysed capture leaves for later ones; None where it was not analysed or its speed is only assumed."""
    from vibe.core.past import PastCapture

    if reading is None or reading.speed.method == "nominal":
        return None
    return PastCapture(
        file=file, speed_hz=reading.speed.input_hz, load_percent=load_percent, trace=reading.trace,
        levels=reading.levels, lines=reading.lines,
    )  # fmt: skip


def accepted(judged: Sequence[Judged]) -> list[PastCapture]:
    """What the captures leave in which the drive was heard."""
    return [one.past for one in judged if one.past is not None and one.unheard is None]


def alike(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> list[PastCapture]:
    """Earlier captures at the speed of this one, and at its load where both are known."""
    return [
        one
        for one in earlier
        if abs(one.speed_hz / now.speed_hz - 1) <= settings.speed_within
        and (
            one.load_percent is None
            or now.load_percent is None
            or abs(one.load_percent - now.load_percent) <= settings.load_within_percent
        )
    ]


def growths(now: PastCapture, earlier: Sequence[PastCapture], settings: PastSettings) -> dict[str, Growth]:
    """By the name of each comb: its change against the drive's own earlier captures; empty with too few of them."""
    from vibe.core.past import Growth

    own = now.trace
    if own is None:
        return {}
    traces = [
        one.trace
        for one in alike(now, earlier, settings)
        if one.trace is not None and abs(one.trace.turns / own.turns - 1) <= settings.turns_within
    ][-settings.most :]
    if len(traces) < settings.fewest:
        return {}
    from vibe.history.growth import changes, gathered

    bands = _common_bands([own, *traces])
    tones = [name for name in own.tones if all(name in trace.tones for trace in traces)]
    if not bands or not tones:
        return {}
    rows = [gathered(trace.over_floor_db, [trace.tones.index(t) for t in tones], places)
            for trace, places in zip([own, *traces], zip(*bands.values(), strict=True), strict=True)]  # fmt: skip
    found = changes(rows[0], rows[1:])
    named = list(bands)
    return {
        tone: Growth(
            tone=tone,
            growth_db=float(found.growth[row]),
            scatter_db=float(found.scatter[row]),
            common_db=float(found.common[row]),
            captures=len(traces),
            chance=float(found.chance[row]),
            band=named[int(found.column[row])],
        )
        for row, tone in enumerate(tones)
        if found.chance[row] < 1.0
    }


def _common_bands(traces: Sequence[Trace]) -> dict[TraceBand, tuple[int, ...]]:
    """Groups of bands that all captures have, with their place in each."""
    common = {}
    for band in traces[0].bands:
        places = [next((k for k, other in enumerate(t.bands) if _same(band, other)), None) for t in traces]
        whole = tuple(place for place in places if place is not None)
        if len(whole) == len(traces):
            common[band] = whole
    return common


def _same(a: TraceBand, b: TraceBand) -> bool:
    within = SAME_EDGE * a.high_hz
    return a.channels == b.channels and abs(a.low_hz - b.low_hz) <= within and abs(a.high_hz - b.high_hz) <= within
