"""The envelope of a band on one turn of a part."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from vibe.core.errors import CallError
from vibe.flow.desk.stored_signal import StoredSignal, kinematics_of, law_of_capture
from vibe.flow.evidence.answers import etag_of, evidence_rows, kept_rows, with_samples
from vibe.flow.evidence.asked import Pair, refuse_infinite, worked_out

if TYPE_CHECKING:
    from vibe.core.capture import Channel
    from vibe.core.records.evidence_rows import EvidenceRows
    from vibe.core.tones import Tone
    from vibe.history.store.store import Store

STANDS_OUT = 0.01
"""Chance that a sound, irregular turn shows such a peak, below which the parts under it are marked: as reports do."""


def turn(
    store: Store,
    content: str,
    point: str,
    tone: str,
    *,
    low_hz: float | None = None,
    high_hz: float | None = None,
) -> EvidenceRows:
    """The envelope of a band laid on one turn of the body that a tone is folded on, (n,): 0 is its median, 1 its
    highest place. Part 1 is at angle 0, where the pulse is if there is one per turn; else counted from anywhere.

    Without a band that in which the capture's own report found the tone, else all of it; a part that this report names
    is the one that is marked, where both are the same within what is said of it."""
    refuse_infinite(low_hz, high_hz)
    signal = with_samples(store, content)
    channel = signal.channel(point)
    known = kinematics_of(store, signal.capture.drive)
    if known is None:
        raise CallError(f"the store has no drive file of {signal.capture.drive}: without one no turn is known")
    found = next((one for one in known[1].tones if one.id == tone), None)
    if found is None or found.fold is None:
        there = ", ".join(one.id for one in known[1].tones if one.fold is not None) or "none"
        raise CallError(f"{tone[:80]!r} has no turn to be laid on; these have one: {there}")
    named = None
    if low_hz is None and high_hz is None:
        low_hz, high_hz = _reported_band(store, content, tone)
        named = _reported_part(store, content, tone, point)
    key = ("turn", content, point, tone, store.drive_toml(signal.capture.drive), low_hz, high_hz, named)
    return kept_rows(key, lambda: _turn(store, signal, channel, found, (low_hz, high_hz), named, etag_of(key)))


_BAND = re.compile(r" in ([0-9.]+) to ([0-9.]+) Hz")


def _reported_band(store: Store, content: str, tone: str) -> Pair:
    """The band in which the report of a capture found the comb of a tone."""
    said = [found for one in _reported(store, content, tone, "comb") if (found := _BAND.search(str(one["text"])))]
    return (float(said[0][1]), float(said[0][2])) if said else (None, None)


def _reported_part(store: Store, content: str, tone: str, point: str) -> int | None:
    """The number of the part that the report of a capture names, as seen at a point."""
    said = [one["value"] for one in _reported(store, content, tone, "part") if one.get("channel") == point]
    return int(said[0]) if said and isinstance(said[0], int | float) else None


def _reported(store: Store, content: str, tone: str, kind: str) -> list[dict[str, Any]]:
    """Evidence of one kind that the report of a capture has for a tone."""
    try:
        findings = json.loads(store.health(content))["findings"]
        return [
            one for finding in findings if finding["tone"] == tone for one in finding["evidence"]
            if one["kind"] == kind
        ]  # fmt: skip
    except (ValueError, TypeError, KeyError):
        return []


def _turn(
    store: Store,
    signal: StoredSignal,
    channel: Channel,
    tone: Tone,
    band: Pair,
    named: int | None,
    etag: str,
) -> EvidenceRows:
    from vibe.diagnosis.rules.local_damage import PLACE_SHARE
    from vibe.spectra.envelope.places import localise
    from vibe.spectra.envelope.synchronous_average import fold
    from vibe.spectra.plots import on_demand

    assert tone.fold is not None
    low, high = worked_out(lambda: on_demand.band_limits(band[0], band[1], channel.sample_rate_hz))
    found = law_of_capture(store, signal)
    if found is None:
        raise CallError("the speed of this capture is not known: no turn is known")
    envelope = on_demand.band_of(channel.samples, channel.sample_rate_hz, low, high, found.law)
    origin, parts = -float(found.law.turns[0]), tone.fold.count
    laid = fold([envelope], [(0, 0)], float(tone.fold.order), origin_turns=origin, parts=parts)
    angle_deg, level = laid.at_parts(tone.fold.count)
    shape = on_demand.relative(level)
    place = localise(laid, meetings=tone.meetings)
    stands = place.false_alarm_probability <= STANDS_OUT
    sure = PLACE_SHARE * place.width_deg / 360.0 * parts
    within = round(sure)
    # Between two parts either number is right: then the one is marked that the report names.
    marked = tuple(
        dict.fromkeys(
            named if named is not None and _apart(at, named - 1, parts) <= 0.5 + sure else round(at) % parts + 1
            for at in (angle / 360.0 * parts for angle in place.peaks_deg) if stands
        )
    )  # fmt: skip
    chance = 100 * place.false_alarm_probability
    percent = "below 0.001 %" if chance < 0.001 else f"of {chance:.2g} %"
    remarks = [
        f"Averaged over {laid.turns:.0f} turns; speed {found.words}.",
        ("One place stands out" if stands else "No place stands out")
        + f": a sound, uneven {tone.fold.part} turn shows such a peak with a chance {percent}.",
        "Marked is where the impact begins; the level is highest a little later, while it rings." if marked else "",
        f"Counted from {'the pulse' if found.absolute else 'an arbitrary start'}.",
    ]
    return replace(
        evidence_rows(
            "turn", f"One turn by {tone.fold.part}, {channel.name}, {low:.0f} to {high:.0f} Hz", shape, etag,
            (signal.capture,), x0=0.0, dx=float(angle_deg[1]), x_name="Angle", x_unit="deg",
            y_name="Envelope over its median, relative to the highest place", unit="",
            remarks=[remark for remark in remarks if remark],
        ),
        count=tone.fold.count, part=tone.fold.part, marked=marked,
        within=within if marked else 0,
    )  # fmt: skip


def _apart(one: float, other: float, count: int) -> float:
    """How many parts two places of a ring of parts are apart."""
    return min((one - other) % count, (other - one) % count)
