"""Stage -> bodies and relations, one file per stage kind."""

from __future__ import annotations

from fractions import Fraction

from vibe.core.drive import BeltStage, CycloidalStage, GearPairStage, PlanetaryStage, RvStage, Stage
from vibe.kinematics.relations import Linkage
from vibe.kinematics.stages import belt, cycloidal, gear_pair, planetary, rv


def link(stage: Stage, name: str, feed: str, belt_slip: Fraction) -> Linkage:
    """Bodies and relations of a stage called ``name`` (``stage1``) that is driven by the body ``feed``."""
    match stage:
        case CycloidalStage():
            return cycloidal.link(stage, name, feed)
        case RvStage():
            return rv.link(stage, name, feed)
        case PlanetaryStage():
            return planetary.link(stage, name, feed)
        case GearPairStage():
            return gear_pair.link(stage, name, feed)
        case BeltStage():
            return belt.link(stage, name, feed, belt_slip)
