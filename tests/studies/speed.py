"""How well the input speed is found without a tachometer.

Parts: lines in white noise against the Cramér-Rao bound; drives of the fleet in real life; the same on ramps; measured
captures of a rig whose speed is off nominal. ``python -m tests.studies.speed --count 1000``.
"""

from __future__ import annotations

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy.signal
from numpy.typing import NDArray
from scipy.special import erf

from tests.open_data import OPEN_DATA
from tests.studies.fleet import FLEET, life, spread_out, tones
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.tones import ToneTable
from vibe.flow.diagnose.tone_requests import analysis_request_of
from vibe.ingest import read_capture
from vibe.kinematics.tone_table import tone_table
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.segment import _acceleration, _speed
from vibe.spectra.speed.speed_search import speed_from_signal
from vibe.synth.scene import set_scene
from vibe.synth.simulate import Conditions, simulate

WRONG = 0.003
"""Relative error from which on another family of lines must have been taken for the shaft's."""
RATE_HZ, DURATION_S = 2560.0, 10.0
FAMILIES: dict[str, tuple[float, ...]] = {
    "shaft": (1.0, 2.0, 3.0, 4.0, 5.0, 6.0),
    "drive": (1.0, 2.0, 3.0, 18.0, 36.0),
}
SNR_DB = (-30.0, -27.5, -25.0, -20.0, -10.0, 0.0)
"""Power of each line over that of all the noise. In 10 s, -25 dB is 16 dB over the noise of a Hann bin."""
RAMPS = (0.05, -0.05, 0.02, -0.02, 0.005)
NOMINAL_RPM = (800, 1200)
RIG_BEARING = {"outer_race": 3.066, "inner_race": 4.934, "cage": 0.383, "rolling_element": 1.99}
JUMPING = {"B_1200_1": (20.85, 0.045)}
"""Records whose speed jumps: middle [Hz] and relative half width that hold all of it. A spectrogram of this one shows
orders 1 to 4 rise together by 4.4 % within a second, 6.5 s after the start; the record after it goes on so."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One capture: relative error and standard uncertainty of the mean speed (None: no speed stood out)."""

    case: str
    error: float | None
    sigma: float | None
    turns: float | None = None
    """Angle law against the truth over the capture, greatest minus least [turns]."""
    bound: float | None = None
    """Cramér-Rao bound, relative."""


def bound(orders: Sequence[float], amplitude: float, noise_rms: float, n: int, rate_hz: float) -> float:
    """Least standard deviation [Hz] of a fundamental seen by real lines of equal ``amplitude`` at ``orders``.

    var(w) >= 24 s² / (n³ sum(k² A_k²)) in radians per sample: Nehorai & Porat, IEEE Trans. ASSP 34 (1986), for whole
    k; of one line it is that of Rife & Boorstyn, IEEE Trans. IT 20 (1974). From memory; it holds for any known k.
    """
    return noise_rms * rate_hz / (2 * np.pi) * np.sqrt(24.0 / (n**3 * np.sum(np.square(orders)) * amplitude**2))


def white_noise(work: tuple[int, str, float]) -> Trial:
    """Equal lines of a family, phases at random, in white noise."""
    seed, family, snr_db = work
    orders, n = FAMILIES[family], round(RATE_HZ * DURATION_S)
    rng = np.random.default_rng([seed, *b"speed in noise"])
    speed_hz, amplitude = rng.uniform(23.6, 25.0), np.sqrt(2.0) * 10 ** (snr_db / 20)
    time = np.arange(n) / RATE_HZ
    row = rng.normal(size=n)
    for order in orders:
        row += amplitude * np.sin(2 * np.pi * (order * speed_hz * time + rng.uniform()))
    found = speed_from_signal([(row.astype(np.float32), RATE_HZ)], (23.3, 25.3), orders)
    case, least = f"{family} {snr_db:g} dB", bound(orders, amplitude, 1.0, n, RATE_HZ) / speed_hz
    if found is None:
        return Trial(case=case, error=None, sigma=None, bound=least)
    estimate = found[1]
    assert estimate.uncertainty_hz is not None
    error, sigma = estimate.input_hz / speed_hz - 1, estimate.uncertainty_hz / speed_hz
    return Trial(case=case, error=error, sigma=sigma, bound=least)


def lives(seed: int) -> Trial:
    """A drive of the fleet, its life drawn from the seed."""
    tag = list(FLEET)[seed % len(FLEET)]
    return _driven(tag, seed, life(seed, of="speed", tell_speed=True), tag)


def ramps(seed: int) -> Trial:
    """The same with a speed that rises or falls steadily."""
    tag = list(FLEET)[seed % len(FLEET)]
    ramp = RAMPS[seed // len(FLEET) % len(RAMPS)]
    conditions = life(seed, of="speed ramp", tell_speed=True, speed_drift=ramp)
    return _driven(tag, seed, conditions, f"ramp {100 * ramp:+g} %")


def _driven(tag: str, seed: int, conditions: Conditions, case: str) -> Trial:
    drive = FLEET[tag]
    capture = simulate(drive, seed=seed, conditions=conditions)
    law, speed_hz, sigma, method = speed_of(capture, drive, tones(tag))
    if method != "signal":
        return Trial(case=case, error=None, sigma=None)
    assert capture.speed_rpm is not None
    true_hz = capture.speed_rpm / 60.0
    motion = set_scene(drive, seed, conditions).motion
    inside = motion.time_s > -1e-9
    off = law.at(motion.time_s[inside][::64]) - motion.input_turns[inside][::64]
    return Trial(case=case, error=speed_hz / true_hz - 1, sigma=sigma / true_hz, turns=float(np.ptp(off)))


def speed_of(capture: Capture, drive: Drive, table: ToneTable) -> tuple[AngleLaw, float, float, str]:
    """Angle law, speed and uncertainty [Hz], and method, as the whole analysis has them when no speed is noted."""
    analysis_request = analysis_request_of(drive, table, set(), noted_hz=None)
    rows = [(_acceleration(channel), channel.sample_rate_hz) for channel in capture.vibration]
    duration = min(samples.size / rate for samples, rate in rows)
    law, estimate = _speed(rows, None, analysis_request, duration)
    assert estimate.uncertainty_hz is not None
    return law, estimate.input_hz, estimate.uncertainty_hz, estimate.method


def measured(path: Path) -> Trial:
    """A record of the rig against the phases of its first three harmonics (its own file tells only the nominal)."""
    nominal = float(path.stem.split("_")[1])
    drive = Drive.model_validate(
        {
            "tag": "RIG",
            "input": {"speed_rpm": nominal, "speed_range_rpm": [0.95 * nominal, 1.10 * nominal]},
            "bearing": [{"name": "test bearing", "inner": "input", "outer": "housing", "orders": RIG_BEARING}],
        }
    )
    capture = read_capture(path)
    channel = capture.vibration[0]
    row = np.asarray(channel.samples, dtype=float)
    middle, width = JUMPING.get(path.stem) or (_standing(row, channel.sample_rate_hz, nominal / 60.0), 0.015)
    true_hz = _phase_speed(row, channel.sample_rate_hz, middle, width)
    _, speed_hz, _, method = speed_of(capture, drive, tone_table(drive))
    if method != "signal":
        return Trial(case=path.stem, error=None, sigma=None)
    # The reference is no better than what it is held against: of the uncertainty it says nothing.
    return Trial(case=path.stem, error=speed_hz / true_hz - 1, sigma=None)


def _standing(row: NDArray[np.float64], rate_hz: float, nominal_hz: float) -> float:
    """The speed at which three harmonics stand highest in signal and envelope together."""
    casing = scipy.signal.butter(4, [2000.0, 8000.0], "bandpass", fs=rate_hz, output="sos")
    envelope = np.abs(scipy.signal.hilbert(scipy.signal.sosfiltfilt(casing, row))) ** 2
    speeds = np.linspace(0.95 * nominal_hz, 1.10 * nominal_hz, 4001)
    total = np.zeros(speeds.size)
    for series in (row - row.mean(), envelope - envelope.mean()):
        power = np.abs(np.fft.rfft(series * np.hanning(series.size), 4 * series.size)) ** 2
        frequency = np.arange(power.size) * rate_hz / (4 * series.size)
        power /= np.median(power[(frequency > 5.0) & (frequency < 150.0)])
        total += sum(np.log1p(np.interp(k * speeds, frequency, power)) for k in (1, 2, 3))
    return float(speeds[total.argmax()])


def _phase_speed(row: NDArray[np.float64], rate_hz: float, middle_hz: float, width: float) -> float:
    """Mean speed from the phase that a harmonic gains, the middle one of three.

    The ends are left out as long as a band of this width rings: there the transform joins last sample and first.
    """
    n = row.size
    spectrum = np.fft.fft(row)
    frequency = np.arange(n) * rate_hz / n
    speeds = []
    for k in (1, 2, 3):
        band = np.abs(frequency / (k * middle_hz) - 1) < width
        cut = round(rate_hz / (2 * width * k * middle_hz))
        phase = np.unwrap(np.angle(np.fft.ifft(np.where(band, spectrum, 0.0))))[cut:-cut]
        speeds.append((phase[-1] - phase[0]) * rate_hz / (2 * np.pi * k * (phase.size - 1)))
    return float(np.median(speeds))


def records() -> list[Path]:
    """The rig's records, none where the data are not."""
    truth = OPEN_DATA / "truth.csv"
    if not truth.is_file():
        return []
    with truth.open(encoding="utf-8") as stream:
        return [OPEN_DATA / row["file"] for row in csv.DictReader(stream) if row["dataset"] == "uestc"]


def summed(part: str, case: str, trials: Sequence[Trial]) -> dict[str, Any]:
    """A row of the table: how often none, how often wrong, how far off, how well the uncertainty covers."""
    errors = np.array([t.error for t in trials if t.error is not None])
    over = np.array([abs(t.error / t.sigma) for t in trials if t.error is not None and t.sigma])
    turns = np.array([t.turns for t in trials if t.turns is not None])
    bounds = np.array([t.bound for t in trials if t.error is not None and t.bound is not None])
    some = errors.size > 0
    return {
        "part": part,
        "case": case,
        "trials": len(trials),
        "no speed": len(trials) - errors.size,
        "wrong family": int(np.count_nonzero(np.abs(errors) > WRONG)),
        "rms error %": f"{100 * np.sqrt(np.mean(errors**2)):.5f}" if some else "",
        "greatest error %": f"{100 * np.abs(errors).max():.5f}" if some else "",
        "rms over bound": f"{np.sqrt(np.mean((errors / bounds) ** 2)):.2f}" if bounds.size else "",
        "within 1 sigma": f"{np.mean(over < 1):.3f}" if over.size else "",
        "within 2 sigma": f"{np.mean(over < 2):.3f}" if over.size else "",
        "angle error p50 turns": f"{np.median(turns):.4f}" if turns.size else "",
        "angle error p95 turns": f"{np.quantile(turns, 0.95):.4f}" if turns.size else "",
        "angle error max turns": f"{turns.max():.4f}" if turns.size else "",
    }


def table(part: str, trials: Sequence[Trial], *, total: bool) -> list[dict[str, Any]]:
    """A row per case, and one for all where ``total``."""
    cases = dict.fromkeys(trial.case for trial in trials)
    rows = [summed(part, case, [t for t in trials if t.case == case]) for case in cases]
    return [*rows, summed(part, "all", trials)] if total else rows


def draw_coverage(folder: Path, parts: dict[str, Sequence[Trial]]) -> Path:
    """Share of errors within so many stated uncertainties, next to what a normal error would show."""
    figure, axes = new_figure(7.5, 5.0)
    times = np.linspace(0.0, 4.0, 161)
    axes.plot(times, 100 * erf(times / np.sqrt(2.0)), color="black", lw=1.0, label="normal errors, as stated")
    for (name, trials), style in zip(parts.items(), ("-", "--", ":", "-."), strict=False):
        over = np.array([abs(t.error / t.sigma) for t in trials if t.error is not None and t.sigma])
        share = [100 * np.mean(over <= k) for k in times] if over.size else []
        axes.plot(times[: len(share)], share, style, lw=2.2, label=f"{name} ({over.size} captures)")
    axes.set(
        xlabel="|error of the mean speed| / stated standard uncertainty",
        ylabel="captures within [%]",
        xlim=(0, 4),
        ylim=(0, 101),
        title="The stated uncertainty of the speed covers its error as often as it says",
    )
    axes.grid(alpha=0.3)
    axes.legend(loc="lower right")
    return write_figure(folder, "speed", figure)


def draw_bound(folder: Path, trials: Sequence[Trial]) -> Path:
    """R.m.s. error in white noise over the Cramér-Rao bound."""
    figure, axes = new_figure(7.5, 5.0)
    for (family, orders), (style, mark) in zip(FAMILIES.items(), (("-", "o"), ("--", "s")), strict=True):
        ratio = []
        for snr in SNR_DB:
            found = [t for t in trials if t.case == f"{family} {snr:g} dB" and t.error is not None]
            own = [(t.error or 0.0) / (t.bound or 1.0) for t in found]
            # Too few found to tell a root mean square.
            ratio.append(float(np.sqrt(np.mean(np.square(own)))) if len(own) >= 10 else np.nan)
        axes.plot(SNR_DB, ratio, style, marker=mark, lw=2, label=f"orders {', '.join(f'{o:g}' for o in orders)}")
    axes.axhline(1.0, color="black", lw=1.0)
    axes.text(SNR_DB[-1], 1.03, "Cramér-Rao bound", ha="right")
    axes.axhline(3.0, color="black", lw=1.0, ls=":")
    axes.text(SNR_DB[-1], 3.03, "three times the bound", ha="right")
    axes.set(
        xlabel="power of each line over the noise [dB]",
        ylabel="r.m.s. error over the bound",
        ylim=(0, 4),
        title="Speed in white noise, 10 s, no tachometer",
    )
    axes.grid(alpha=0.3)
    axes.legend(loc="center left")
    return write_figure(folder, "speed.noise", figure)


def noise_work(seed: int, count: int) -> Iterable[tuple[int, str, float]]:
    return [(seed + k, family, snr) for family in FAMILIES for snr in SNR_DB for k in range(count)]


def main() -> None:
    asked = options(__doc__ or "", count=1000, counts="captures of drives; a fifth of it of ramps, a tenth per noise")
    clock, workers = Clock(), asked.workers
    noisy = list(spread_out(white_noise, noise_work(asked.seed, max(2, asked.count // 10)), workers=workers))
    driven = list(spread_out(lives, range(asked.seed, asked.seed + asked.count), workers=workers))
    ramped = list(spread_out(ramps, range(asked.seed, asked.seed + max(1, asked.count // 5)), workers=workers))
    rig = list(spread_out(measured, records(), workers=workers))
    rows = [
        *table("white noise", noisy, total=False),
        *table("fleet", driven, total=True),
        *table("ramps", ramped, total=True),
        *table("measured", rig, total=bool(rig)),
    ]
    for row in rows:
        print("  ".join(f"{name}: {value}" for name, value in row.items() if value != ""))
    print(write_table(asked.out, "speed", rows))
    print(draw_coverage(asked.out, {"fleet": driven, "ramps": ramped, "white noise": noisy}))
    print(draw_bound(asked.out, noisy), f"({clock})")


if __name__ == "__main__":
    main()
