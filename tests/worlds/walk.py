"""Rounds of a route, made by code of their own: one machine visited again and again, with what goes wrong on the way.

A drive is its angles. The ring's pins push whenever the eccentric has gone from one to the next, each a little
differently; the disc, which creeps round, makes them stronger and weaker; what hits rings the modes of the way to each
point, which stay the same from visit to visit. Speed, load, temperature and the sensor's seat do not. Nothing is taken
from the project but the form of a drive file.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

Array = NDArray[np.float64]
POINTS = ("input side radial", "output side radial")
RATE_HZ = 25_600.0


@dataclass(frozen=True, slots=True)
class Machine:
    """One drive on its base, with its ways to two points and the machine next to it."""

    seed: int
    tag: str
    lobes: int
    output_pins: int
    rpm: float
    loud: float
    """R.m.s. of a usual visit [m/s²]."""
    line_hz: float

    def toml(self) -> str:
        poles = 2 * round(60 * self.line_hz / self.rpm)
        return (
            f'tag = "{self.tag}"\n[input]\nspeed_rpm = {self.rpm:.0f}\n'
            f"speed_range_rpm = [{0.97 * self.rpm:.0f}, {1.03 * self.rpm:.0f}]\npower_kw = 3.0\n"
            f"[motor]\npoles = {poles}\nline_hz = {self.line_hz:.0f}\n"
            f'[[stage]]\nkind = "cycloidal"\nlobes = {self.lobes}\nring_pins = {self.lobes + 1}\n'
            f'output_pins = {self.output_pins}\ndiscs = 2\nfixed = "ring"\n'
        )

    def route(self) -> str:
        stops = "".join(f'[[stop.point]]\nname = "{name}"\n' for name in POINTS)
        return (
            f'title = "Walk"\ndrives = ["drive.toml"]\ncaptures = 1\n[[stop]]\ndrive = "{self.tag}"\nnote = []\n{stops}'
            '[[stop.point]]\nname = "tacho"\nquantity = "tachometer"\n'
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """What one visit brings home: acceleration [m/s²] by point, pulses, and the true speed (None: it stands)."""

    channels: dict[str, Array]
    pulses: Array
    rate_hz: float
    speed_rpm: float | None


def machine(seed: int) -> Machine:
    rng = np.random.default_rng([seed, 881])
    line = float(rng.choice([50.0, 60.0]))
    poles = int(rng.choice([4, 4, 6]))
    rpm = 120 * line / poles * (1 - rng.uniform(0.02, 0.045))
    lobes = int(rng.choice([6, 8, 11, 13, 17, 21, 25, 29, 35, 43]))
    loud = float(np.exp(rng.uniform(np.log(0.12), np.log(6.0))))
    return Machine(seed, f"W-{seed}", lobes, int(rng.choice([6, 8, 10])), float(round(rpm)), loud, line)


def visit(one: Machine, number: int, seconds: float, *, runs: bool = True, neighbour: bool = True) -> Visit:
    """Visit ``number`` of a machine; the machine and its neighbour are the same each time. One that stands hears the
    neighbour, and that louder than a running one would care for."""
    fixed, rng = np.random.default_rng([one.seed, 1]), np.random.default_rng([one.seed, 2, number])
    n = round(seconds * RATE_HZ)
    time_s = np.arange(n) / RATE_HZ
    speed_hz = one.rpm / 60 * (1 + rng.uniform(-0.008, 0.008))
    wander = np.cumsum(rng.standard_normal(n // 2560 + 2)) * 1e-5
    turn = np.cumsum(speed_hz * (1 + np.interp(time_s * 10, np.arange(wander.size), wander))) / RATE_HZ + rng.random()
    load = rng.uniform(0.75, 1.3)
    modes = _modes(fixed)
    forces = _forces(one, fixed, rng, turn, load)
    # The next machine: a pump of five to seven vanes, always there.
    vanes, pump_hz = int(fixed.integers(5, 8)), one.line_hz / 2 * (1 - fixed.uniform(0.01, 0.05))
    away = np.cumsum(np.full(n, pump_hz * (1 + rng.uniform(-0.003, 0.003)))) / RATE_HZ
    pump = sum(a * np.sin(2 * np.pi * k * away + fixed.uniform(0, 6)) for k, a in ((1, 0.6), (2, 0.5), (vanes, 1.0),
               (2 * vanes, 0.4)))  # fmt: skip
    pump = pump + 0.7 * signal.lfilter([0.2], [1, -0.8], rng.standard_normal(n))
    channels = {}
    for place, name in enumerate(POINTS):
        own = _rung(forces, modes[place], RATE_HZ) if runs else np.zeros(n)
        usual = float(np.std(own)) or 1.0
        # From visit to visit a place keeps its level to some 2 dB (common practice).
        x = own / usual * one.loud * np.sqrt(load) * 10 ** (rng.uniform(-0.06, 0.06)) * (1.0, 0.7)[place]
        if runs:
            # A motor hums at twice the mains.
            x = x + 0.05 * one.loud * np.sin(4 * np.pi * one.line_hz * time_s + rng.uniform(0, 6))
        if neighbour or not runs:
            share = 0.03 * one.loud if runs else float(np.exp(rng.uniform(np.log(0.01), np.log(0.08))))
            x = x + share * pump / float(np.std(pump))
        noise = 0.002 * rng.standard_normal(n) + 0.01 * signal.lfilter([0.002], [1, -0.998], rng.standard_normal(n))
        channels[name] = x + noise + 0.004 * np.sin(2 * np.pi * one.line_hz * time_s + rng.uniform(0, 6))
    pulses = np.where(turn % 1.0 < 0.1, 5.0, 0.0) if runs else np.zeros(n)
    pulses = pulses + 0.02 * rng.standard_normal(n)
    return Visit(channels=channels, pulses=pulses, rate_hz=RATE_HZ, speed_rpm=60 * speed_hz if runs else None)


def _forces(
    one: Machine, fixed: np.random.Generator, rng: np.random.Generator, turn: Array, load: float
) -> list[Array]:
    """Smooth force of unbalance and bend, pushes of the pins, and rolling noise that the load lifts."""
    n = turn.size
    disc = -turn / one.lobes
    smooth = sum(
        fixed.uniform(0.2, 1.0) / k * np.cos(2 * np.pi * (k * turn + fixed.random())) for k in range(1, 6)
    )  # fmt: skip
    pins, lobes = one.lobes + 1, one.lobes
    errors = 1 + 0.25 * fixed.standard_normal(pins)
    lobe_errors = 1 + 0.25 * fixed.standard_normal(lobes)
    met = turn * pins
    past = (turn - disc) * lobes
    push = np.cos(2 * np.pi * met) + 0.5 * np.cos(4 * np.pi * met + 1.0) + 0.3 * np.cos(6 * np.pi * met + 2.0)
    push = push * errors[np.floor(met).astype(int) % pins] * lobe_errors[np.floor(past).astype(int) % lobes]
    push = push * (1 + 0.3 * np.cos(2 * np.pi * disc))
    pin_pass = 0.4 * np.cos(2 * np.pi * one.output_pins * (turn - disc) + fixed.random())
    rolling = rng.standard_normal(n) * (1 + 0.3 * np.cos(2 * np.pi * turn)) * np.sqrt(load)
    return [np.asarray(smooth), push + pin_pass, rolling]


def _modes(fixed: np.random.Generator) -> list[list[tuple[float, float, Array]]]:
    """(frequency, damping, share of each force) of the modes to each point."""
    return [
        [
            (float(np.exp(fixed.uniform(np.log(350), np.log(9500)))), float(fixed.uniform(0.01, 0.05)),
             fixed.standard_normal(3))
            for _ in range(9)
        ]
        for _ in POINTS
    ]  # fmt: skip


def _rung(forces: list[Array], modes: list[tuple[float, float, Array]], rate_hz: float) -> Array:
    """Acceleration of a point: each mode's response, and what moves it as a whole."""
    spectra = [np.fft.rfft(force) for force in forces]
    hz = np.fft.rfftfreq(forces[0].size, 1 / rate_hz)
    out = 0.4 * (spectra[0] * (hz / 25.0).clip(max=1.0)) + 0.15 * spectra[1] + 0.02 * spectra[2]
    for mode_hz, damping, share in modes:
        r = hz / mode_hz
        gain = r**2 / (1 - r**2 + 2j * damping * r)
        out = out + gain * (0.002 * share[0] * spectra[0] + 0.04 * share[1] * spectra[1] + 0.05 * share[2] * spectra[2])
    # Recorders end at the rate over 2.56 (common practice).
    out = out / np.sqrt(1 + (hz / (rate_hz / 2.4)) ** 24)
    return np.asarray(np.fft.irfft(out, forces[0].size))


def with_channels(one: Visit, change: dict[str, Array]) -> Visit:
    return replace(one, channels={**one.channels, **change})
