"""Belt: two pulleys and the belt that runs round them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from math import asin, cos, pi

from vibe.core.errors import ConfigError
from vibe.core.stages.belt import BeltStage
from vibe.core.strict import exact
from vibe.core.tones import Tone
from vibe.kinematics.families.make import BELT_SLIP, counted
from vibe.kinematics.relations import ONE, Linkage, Relation, Speeds, joined
from vibe.kinematics.stages.kind import StageKind

PI = Fraction(355, 113)
"""Near enough to pi (8.5e-8, relative) compared with a slip of per cents, and keeps the solution in fractions."""


def link(stage: BeltStage, name: str, feed: str, slip: Fraction) -> Linkage:
    """Driver in, driven out, same sense; ``slip`` (0 ... 0.02) is the share of belt travel that is lost.

    Raises:
        ConfigError: the belt is too short to reach round both pulleys.
    """
    driver, driven, output, belt = (f"{name}.{part}" for part in ("driver", "driven", "output", "belt"))
    d1, d2 = exact(stage.driver_diameter_mm), exact(stage.driven_diameter_mm)
    bodies = [
        (driver, f"driving pulley of {stage.driver_diameter_mm:g} mm, on the shaft of {feed}"),
        (driven, f"driven pulley of {stage.driven_diameter_mm:g} mm; belt slip may slow it by up to 2 %"),
        (output, "output, on the driven pulley"),
    ]
    relations = [
        joined(driver, feed),
        Relation({driver: d1 * (ONE - slip), driven: -d2}),
        joined(output, driven),
    ]
    if stage.belt_length_mm is not None:
        shortest = _shortest_mm(stage.driver_diameter_mm, stage.driven_diameter_mm)
        if stage.belt_length_mm <= shortest:
            raise ConfigError(
                f"{name}: a belt of {stage.belt_length_mm:g} mm cannot reach round pulleys of "
                f"{stage.driver_diameter_mm:g} and {stage.driven_diameter_mm:g} mm; it needs over {shortest:.0f} mm"
            )
        bodies.append((belt, f"belt of {stage.belt_length_mm:g} mm, rounds run per input turn"))
        relations.append(Relation({driver: PI * d1 * (ONE - slip), belt: -exact(stage.belt_length_mm)}))
    return Linkage(tuple(bodies), tuple(relations), output)


def _shortest_mm(d1: float, d2: float) -> float:
    """Length of an open belt round two pulleys that touch (plane geometry)."""
    centres = (d1 + d2) / 2
    wrap = asin((d2 - d1) / (2 * centres))
    return 2 * centres * cos(wrap) + pi * (d1 + d2) / 2 + (d2 - d1) * wrap


def tones(stage: BeltStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    """The belt pass tone, where the belt's length is known."""
    if stage.belt_length_mm is None:
        return
    tone = counted(
        f"{name}.belt",
        speeds[f"{name}.belt"],
        family="belt",
        made_by="one spot of the belt comes round: pi x driving diameter / belt length; "
        "it crosses two pulleys per round, so twice this order shows too",
        source="geometry of the belt; common practice",
        defect="belt damage",
        meetings=2,
    )
    # pi and a measured length: no exact order.
    yield replace(tone, order_exact=None)


KIND = StageKind(form=BeltStage, link=link, tones=tones, most_slip=BELT_SLIP)
