"""Does the stated interval hold the true level as often as it says?

Known true levels, measured again and again by drawn sensors on drawn mounts. ``python -m tests.studies.coverage``
prints, for each way of measuring, how often value ± U held the truth, and how often a drive exactly on its limit was
passed or failed by guarded acceptance. The signal is lines and noise; level and budget come from the program.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from math import sqrt

import numpy as np

from vibe.core.capture import Channel
from vibe.core.records.acceptance import Contribution, Instrument, Requirement, Sighting, StatedContribution
from vibe.flow.commissioning.acceptance import load_practice
from vibe.health.acceptance.outcomes import AcceptanceLimit, Judging, against_limit
from vibe.health.acceptance.uncertainty import calibration, stated
from vibe.kinematics.planning.capture_plan import MOUNTED_RESONANCE_HZ
from vibe.spectra.basic.level_uncertainty import band_scatter, resonance_lift
from vibe.spectra.basic.levels import levels

RATE_HZ, SECONDS = 4096.0, 2.0
BAND_HZ = (10.0, 1000.0)
LINES_HZ = (24.0, 48.0, 316.0, 632.0)
DRAWN_RESONANCE = 0.1
"""Relative spread of mounted resonances about the handbook's figure."""
COVERAGE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A way of measuring. ``scatter``: of the machine from capture to capture, relative, one standard deviation."""

    name: str
    captures: int
    scatter: float
    certificates_percent: tuple[float, ...]
    points: int = 1
    common: float = 0.0
    """Scatter from capture to capture that all points share, as load that is set anew does."""
    spread: float = 0.0
    """Of the true levels of the points, relative."""
    budget: bool = False
    """Whether all that common practice names is drawn too: frequency response, remounting, session and the rest."""
    session: float | None = None
    """Session effect drawn, relative, where the set states it itself; else as common practice has it."""
    mounting: str = "stud"
    noise_m_s2: float = 0.5


CASES = (
    Case(name="5 captures, certificates of 2 % and 1 %", captures=5, scatter=0.02, certificates_percent=(2.0, 1.0)),
    Case(name="3 captures at each of 3 points, certificates", captures=3, points=3, scatter=0.03,
         certificates_percent=(2.0, 1.0)),
    Case(name="4 captures, no certificate (5 %)", captures=4, scatter=0.03, certificates_percent=()),
    Case(name="3 captures, scatter rules", captures=3, scatter=0.06, certificates_percent=(2.0,)),
    Case(name="1 capture, scatter as common practice says", captures=1, scatter=0.04, certificates_percent=(2.0, 1.0)),
    Case(name="5 captures, mostly noise", captures=5, scatter=0.0, certificates_percent=(2.0,), noise_m_s2=6.0),
    Case(name="2 points, 3 captures, 3 % common to both", captures=3, points=2, scatter=0.0, common=0.03,
         certificates_percent=(2.0, 1.0)),
    Case(name="2 points, 3 captures, 6 % common to both", captures=3, points=2, scatter=0.0, common=0.06,
         certificates_percent=(2.0, 1.0)),
    Case(name="2 points, 2 captures, common practice", captures=2, points=2, scatter=0.0, common=0.04,
         certificates_percent=(2.0, 1.0)),
    Case(name="2 points, 4 captures, half of it common", captures=4, points=2, scatter=0.03, common=0.03,
         certificates_percent=(2.0, 1.0)),
    Case(name="5 points alike, 4 captures", captures=4, points=5, scatter=0.03, certificates_percent=(2.0, 1.0)),
    Case(name="5 points that differ by 5 %, 4 captures", captures=4, points=5, scatter=0.03, spread=0.05,
         certificates_percent=(2.0, 1.0)),
    Case(name="all of common practice, 3 captures", captures=3, scatter=0.02, budget=True,
         certificates_percent=(2.0, 1.0)),
    Case(name="all of it, 3 points alike, 3 captures", captures=3, points=3, scatter=0.02, budget=True,
         certificates_percent=(2.0, 1.0)),
    Case(name="all of it, 3 points, 3 captures, 2 % common", captures=3, points=3, scatter=0.01, common=0.02,
         budget=True, certificates_percent=(2.0, 1.0)),
    Case(name="a session effect of 5 % that the set states", captures=3, scatter=0.02, budget=True, session=0.05,
         certificates_percent=(2.0, 1.0)),
    Case(name="5 captures on a magnet", captures=5, scatter=0.02, certificates_percent=(2.0, 1.0), mounting="magnet"),
)  # fmt: skip
WHOLE = load_practice()
PRACTICE = WHOLE.model_copy(update={"contribution": []})
"""Calibration, fixing and repeats alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """Shares of all trials; ``passed_on_limit`` and ``failed_on_limit`` where the true level is the limit itself."""

    case: Case
    trials: int
    held: float
    passed_on_limit: float
    failed_on_limit: float
    relative_u: float


def run_case(case: Case, trials: int, seed: int = 1) -> Result:
    """Measure ``trials`` times, each time with other sensors and mounts."""
    rng = np.random.default_rng(seed)
    held = passed = failed = 0
    widths = []
    for _ in range(trials):
        amplitude = rng.uniform(0.05, 0.6, len(LINES_HZ))  # r.m.s. acceleration
        true = _true_level(amplitude, case.noise_m_s2)
        outcome, own = _outcome(case, amplitude, true, rng)
        measured = outcome.measured
        assert measured is not None
        assert measured.expanded is not None
        held += abs(measured.value - own) <= measured.expanded
        passed += outcome.answer == "pass"
        failed += outcome.answer == "fail"
        widths.append(measured.expanded / measured.value)
    return Result(
        case=case, trials=trials, held=held / trials, passed_on_limit=passed / trials, failed_on_limit=failed / trials,
        relative_u=float(np.mean(widths)),
    )  # fmt: skip


def _true_level(amplitude: np.ndarray, noise_m_s2: float) -> float:
    """mm/s r.m.s. over the band: lines, and white noise integrated."""
    omega = 2 * np.pi * np.array(LINES_HZ)
    density = noise_m_s2**2 / (RATE_HZ / 2)
    noise = density / (2 * np.pi) ** 2 * (1 / BAND_HZ[0] - 1 / BAND_HZ[1])
    return float(1e3 * np.sqrt(np.sum((amplitude / omega) ** 2) + noise))


def _outcome(case: Case, amplitude: np.ndarray, true: float, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    instruments = [
        Instrument(what=f"instrument {k}", calibrated=date(2026, 1, 1), calibration_uncertainty_percent=percent)
        for k, percent in enumerate(case.certificates_percent)
    ]
    budget = calibration(instruments, PRACTICE)
    practice = WHOLE if case.budget else PRACTICE
    own = () if case.session is None else (_session(case.session),)
    gain = 1.0 + sum(one.relative * rng.standard_normal() for one in budget)
    gain *= 1.0 + sum(_drawn(one, rng) for one in stated(own, practice, "") if one.shared)
    resonance = MOUNTED_RESONANCE_HZ[case.mounting]  # type: ignore[index]
    together = 1.0 + case.common * rng.standard_normal(case.captures)
    sightings, truths = [], {}
    for point in range(case.points):
        mounted = resonance * (1 + DRAWN_RESONANCE * rng.standard_normal())
        apart = 1.0 + sum(_drawn(one, rng) for one in stated(own, practice, "") if not one.shared)
        level = 1.0 + case.spread * rng.standard_normal()
        truths[f"point {point}"] = level * true
        for number in range(case.captures):
            factor = gain * apart * level * together[number] * (1 + case.scatter * rng.standard_normal())
            value, scatter, lift = _measured(case, amplitude, mounted, factor, rng)
            sightings.append(
                Sighting(
                    value=value, unit="mm/s", point=f"point {point}", run=0, kind="rated load", file=f"{number}",
                    scatter=scatter, mounting=lift, top_hz=BAND_HZ[1],
                )
            )  # fmt: skip
    judging = Judging(
        rule="guarded acceptance", coverage=COVERAGE, practice=practice, calibration=budget, fixing=case.mounting,
        stated=own,
    )  # fmt: skip
    wanted = Requirement(id="level", kind="level", text="level", source="study")
    outcome = against_limit(wanted, AcceptanceLimit(value=max(truths.values()), unit="mm/s"), sightings, (), judging)
    return outcome, truths[outcome.where.removesuffix(", rated load")]


def _session(relative: float) -> StatedContribution:
    return StatedContribution(name="session", percent=200 * relative, shared=True, source="the study")


def _drawn(one: Contribution, rng: np.random.Generator) -> float:
    """An error from the distribution that a contribution states; what is not well known is drawn so as well."""
    if one.distribution == "rectangular":
        return float(one.relative * sqrt(3) * rng.uniform(-1, 1))
    if one.distribution == "U-shaped":
        return float(one.relative * sqrt(2) * np.cos(2 * np.pi * rng.uniform()))
    if one.degrees_of_freedom is not None:
        # What is stated was itself estimated, and scatters about the truth as its degrees of freedom say.
        return float(one.relative * rng.standard_t(one.degrees_of_freedom))
    return float(one.relative * rng.standard_normal())


def _measured(
    case: Case, amplitude: np.ndarray, resonance_hz: float, factor: float, rng: np.random.Generator
) -> tuple[float, float, float]:
    n = int(RATE_HZ * SECONDS)
    time = np.arange(n) / RATE_HZ
    gains = 1 / (1 - (np.array(LINES_HZ) / resonance_hz) ** 2)
    samples = case.noise_m_s2 * rng.standard_normal(n)
    for hz, size, more in zip(LINES_HZ, amplitude, gains, strict=True):
        at = hz * (1 + 1e-3 * rng.uniform(-1, 1))
        samples += np.sqrt(2) * size * more * np.cos(2 * np.pi * (at * time + rng.uniform()))
    channel = Channel(
        name="x", samples=(factor * samples).astype(np.float32), sample_rate_hz=RATE_HZ, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip
    level = next(one for one in levels(channel, input_hz=24.0) if one.measure == "velocity_rms")
    taper = np.hanning(n)
    power = 2 * np.abs(np.fft.rfft(channel.samples * taper)) ** 2 / taper.sum() ** 2
    handbook = MOUNTED_RESONANCE_HZ[case.mounting]  # type: ignore[index]
    lift = resonance_lift(power, RATE_HZ / n, BAND_HZ, handbook, -1)
    return level.value, band_scatter(power, RATE_HZ / n, SECONDS, BAND_HZ, -1), lift


def table(results: Sequence[Result]) -> str:
    """Rows for people."""
    rows = [f"{'measured by':<50}{'U':>7}{'held':>8}{'passed on limit':>17}{'failed on limit':>17}"]
    rows += [
        f"{one.case.name:<50}{100 * one.relative_u:>6.1f}%{100 * one.held:>7.1f}%{100 * one.passed_on_limit:>16.1f}%"
        f"{100 * one.failed_on_limit:>16.1f}%"
        for one in results
    ]
    return "\n".join(rows)


def main() -> None:
    """Run all cases."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=3000)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    print(f"{asked.trials} trials each, stated coverage {100 * COVERAGE:g} %")
    print(table([run_case(case, asked.trials, asked.seed) for case in CASES]))


if __name__ == "__main__":
    main()
