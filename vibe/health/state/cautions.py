"""Cautions that plans and reports carry. They are shown in full, never folded away."""

from __future__ import annotations

MEASURING: tuple[str, ...] = (
    "The drive turns while it is measured: leave every guard in place, keep hands, hair and clothing away from shafts.",
    "Stop, isolate and lock out the drive before anything is touched that turns, and prove that it is dead.",
    "Housings and motors can be hot enough to burn: test before you touch.",
    "Lay cables clear of couplings, belts and walkways, and tie them down.",
    "Mount a sensor only where you can stand, reach and leave safely; leave out a point that you cannot reach so.",
)
"""For whoever takes the capture."""

DECIDING: tuple[str, ...] = (
    "This report supports a decision; it does not make one.",
    "Local rules, the maker's manual and the judgement of a qualified person come before anything said here.",
    "Never run a drive past a trip or an alarm on the strength of this report.",
    "No finding means none in what was measured: see what was not detectable.",
)
"""For whoever acts on the report."""


def cautions() -> list[str]:
    """All cautions for a report, those for deciding first."""
    return [*DECIDING, *MEASURING]


def plan_cautions() -> list[str]:
    """All cautions for a capture plan, those for measuring first."""
    return [*MEASURING, *DECIDING[1:3]]
