"""The tones of a drive, for cursors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from vibe.flow.desk.stored_signal import kinematics_of

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import ToneMark
    from vibe.core.tones import Tone
    from vibe.history.store.store import Store


def tones(store: Store, drive: str, content: str | None = None) -> tuple[ToneMark, ...]:
    """The tones of a drive for cursors, lowest order first; with a capture where they lie at its speed. Those of the
    motor keep to the supply's frequency, whatever the speed."""
    from vibe.core.records.evidence_rows import SidebandMark, ToneMark

    known = kinematics_of(store, drive)
    if known is None:
        return ()
    speed_hz = None if content is None else store.capture(content).speed_hz

    def hz(order: float) -> float | None:
        return None if speed_hz is None else order * speed_hz

    def mark(tone: Tone) -> ToneMark:
        return ToneMark(
            id=tone.id, words=_tone_words(tone.id), made_by=tone.made_by, family=tone.family,
            order=tone.order_at(speed_hz), order_exact=None if tone.order_exact is None else str(tone.order_exact),
            hz=None if speed_hz is None else tone.hz_at(speed_hz), slip=tone.slip,
            sidebands=tuple(SidebandMark(order=s.order, hz=hz(s.order), why=s.why) for s in tone.sidebands),
            part="" if tone.fold is None else tone.fold.part, count=0 if tone.fold is None else tone.fold.count,
        )  # fmt: skip

    return tuple(sorted(map(mark, known[1].tones), key=lambda one: (one.order, one.id)))


def _tone_words(name: str) -> str:
    """A tone as a short label: "lobe of the disc, stage 1", "outer race, eccentric bearing", "motor: twice line"."""
    from vibe.core.labels import BEARING_PARTS, in_stage, part_name

    if place := in_stage(name):
        return f"{part_name(place[1])}, stage {place[0]}"
    if name.startswith("bearing."):
        bearing, _, race = name.removeprefix("bearing.").rpartition(".")
        past = race.partition("_past_")[2].replace("inner", "inner ring")
        return f"{BEARING_PARTS.get(race, race.replace('_', ' '))}{f' past the {past}' if past else ''}, {bearing}"
    first, _, rest = name.partition(".")
    return f"{first} {rest}" if first == "input" else f"{first}: {rest.replace('_', ' ')}" if rest else first
