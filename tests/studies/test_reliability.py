"""Stated probabilities come true: the short version of ``reliability.py``."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest

from tests.studies.confusion import name_it
from tests.studies.fleet import settings
from tests.studies.reliability import (
    BEARING_SHARES,
    Judgment,
    bins,
    campaign,
    chance_of,
    judgments,
)

SEED = 2000
"""Not among those of the full study."""


def _made(stated: float, rights: list[bool], weight: float = 1.0) -> list[Judgment]:
    return [
        Judgment(stated=stated, right=right, weight=weight, inside=True, name="stage1.lobe", planted="")
        for right in rights
    ]


def test_bins_tell_honest_from_boastful() -> None:
    rng = np.random.default_rng(3)
    honest = bins(_made(0.9, list(rng.uniform(size=500) < 0.9)))[0]
    boastful = bins(_made(0.9, list(rng.uniform(size=500) < 0.6)))[0]
    assert honest["low_95"] <= 0.9 <= honest["high_95"]
    assert boastful["high_95"] < 0.9


def test_weights_bring_back_the_route() -> None:
    """Ten right findings of one rare kind and one wrong finding that stands for as many: half are right."""
    row = bins(_made(0.9, [True] * 10, weight=0.1) + _made(0.9, [False]))[0]
    assert row["true"] == 0.5
    assert row["effective"] == pytest.approx(2.0**2 / (10 * 0.01 + 1.0), abs=0.05)
    assert row["low_95"] < 0.15
    assert row["high_95"] > 0.85


def test_the_route_is_what_the_priors_say() -> None:
    work = campaign(8, SEED)
    assert sum(weight for _, weight in work) == pytest.approx(1.0)
    share: Counter[str] = Counter()
    for planted, weight in work:
        share[" + ".join(planted.causes)] += weight  # type: ignore[assignment]
    priors = {prior.what: prior.probability for prior in settings().judgement.prior}
    bearing = sum(share[cause] for cause in BEARING_SHARES)
    assert bearing == pytest.approx(priors["rolling bearing"], rel=1e-6)
    assert share["unbalance"] == pytest.approx(priors["unbalance"], rel=1e-6)
    assert share["lobe or output pin"] == pytest.approx(priors["lobe"] + priors["output pin"], rel=1e-6)
    # One drive of eight has teeth.
    assert share["tooth"] == pytest.approx(chance_of("tooth") / 8, rel=1e-6)


@pytest.mark.slow
def test_of_findings_given_nine_tenths_nine_tenths_are_right() -> None:
    work = campaign(12, SEED)
    made = judgments([name_it(planted) for planted, _ in work], [weight for _, weight in work])
    for row in bins(made):
        # The interval of so few findings is wide; a boast lies outside it all the same.
        assert row["high_95"] >= row["stated"] - 0.02, row
