"""Combs that belong to something outside the drive: what they are called, and which tones of the drive they hide."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from vibe.core.health import NotObservable, OutsideSource
from vibe.core.outside_combs import MOST_PER_TURN, DeclaredNeighbour, DeclaredSource, OutsideComb, Surroundings
from vibe.core.tones import Tone, ToneTable

HARMONICS = 4
"""First lines of a part's comb that are looked at: damage shows in the lowest (common practice)."""
HIDDEN_BEYOND = 0.5
"""Share of these beyond which lines of another comb hide a part: with half of them free it is found by those."""
NAMELESS = "outside source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outside:
    """What a report says of the machines around a drive."""

    sources: tuple[OutsideSource, ...] = ()
    hidden: tuple[NotObservable, ...] = ()
    """One entry per tone, naming the strongest comb that hides it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Name:
    """What a comb is called; ``words`` say what it counts."""

    name: str = NAMELESS
    per_turn: int | None = None
    of: str | None = None
    declared: bool = False
    words: str = ""


def outside_sources(
    combs: Sequence[OutsideComb],
    table: ToneTable,
    around: Surroundings,
    *,
    input_hz: float,
) -> Outside:
    """Rows of a report for combs that no part of the drive makes, strongest first, and the tones they hide.

    A comb is called by what was declared at its order; else it is counted per turn of a shaft that turns other
    machines; else the orders of declared neighbours are tried at every speed of theirs.

    Args:
        combs: as the samples gave them.
        table: the drive's tones.
        around: what was declared.
        input_hz: speed of the input.
    """
    ordered = sorted(combs, key=lambda comb: -comb.evidence.hit_over_floor_db)
    rows: list[OutsideSource] = []
    hidden: dict[str, NotObservable] = {}
    for comb in ordered:
        name = _named(comb, table, around, input_hz=input_hz)
        covered = [tone for tone in table.tones if tone.damage and hides(comb, tone)]
        row = _row(comb, name, [tone.id for tone in covered], input_hz)
        rows.append(row)
        for tone in covered:
            hidden.setdefault(tone.id, _not_observable(tone, row))
    return Outside(sources=tuple(rows), hidden=tuple(hidden.values()))


def whole_per_turn(order: float, turns: Sequence[float], spread: float) -> tuple[int, float] | None:
    """(whole number, order of the turn) where ``order`` is a whole number of one of ``turns`` within ``spread``
    (relative); the smallest number where several fit, None where none does."""
    found = []
    for turn in turns:
        count = round(order / turn)
        if 1 <= count <= MOST_PER_TURN and abs(order / (count * turn) - 1.0) <= spread:
            found.append((count, turn))
    return min(found, default=None)


def hides(comb: OutsideComb, tone: Tone) -> bool:
    """Whether damage of a part could stand under the lines that a comb takes: at one and the same slip that the part
    may have, more than half of its first lines do."""
    step = tone.order * (2 if tone.family == "rolling element" else 1)  # an element strikes twice in a spin
    low, high = step * (1 + tone.slip[0] - comb.spread), step * (1 + tone.slip[1] + comb.spread)
    harmonics = range(1, HARMONICS + 1)
    # Where most of the lines are covered, one of them lies in the middle of its cover or at an end of the slip.
    places = {(first + last) / 2 / k for first, last in comb.taken for k in harmonics} | {low, step, high}
    return any(
        sum(any(first <= k * place <= last for first, last in comb.taken) for k in harmonics)
        > HIDDEN_BEYOND * HARMONICS
        for place in places
        if low <= place <= high
    )


def _named(comb: OutsideComb, table: ToneTable, around: Surroundings, *, input_hz: float) -> _Name:
    spread = comb.spread
    for source in around.sources:
        if _fits(comb.order, source, spread):
            return _of_declared(source, table)
    per_turn = comb.per_turn or whole_per_turn(comb.order, around.slow_turns, spread)
    if per_turn is not None:
        count, turn = per_turn
        body = _body(turn, table)
        return _Name(per_turn=count, of=body, words=f"{count} per {_turn_of(body, table)}")
    for neighbour in around.neighbours:
        for times, what in _orders_of(neighbour):
            own_hz = comb.order * input_hz / times
            low_hz, high_hz = neighbour.range_hz
            if low_hz * (1 - spread) <= own_hz <= high_hz * (1 + spread):
                whole = round(times) if abs(times - round(times)) < 1e-9 else None
                words = f"fits {what} of {neighbour.name}, which would then turn at {60 * own_hz:.5g} r/min"
                return _Name(name=neighbour.name, per_turn=whole, of=neighbour.name, declared=True, words=words)
    return _Name()


def _fits(order: float, source: DeclaredSource, spread: float) -> bool:
    return 1 + source.slip[0] - spread <= order / source.order <= 1 + source.slip[1] + spread


def _of_declared(source: DeclaredSource, table: ToneTable) -> _Name:
    times = source.order / source.turn_order
    whole = round(times) if abs(times - round(times)) < 1e-6 and not any(source.slip) else None
    body = _body(source.turn_order, table)
    counted = f"{whole} per {_turn_of(body, table)}" if whole is not None else ""
    plain = source.name.partition(".")[2].replace("_", " ").replace(".", ", ")
    return _Name(name=plain, per_turn=whole, of=body, declared=True, words=counted)


def _orders_of(neighbour: DeclaredNeighbour) -> Iterator[tuple[float, str]]:
    """Orders of its own shaft that it may make, sound first, and what they are called."""
    for times in neighbour.per_turn:
        yield times, f"{times:g} per turn"
    for name, times in neighbour.damage:
        yield times, f"damage at {name}"


def _body(turn: float, table: ToneTable) -> str | None:
    """The body that turns so; the output first, for it is what turns other machines."""
    names = sorted((body.body for body in table.bodies), key=lambda name: (name != table.output, name != "input"))
    turns = {body.body: abs(float(body.order)) for body in table.bodies}
    return next((name for name in names if turns[name] and abs(turn / turns[name] - 1.0) < 1e-6), None)


def _turn_of(body: str | None, table: ToneTable) -> str:
    if body is None:
        return "turn of a slow shaft"
    if body == table.output:
        return "output turn"
    return "input turn" if body == "input" else f"turn of {body}"


def _row(comb: OutsideComb, name: _Name, hidden: Sequence[str], input_hz: float) -> OutsideSource:
    evidence = comb.evidence
    called = name.name[:1].upper() + name.name[1:] if name.declared else "An outside source"
    text = f"{called} at {comb.order:.4g} orders, {comb.order * input_hz:.3g} Hz"
    if name.words:
        text += f": {name.words}"
    strength_db = evidence.hit_over_floor_db
    text += (
        f"; its impacts stand {abs(strength_db):.0f} dB {'above' if strength_db >= 0 else 'below'} the mean "
        f"of their band"
    )
    if comb.ambiguous:
        text += "; a part of the drive lies so near that it may be that part"
    return OutsideSource(
        name=name.name,
        order=float(f"{comb.order:.6g}"),
        hz=float(f"{comb.order * input_hz:.6g}"),
        per_turn=name.per_turn,
        of=name.of,
        strength_db=round(evidence.hit_over_floor_db, 1),
        points=list(evidence.channels),
        declared=name.declared,
        hides=list(hidden),
        text=text,
    )


def _not_observable(tone: Tone, row: OutsideSource) -> NotObservable:
    whose = row.name if row.declared else f"an outside source at {row.order:.4g} orders"
    return NotObservable(
        tone=tone.id,
        why=f"its lines may lie under those of {whose}: damage there would be taken for it",
        needs="a capture while that machine is uncoupled, idle or at rest; else a point nearer to the part and farther "
        "from it",
    )
