"""Input ranges by name, as a technician sets them: the steps of an analyser's ladder, in the unit that was used."""

from __future__ import annotations

import numpy as np

from vibe.core.capture import Channel
from vibe.core.units import STANDARD_GRAVITY_M_S2, VOLTS, plain_unit
from vibe.ingest.quality.prepared_signal import Signal
from vibe.ingest.quality.thresholds import THRESHOLDS as LIMIT

G = STANDARD_GRAVITY_M_S2
LADDER_G = (1, 2, 5, 10, 20, 50, 100, 200, 500)
"""Steps of 1, 2 and 5 as input ranges usually come; beyond 500 g general sensors end (common practice)."""
NAMED = 0.01
"""A full scale this close to a step of a ladder was set in that ladder's unit."""
SPARE = 2.0
"""A new range holds twice the peak: loads change, and a second overload costs another walk; common practice."""
MOST_OVER_CLIP = 20.0
"""No estimate beyond this many times the clip level: so much was cut off that the shape of the rest says nothing."""

FEWEST_STEPS = 512
"""A recorder has ten bits at least; a full scale of fewer steps than half of that is not the one it was set to."""

_IN_G = {"g", "mg", *VOLTS}
_UNITS = {"velocity": ("mm/s", 1e-3), "displacement": ("µm", 1e-6)}
"""In which amplitudes of a quantity are printed, and how much of SI that is."""


def peak_before_clipping(signal: Signal, count: int) -> float:
    """What the waveform must have reached, in SI, when ``count`` of its samples were cut off.

    The peaks of machines lie between Gaussian and much heavier; taken as two-sided exponential (kurtosis 6), a share p
    beyond the clip level L puts the highest of n samples at L ln n / ln(1/p).
    """
    level = float(np.abs(signal.x).max())
    n = max(signal.x.size, 2)
    share = float(np.clip(count / n, 1.0 / n, 0.9))
    return level * float(np.clip(np.log(n) / -np.log(share), 1.0, MOST_OVER_CLIP))


def larger_range(signal: Signal, count: int) -> str:
    """The remedy for a clipped channel: the range that is planned, where it holds the peak and leaves steps enough;
    else the step that holds the peak, twice the present range at least."""
    level = float(np.abs(signal.x).max())
    present = max(signal.channel.full_scale or 0.0, level)
    needed = max(peak_before_clipping(signal, count), 2.0 * present)
    if fits_plan(signal, needed, present):
        return f"Set {planned_in_words(signal)} and repeat the measurement."
    planned = planned_range(signal)
    named = named_range(signal.channel, needed)
    if named is None:
        return "No usual input range is large enough: use a sensor of lower sensitivity and repeat the measurement."
    name, value = named
    if plain_unit(signal.channel.recorded_unit) in VOLTS:
        name += f" ({value / present:.2g} times the present input range in volts)"
    return f"Set the input range to ±{name}{_unlike(planned, named[1])} and repeat the measurement."


def fits_plan(signal: Signal, needed: float, present: float) -> bool:
    """Whether the planned range holds ``needed`` and leaves steps enough of a recorder that is set to ``present``."""
    planned = planned_range(signal)
    return planned is not None and planned >= needed and not _too_coarse(signal, planned / present)


def planned_in_words(signal: Signal) -> str:
    """``the planned range of ±500 m/s² (51 g)``."""
    return f"the planned range of {in_both_units(planned_range(signal) or 0.0)}"


def planned_range(signal: Signal) -> float | None:
    """The planned range of an accelerometer; None where none is known."""
    if signal.planned is None or signal.channel.quantity != "acceleration":
        return None
    return signal.planned.sensor_range_m_s2


def in_both_units(range_m_s2: float) -> str:
    """``±500 m/s² (51 g)``, as on the sheet."""
    return f"±{range_m_s2:g} m/s² ({range_m_s2 / G:.2g} g)"


def _too_coarse(signal: Signal, times: float) -> bool:
    """Whether a range so many times the present one would leave the vibration too few steps of this recorder."""
    return signal.step is not None and signal.rms < LIMIT.steps_limited * signal.step * times


def _unlike(planned: float | None, named: float) -> str:
    """Why the range is not the planned one; empty where none is planned."""
    if planned is None:
        return ""
    if named > planned:
        return f", more than the planned {in_both_units(planned)},"
    return f" (the planned {in_both_units(planned)} leaves too few of this recorder's steps)"


def smaller_range(signal: Signal) -> str:
    """The remedy where the vibration is lost in the steps: the step that holds the peak with room to spare."""
    named = named_range(signal.channel, SPARE * float(np.abs(signal.x).max()))
    full = signal.channel.full_scale
    if full is not None and signal.step is not None and full < FEWEST_STEPS * signal.step:
        full = None
    if named is None or (full is not None and named[1] > 0.6 * full):
        return "Use a sensor of higher sensitivity, or a recorder of more bits, and repeat the measurement."
    planned = planned_range(signal)
    return f"Set the input range to ±{named[0]}{_unlike(planned, named[1])} and repeat the measurement."


def named_range(channel: Channel, needed: float) -> tuple[str, float] | None:
    """(name, value in SI) of the smallest step that holds ``needed``; None above the ladder's end."""
    if channel.quantity in _UNITS:
        unit, factor = _UNITS[channel.quantity]
        value = _step_125(needed / factor)
        return f"{value:g} {unit}", value * factor
    if _set_in_g(channel):
        step = next((step for step in LADDER_G if step * G * (1 + NAMED) >= needed), None)
        return None if step is None else (f"{step} g", step * G)
    value = max(_step_125(needed), 10.0)
    if value > LADDER_G[-1] * G * (1 + 2 * NAMED):
        return None
    # 10 m/s² are 1 g to 2 %, and so on up both ladders.
    return f"{value:g} m/s² (about {value / 10:g} g)", value


def _set_in_g(channel: Channel) -> bool:
    """By the full scale where it is a step of one ladder only, else by the recorded unit."""
    full = channel.full_scale
    if full is not None and full > 0:
        if any(abs(full / (step * G) - 1) < NAMED for step in LADDER_G):
            return True
        if abs(full / _step_125(full / (1 + NAMED)) - 1) < NAMED:
            return False
    return plain_unit(channel.recorded_unit) in _IN_G


def _step_125(needed: float) -> float:
    """The smallest of …, 1, 2, 5, 10, 20, 50, … that is ``needed`` or more."""
    if not np.isfinite(needed) or needed <= 0:
        return 1.0
    decade = 10.0 ** np.floor(np.log10(needed))
    return float(next(step * decade for step in (1, 2, 5, 10) if step * decade * (1 + NAMED) >= needed))
