"""The motor: tones tied to the supply, not to the shaft."""

from __future__ import annotations

from collections.abc import Iterator

from vibe.core.drive import Drive
from vibe.core.tones import Tone

MOST_SLIP = 0.1
"""More slip than this is no induction motor on its line but an inverter (common practice)."""

SOURCE = "common practice (induction motors)"


def motor_tones(drive: Drive) -> Iterator[Tone]:
    """Line, twice line and pole pass, as orders at nominal speed.

    Their frequency does not follow the shaft: ``slip`` spans the orders they take over the drive's speed range. Pole
    pass (poles x slip speed) needs a motor shaft that is the input, and a speed up to 10 % below synchronous: more is
    an inverter's doing.
    """
    motor = drive.motor
    if motor is None:
        return
    nominal = drive.input.speed_hz
    low, high = drive.input.speed_range_hz
    for name, hz, made_by in (
        ("line", motor.line_hz, "supply frequency: leads, sensor earthing, unequal air gap"),
        ("twice_line", 2 * motor.line_hz, "magnetic pull twice per supply period: air gap, loose core, soft foot"),
    ):
        yield _tone(f"motor.{name}", hz / nominal, (nominal / high - 1.0, nominal / low - 1.0), made_by, supply_hz=hz)
    synchronous = motor.synchronous_hz
    if motor.coupling != "direct" or not 0 < 1 - nominal / synchronous < MOST_SLIP:
        return
    order = motor.poles * (synchronous - nominal) / nominal
    ends = [motor.poles * max(synchronous - speed, 0.0) / speed / order - 1.0 for speed in (high, low)]
    yield _tone(
        "motor.pole_pass",
        order,
        (min(ends[0], 0.0), max(ends[1], 0.0)),
        f"{motor.poles} poles x slip speed {synchronous - nominal:.3g} Hz: broken rotor bars show here",
        supply_hz=motor.poles * synchronous,
        falls_by=motor.poles,
    )


def _tone(
    tone_id: str, order: float, spread: tuple[float, float], made_by: str, *, supply_hz: float, falls_by: int = 0
) -> Tone:
    return Tone(
        id=tone_id,
        component="motor",
        defect="electrical",
        family="electrical",
        order=order,
        order_exact=None,
        damage=False,
        made_by=made_by,
        source=SOURCE,
        slip=spread,
        supply_hz=supply_hz,
        falls_by=falls_by,
    )
