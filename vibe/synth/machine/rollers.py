"""Rollers that turn on their pins: where they touch, how fast the other surface runs there, how they follow it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vibe.core.stages.cycloidal import CycloidalStage
from vibe.core.stages.pair import CycloidalPair
from vibe.synth.machine.motion import TURN, Array

Plane = NDArray[np.complex128]
"""Places in the plane of a disc [mm], one per sample, (n,)."""
COAST = (0.0, 0.06)
"""Share of its turn that a roller loses while it bears no load and coasts: drawn between these (assumed)."""


def output_roller(stage: CycloidalStage, hub: Array, pin: Array, disc: Array, loss: float) -> Array | None:
    """How far the mark on an output roller has gone past its contact with the bore [turns], (n,).

    ``hub``, ``pin`` and ``disc``: angles in the housing [turns], of the eccentric, the roller's place, the disc.
    ``loss``: share of rolling that slips. None where the drive file does not say that the roller can turn.
    """
    swing, roller = stage.swing_mm, stage.output_roller_diameter_mm
    if swing is None or roller is None:
        return None
    middle = swing * _unit(hub)
    # Any circle of pins will do: it moves bore and roller alike. The bore's centre is a swing off; it touches opposite.
    place = 10 * swing * _unit(pin)
    touch = place - roller / 2 * _unit(hub)
    return _past_contact(touch - place, _carried(touch, middle, hub, disc) - _turning(place, pin), loss)


def ring_roller(stage: CycloidalPair, hub: Array, pin: Array, disc: Array, loss: float) -> Array | None:
    """The same for a ring roller and the lobes.

    The roller cuts the disc's outline: it touches along the normal of the path that the pin runs in the disc's frame.
    """
    circle, roller, swing = stage.ring_pitch_diameter_mm, stage.ring_roller_diameter_mm, stage.eccentricity_mm
    if circle is None or roller is None or swing is None:
        return None
    middle, place = swing * _unit(hub), circle / 2 * _unit(pin)
    in_disc = (place - middle) * _unit(-disc)
    run = (_turning(place, pin) - _turning(middle, hub)) * _unit(-disc) - _turning(in_disc, disc)
    normal = 1j * run / np.abs(run)
    normal = normal * -np.sign(np.real(normal * np.conj(in_disc)))
    touch = place + roller / 2 * normal * _unit(disc)
    return _past_contact(touch - place, _carried(touch, middle, hub, disc) - _turning(place, pin), loss)


def _unit(turns: Array) -> Plane:
    return np.asarray(np.exp(1j * TURN * turns))


def _turning(arm: Plane, turns: Array) -> Plane:
    """Velocity, per sample, of the end of an ``arm`` that turns."""
    return np.asarray(1j * TURN * np.gradient(turns) * arm)


def _carried(point: Plane, middle: Plane, hub: Array, disc: Array) -> Plane:
    """Velocity, per sample, of the point of the disc that lies at ``point``: its middle goes round, and it spins."""
    return _turning(middle, hub) + _turning(point - middle, disc)


def _past_contact(arm: Plane, surface: Plane, loss: float) -> Array:
    """The roller turns so that the end of its ``arm``, the contact, runs along with the ``surface`` there."""
    spin = np.imag(np.conj(arm) * surface) / np.abs(arm) ** 2
    turned = np.concatenate([[0.0], np.cumsum((spin[1:] + spin[:-1]) / 2)]) / TURN
    return np.asarray(np.unwrap(np.angle(arm)) / TURN - (1.0 - loss) * turned)
