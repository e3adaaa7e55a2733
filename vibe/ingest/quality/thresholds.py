"""Every number that the quality verdict rests on, with its reason."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Shares are fractions of all samples. Where no source is named the number is *common practice*."""

    drift_remark: float = 0.005
    drift_limited: float = 0.03
    """Beyond it a line crosses the flank of a casing resonance (damping 1-3 %) while the capture runs."""

    nan_remark: float = 0.0
    nan_limited: float = 0.001
    """A few missing samples can be bridged without a trace in a spectrum of 10^5 samples."""
    nan_rejected: float = 0.2

    dropout_shortest: int = 8
    """Runs of one value shorter than this also come from quantisation."""
    dropout_chance: float = 1e-4
    """A run counts when the channel's own rate of repeats would make one as long this rarely."""
    dropout_coarse: int = 4
    dropout_leap_steps: float = 1.5
    dropout_leap_rms: float = 0.05
    """What a short gap is left by: a wave is so near to where it was only once in 25 gaps (derived, normal)."""
    dropout_rejected: float = 0.2
    line_shortest: int = 24
    """Second differences in a row that are mere rounding, two grains at most."""
    line_grains: float = 20.0
    """Median second difference, in grains, from which on they are looked for. Derived: of a normal variable of that
    median one in twenty is below two grains, and 24 in a row by chance never."""

    clip_band: float = 0.01
    """Neighbourhood of an extreme, as a share of its height, that the extreme is compared with."""
    clip_pile: float = 3.0
    """Samples at the extreme per sample in that neighbourhood. Derived: noise cut at 3 sigma gives 10, a sine that
    is not cut at most 1.4."""
    clip_fewest: int = 3
    tie_steps: float = 50.0
    tie_most: int = 10
    clip_full_scale: float = 0.9995
    clip_rejected: float = 0.01
    """Above one sample in a hundred the harmonics of clipping drown what is looked for."""
    range_share: float = 0.95

    dc_full_scale: float = 0.5
    """A mean above half the recorder's range leaves too little room above it."""
    dc_remark_m_s2: float = 20.0
    """Twice gravity; less than that is gravity or the harmless bias of a charge or MEMS sensor."""

    steps_limited: float = 5.0
    """R.m.s. in recorder steps. Derived: rounding adds noise of 1/sqrt(12) step, here 25 dB below the signal."""
    steps_silent: float = 1.0
    levels_silent: int = 6

    quiet_m_s2: float = 0.05
    """R.m.s. below which a channel may be noise only: broad-band noise of industrial accelerometers is 1e-3 to
    5e-2 m/s², and the quietest running machine at hand (open laboratory rigs) reads 0.3 m/s²."""
    white_spread_db: float = 4.0
    """Spread of band medians under which a spectrum is called white."""
    line_db: float = 11.0
    """A line that stands out by this much is not noise: the highest of 10^4 noise bins averaged 8 times stays below
    7 dB."""
    line_in_steps_db: float = 15.0
    """Rounding to a few levels makes weak lines of its own."""
    rate_error: float = 0.025
    """Sample rates written down as round numbers, such as 20 000 for 20 480 Hz."""
    mains_hz: tuple[float, ...] = (50.0, 60.0)
    hum_multiples: int = 6
    hum_off: float = 0.004
    """Hum is strongest at the mains or a low multiple of it, to 0.4 %; loaded two-pole motors run 1 to 5 % below."""

    weakest_m_s2: float = 1e-4
    strongest_m_s2: float = 5000.0
    """Accelerometers for machines end near 500 g (common practice)."""
    strongest_m_s: float = 1.0
    strongest_m: float = 0.05
    beyond_units: float = 1e6
    """Farther than this beyond those bounds no slip of unit or sensitivity leads: the samples are damaged."""

    settle_blocks: int = 64
    settle_fit: float = 0.9
    """Share of the slow movement that one exponential must explain."""
    settle_rms: float = 0.5
    """Swing of the drift in r.m.s. values of the vibration."""
    waits_s: tuple[float, ...] = (2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0)

    slope_band_hz: tuple[float, float] = (2.0, 10.0)
    velocity_band_hz: tuple[float, float] = (10.0, 1000.0)
    """ISO 20816-1:2016 takes velocity from 10 to 1000 Hz."""
    slope_m_s: float = 0.71e-3
    """ISO 10816-1:1995 Annex B, small machines, boundary A/B: a floor below it changes no verdict on velocity."""
    slope_remark: float = 1.0
    slope_limited: float = 3.0
    """Floor below 10 Hz over velocity above it, both r.m.s."""

    slope_leakage: float = 0.06
    """Under a line, this share of it may be what its own width and the window's side lobes let through."""

    turns_rejected: float = 8.0
    input_orders: float = 2.0
    """A capture that does not reach twice the input speed shows neither unbalance nor misalignment."""
    turns_limited: float = 30.0
    """Turns in the capture: line spacing is one order over this number."""
    lowest_periods: float = 3.0
    samples_rejected: int = 512
    nyquist_factor: float = 2.56
    """Sample rate over the highest frequency that an anti-alias filter leaves intact."""

    mount_hz: tuple[float, float] = (500.0, 2500.0)
    """A hand-held probe resonates near 2 kHz, a magnet near 7 kHz, a stud near 30 kHz (ISO 5348:1998, order of
    magnitude, from memory)."""
    mount_width: float = 1.15
    mount_share: float = 0.65
    mount_drop_db: float = 35.0
    """Above a resonance of 2 % damping an octave isolates by 12 dB and the hump stands 28 dB up: derived, 40 dB.
    Measured on firm mounts: at most 0.33 and 20 dB; a casing with one lone resonance, simulated, at most 34 dB."""

    shock_block_s: float = 0.02
    shock_over_second: float = 3.0
    shock_over_usual: float = 6.0
    shock_energy: float = 0.05
    """Peak of one place over the next highest, over the 95th percentile of blocks, and its share of the energy.
    Measured: bearings damaged in every way stay below 1.3 over the second."""

    crosstalk_level: float = 0.01
    """R.m.s. over a neighbour's: 40 dB below. Cables and inputs hold back 60 dB and more, a broken screen less; two
    places of one drive differ by less than 20 dB (common practice)."""
    crosstalk_rest: float = 0.5
    """Share of its power that the neighbour does not explain: half, as it also holds its own noise."""
    dead_level: float = 1e-3
    """60 dB below a neighbour no place of the same drive lies; a slip between g and mg does."""
    copy_rest: float = 1e-3
    """30 dB below the signal. Simulated points of one drive, whose lines are shared, leave 0.3 and more."""

    tacho_missed: float = 1.5
    tacho_bounce: float = 0.6
    """Interval over the usual one: two pulses' time where one is missing, a part of it where one is counted twice.
    A speed that changes by a third within one pulse is not a machine's."""
    tacho_limited: float = 0.0
    tacho_rejected: float = 0.2
    tacho_pulses: int = 3
    encoder_turns: float = 0.5
    """Turns of the input below which an encoder concerns a shaft that stands: it may sway by its backlash."""


THRESHOLDS = Thresholds()
