"""What turns with the drive and is no part of it: driven machines, and what is fitted to its shafts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from difflib import get_close_matches
from fractions import Fraction

from vibe.core.drive import Drive
from vibe.core.errors import ConfigError
from vibe.core.strict import exact
from vibe.core.surroundings import Made
from vibe.core.tones import Family, Tone
from vibe.kinematics.families.make import BELT_SLIP, counted, text
from vibe.kinematics.relations import Speeds


def outside_tones(drive: Drive, speeds: Speeds, outputs: Sequence[str]) -> Iterator[Tone]:
    """One tone for each count of each ``[[driven]]`` and ``[[fitted]]``: times per turn x turns of its body.

    The id is ``driven.<name>``, and ``driven.<name>.<what>`` where one machine makes several things.

    Raises:
        ConfigError: a body that the drive has not, or one that stands still.
    """
    for machine in drive.driven:
        body = machine.on or (outputs[-1] if outputs else "input")
        yield from _tones("driven", machine.name, body, machine.makes(), speeds)
    for part in drive.fitted:
        yield from _tones("fitted", part.name, part.on, part.makes(), speeds)


def _tones(family: Family, name: str, body: str, makes: Sequence[Made], speeds: Speeds) -> Iterator[Tone]:
    turns = _turns(f"{family} {name!r}", body, speeds)
    for number, (what, times) in enumerate(makes):
        same = [other for other, _ in makes[:number] if other == what]
        part = f".{what.replace(' ', '_')}{f'_{len(same) + 1}' if same else ''}" if len(makes) > 1 else ""
        if what == "belt":
            yield _belt(f"{family}.{name}{part}", name, float(abs(turns)) * times, body)
            continue
        each = f"{times:g} times" if what == "per turn" else f"{times} {what}"
        yield counted(
            f"{family}.{name}{part}",
            turns * exact(times),
            family=family,
            defect="outside source",
            made_by=f"{name}: {each} per turn of {body}, which turns {text(abs(turns))} times per input turn",
            source="declared in the drive file",
        )


def _belt(tone_id: str, name: str, order: float, body: str) -> Tone:
    """A belt's length and a pulley's diameter are no counts; it creeps as any belt does."""
    return Tone(
        id=tone_id,
        component=tone_id,
        defect="outside source",
        family="fitted",
        order=order,
        order_exact=None,
        damage=False,
        made_by=f"{name}: its belt comes round, driven by a pulley on {body}",
        source="declared in the drive file",
        slip=(-float(BELT_SLIP), 0.0),
    )


def _turns(what: str, body: str, speeds: Speeds) -> Fraction:
    if body not in speeds:
        near = get_close_matches(body, speeds, n=1)
        raise ConfigError(
            f"{what}: on = {body!r} is no body of this drive"
            + (f"; nearest is {near[0]!r}" if near else "")
            + f"; there are {', '.join(speeds)}"
        )
    if not speeds[body]:
        raise ConfigError(f"{what}: {body} stands still, so that nothing on it repeats")
    return speeds[body]
