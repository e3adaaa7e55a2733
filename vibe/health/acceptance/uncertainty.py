"""How far a measured figure can be trusted: its budget, and what limit that leaves.

Everything is relative to the value. Contributions are joined as JCGM 100:2008 (the GUM) says: standard uncertainties by
the root of their squares, degrees of freedom after Welch and Satterthwaite, and Student's t for the coverage.
The highest of several points reads high by chance too: ``several_points.py`` widens its interval for that.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import exp, inf, isfinite, lgamma, sqrt
from statistics import NormalDist, fmean
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.records.acceptance import (
    Answer,
    Contribution,
    DecisionRule,
    Distribution,
    Instrument,
    Quantity,
    StatedContribution,
)
from vibe.health.acceptance.chain import chain_at

Percent = Annotated[float, Field(gt=0, le=50)]
FEWEST_FREEDOM = 2.0
"""Degrees of freedom from which repeats show their own scatter; with one, t is 12.7 at 95 %."""
ANGLE = "angle without a pulse"
"""Name of that contribution."""
DIVISOR: dict[Distribution, float] = {"rectangular": sqrt(3), "triangular": sqrt(6), "U-shaped": sqrt(2)}
"""Half the width over the standard uncertainty (JCGM 100:2008, 4.3.7 and 4.3.9; JCGM 101:2008, 6.4.6 for U-shaped)."""


class MeasurementPractice(BaseModel):
    """``configs/acceptance/measurement.toml``: what is taken where nobody states anything better."""

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    calibration_percent: Percent
    calibration_source: str
    calibration_valid_days: Annotated[int, Field(ge=1)]
    calibration_valid_source: str
    repeat_percent: Percent
    repeat_source: str
    thermometer_c: Annotated[float, Field(gt=0, le=50)]
    thermometer_source: str
    spread_content: Annotated[float, Field(gt=0.5, lt=1)]
    spread_confidence: Annotated[float, Field(gt=0.5, lt=1)]
    spread_fewest: Annotated[int, Field(ge=3)]
    spread_source: str
    run_in_fewest: Annotated[int, Field(ge=4)]
    run_in_source: str
    most_repeats: Annotated[int, Field(ge=2)]
    rated_load_percent: tuple[float, float] = Field(default=(80.0, 120.0), strict=False)
    no_load_percent: Percent = 20.0
    load_source: str = "common practice"
    contribution: list[StatedContribution] = Field(default_factory=list)


# ── Student's t ───────────────────────────────────────────────────────────────────────────────────────────────────


@lru_cache(maxsize=1024)
def coverage_factor(coverage: float, dof: float | None = None) -> float:
    """k such that ± k standard uncertainties cover that share, two-sided. ``dof`` None: known exactly (normal).

    Raises:
        ValueError: a coverage that is none, or no positive degrees of freedom.
    """
    if not 0 < coverage < 1 or (dof is not None and not dof > 0):
        raise ValueError(f"no factor for a coverage of {coverage} with {dof} degrees of freedom")
    if dof is None:
        return NormalDist().inv_cdf(0.5 + coverage / 2)
    from scipy.special import stdtrit

    return float(stdtrit(dof, 0.5 + coverage / 2))


# ── contributions ─────────────────────────────────────────────────────────────────────────────────────────────────


def calibration(
    instruments: Sequence[Instrument], practice: MeasurementPractice, point: str = ""
) -> tuple[Contribution, ...]:
    """What is known of the gain of sensor and recorder at a point: their certificates, else common practice, once."""
    chain = chain_at(instruments, point)
    certificates = [
        Contribution(
            name=f"calibration of {one.what}", relative=one.calibration_uncertainty_percent / 200, type="B",
            because=f"its certificate states {one.calibration_uncertainty_percent:g} % (k = 2)", shared=not one.point,
        )
        for one in chain
        if one.calibration_uncertainty_percent is not None
    ]  # fmt: skip
    if len(certificates) == len(chain) and certificates:
        return tuple(certificates)
    return (
        *certificates,
        Contribution(
            name="calibration", relative=practice.calibration_percent / 200, type="B",
            because=f"no certificate given: {practice.calibration_percent:g} % (k = 2), {practice.calibration_source}",
            shared=True,
        ),
    )  # fmt: skip


def stated(given: Sequence[StatedContribution], practice: MeasurementPractice, point: str) -> tuple[Contribution, ...]:
    """What common practice and the set state of a figure at ``point``; of one name the set's own stands, for the point.

    A normal one is stated expanded, others by half their width.
    """
    own = [one for one in given if not one.points or point in one.points]
    names = {one.name for one in own}
    # What the set states stays in the budget with its source where it is zero.
    every = [*own, *(one for one in practice.contribution if one.name not in names and one.percent > 0)]
    return tuple(
        Contribution(
            name=one.name, relative=one.percent / 100 / DIVISOR.get(one.distribution, one.coverage_factor), type="B",
            because=f"{_width(one)}: {one.source}", degrees_of_freedom=one.degrees_of_freedom,
            distribution=one.distribution, shared=one.shared,
        )
        for one in every
    )  # fmt: skip


def _width(one: StatedContribution) -> str:
    if one.distribution == "normal":
        return f"{one.percent:g} % (k = {one.coverage_factor:g})"
    return f"within ± {one.percent:g} %, {one.distribution}"


def mounting(error: float, top_hz: float, fixing: str) -> Contribution:
    """The fixing's own resonance lifts what lies near it: up to ``error`` at ``top_hz``, anything between as likely.

    The value is not corrected for it, so that a pass is never owed to a correction.
    """
    return Contribution(
        name="mounting", relative=error / sqrt(3), type="B", distribution="rectangular",
        because=f"{fixing}: reads up to {100 * error:.2g} % high, of what lies up to {top_hz:.0f} Hz (ISO 5348)",
    )  # fmt: skip


def pooled_scatter(groups: Sequence[Mapping[str, float]]) -> tuple[float, float]:
    """Relative standard deviation of one capture from repeats of several figures, and its degrees of freedom.

    Each group maps captures to the figure of one point in one run. Groups may differ in size and in value; their
    relative scatter is taken to be one (ISO 5725-2 pools so). Points of one capture rise and fall together, as load and
    speed do, so that they are not as many repeats as there are figures: of a sum of squares whose parts have the
    covariance C the degrees of freedom are n (tr C)² / tr(C²) (Satterthwaite, Biometrics Bulletin 2, 1946). Of that
    only what lies off the diagonal is counted, for groups of one variance differ in size by chance. A standard
    deviation of few values reads low in the mean, for which it is corrected (``few_values``).
    """
    off = [_deviations(group) for group in groups]
    freedom = float(sum(len(one) - 1 for one in off if one))
    if freedom <= 0:
        return 0.0, 0.0
    total = sum(value**2 for one in off for value in one.values())
    alone = crossed = 0.0
    for number, one in enumerate(off):
        alone += _common(one, one)
        crossed += 2 * sum(_common(one, other) for other in off[number + 1 :])
    together = alone / (alone + crossed) if alone > 0 else 1.0
    effective = max(1.0, freedom * together)
    return sqrt(total / freedom) / few_values(effective), effective


def few_values(freedom: float) -> float:
    """Mean of an estimated standard deviation over the true one: c4 of control charts (ISO 7870-2), 0.89 of 3 values.

    Without it the interval of a figure of which three repeats are two thirds holds 92.7 % where 95 % are stated, by
    Welch and Satterthwaite; with it 94 to 96 % in any proportion (drawn 300,000 times).
    """
    return sqrt(2 / freedom) * exp(lgamma((freedom + 1) / 2) - lgamma(freedom / 2))


def _deviations(group: Mapping[str, float]) -> dict[str, float]:
    """By capture, relative to the group's mean."""
    mean = fmean(group.values()) if group else 0.0
    return {capture: value / mean - 1 for capture, value in group.items()} if mean > 0 else {}


def _common(one: Mapping[str, float], other: Mapping[str, float]) -> float:
    """n C² of two groups, C their covariance over the n + 1 captures that both have."""
    both = one.keys() & other.keys()
    return (
        float(sum(one[capture] * other[capture] for capture in both) ** 2) / (len(both) - 1) if len(both) > 1 else 0.0
    )


def repeats(
    own: Sequence[float],
    groups: Sequence[Mapping[str, float]],
    scatter: float,
    why: str,
    practice: MeasurementPractice,
    *,
    scatter_freedom: float | None = None,
) -> tuple[Contribution, ...]:
    """What chance and repetition leave open in the mean of ``own``.

    From repeats where there are enough of them: their scatter holds that of the averaging too, which is then not
    counted twice. Else from the length of the capture (``scatter``, relative, of one capture) and common practice.
    """
    n = len(own)
    spread, freedom = pooled_scatter(groups)
    if freedom >= FEWEST_FREEDOM:
        return (
            Contribution(
                name="repeatability", relative=spread / sqrt(n), type="A", degrees_of_freedom=freedom,
                because=f"{100 * spread:.2g} % from capture to capture, pooled over {len(groups)} figures; mean of {n}",
            ),
        )  # fmt: skip
    return (
        Contribution(
            name="averaging", relative=scatter / sqrt(n), type="B", because=f"{why}; mean of {n}",
            degrees_of_freedom=None if scatter_freedom is None else scatter_freedom * n,
        ),
        Contribution(
            name="repeatability", relative=practice.repeat_percent / 100 / sqrt(n), type="B",
            because=f"too few repeats: {practice.repeat_percent:g} %, {practice.repeat_source}; mean of {n}",
        ),
    )  # fmt: skip


def resolution(step: float) -> Contribution:
    """A display or converter that shows steps of that relative size: anything within one is as likely."""
    return Contribution(
        name="resolution",
        relative=step / sqrt(12),
        type="B",
        distribution="rectangular",
        because=f"shown in steps of {100 * step:.2g} %",
    )


def unsteady(half_range: float) -> Contribution:
    """A line that varies about its order: between what stands at it and all that stands about it, anything."""
    return Contribution(
        name="unsteady line", relative=half_range / sqrt(3), type="B", distribution="rectangular",
        because=f"± {100 * half_range:.2g} %: what stands about its order and no other line explains",
    )  # fmt: skip


def unknown_angle(relative: float) -> Contribution:
    """A line of a capture without pulses, whose angle the lines themselves gave."""
    return Contribution(
        name=ANGLE, relative=relative, type="A",
        because="what side lines and a swing of the speed can stand for in one another",
    )  # fmt: skip


def pulse_jitter(loss: float) -> Contribution:
    """A line on an angle that pulses gave: what their jitter takes off it, anything from nothing to twice the loss."""
    return Contribution(
        name="jitter of pulses", relative=loss / sqrt(3), type="B", distribution="rectangular",
        because=f"corrected by {100 * loss:.2g} %, which is 1 - exp(-s² / 2) where pulses leave its phase open by s",
    )  # fmt: skip


# ── joined ────────────────────────────────────────────────────────────────────────────────────────────────────────


def combined(budget: Sequence[Contribution]) -> tuple[float, float | None]:
    """Relative standard uncertainty and its effective degrees of freedom (JCGM 100:2008, 5.1.2 and G.4.1)."""
    square = sum(one.relative**2 for one in budget)
    below = sum(one.relative**4 / one.degrees_of_freedom for one in budget if one.degrees_of_freedom)
    return sqrt(square), (square**2 / below if below > 0 else None)


def quantity(
    value: float, unit: str, budget: Sequence[Contribution], coverage: float, *, widened: float = 1.0
) -> Quantity:
    """A value with its budget, expanded. Degrees of freedom are cut to a whole number, as the GUM advises (G.4.1).

    ``widened``: by how much the factor is larger because the value was picked as the highest of several.
    """
    relative, dof = combined(budget)
    standard = relative * abs(value)
    whole = None if dof is None or not isfinite(dof) else max(1.0, float(int(dof)))
    factor = widened * coverage_factor(coverage, whole)
    return Quantity(
        value=value, unit=unit, standard_uncertainty=standard, expanded=factor * standard, coverage=coverage,
        budget=tuple(budget), coverage_factor=factor, degrees_of_freedom=whole,
    )  # fmt: skip


def risk_of_false_acceptance(measured: Quantity, limit: float) -> float | None:
    """Probability that the true value lies above ``limit``, given what was measured and nothing else.

    The specific risk of JCGM 106:2012, 7.3, with Student's t of the effective degrees of freedom for the normal one.
    """
    standard = measured.standard_uncertainty
    if standard is None:
        return None
    if standard <= 0:
        return float(measured.value > limit)
    away = (limit - measured.value) / standard
    if measured.degrees_of_freedom is None:
        return NormalDist().cdf(-away)
    from scipy.special import stdtr

    return float(stdtr(measured.degrees_of_freedom, -away))


def guard_band(measured: Quantity, rule: DecisionRule) -> float:
    """The expanded uncertainty under guarded acceptance (JCGM 106:2012, 8.3.2: w = U), nothing under simple."""
    return (measured.expanded or 0.0) if rule == "guarded acceptance" else 0.0


def decided(measured: Quantity, limit: float, rule: DecisionRule) -> tuple[Answer, float]:
    """Whether a value that must not exceed ``limit`` passes, and the acceptance limit.

    Guarded on both sides: pass below the limit less the guard band, fail above the limit and the guard band, and
    undetermined between. Under simple acceptance the value itself decides.
    """
    band = guard_band(measured, rule)
    if measured.value + band <= limit:
        return "pass", limit - band
    return ("fail" if measured.value - band > limit else "undetermined"), limit - band


def repeats_that_settle(measured: Quantity, limit: float, n: int, most: int) -> int | None:
    """Captures in all after which the guard band would be narrower than the distance from the limit.

    Taking it that the value stays and repeats scatter as they did; None where ``most`` would not do.
    """
    away = abs(limit - measured.value) / measured.value if measured.value > 0 else inf
    fixed = [one for one in measured.budget if one.name not in ("averaging", "repeatability")]
    chance = [one for one in measured.budget if one not in fixed]
    for count in range(n + 1, most + 1):
        shrunk = [
            Contribution(
                name=one.name, relative=one.relative * sqrt(n / count), type=one.type, because=one.because,
                degrees_of_freedom=float(count - 1 + (one.degrees_of_freedom or 0.0)),
            )
            for one in chance
        ]  # fmt: skip
        if (quantity(1.0, "", [*fixed, *shrunk], measured.coverage).expanded or inf) < away:
            return count
    return None


def calibration_that_settles(measured: Quantity, limit: float) -> float | None:
    """Percent (k = 2) to which sensor and recorder would have to be calibrated; None where no calibration would do."""
    away = abs(limit - measured.value) / measured.value if measured.value > 0 else 0.0
    others = [one for one in measured.budget if not one.name.startswith("calibration")]
    wanted = away / coverage_factor(measured.coverage)
    left = wanted**2 - sum(one.relative**2 for one in others)
    return 200 * sqrt(left) if left > 0 else None
