"""The detection study in short: its tools are right, and the program stays near what can be known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.studies import detection
from tests.studies import references as ref
from tests.studies.detection import (
    LARGEST_DB,
    SMALLEST_DB,
    Mixer,
    Threshold,
    limit_db,
    limits,
    local_kinds,
    rows_of,
    threshold_db,
)
from tests.studies.fleet import FLEET
from vibe.synth.machine.damage import Damage
from vibe.synth.simulate import simulate

MOST_BEHIND_DB = 15.0
"""Of one race of the eccentric bearing in one capture; the study measures all kinds and many captures."""


def cut_to(monkeypatch: pytest.MonkeyPatch, duration_s: float) -> None:
    """Captures of the study, but shorter."""
    detection._sound_fleet.cache_clear()
    whole = detection.conditions_of
    monkeypatch.setattr(detection, "conditions_of", lambda seed: replace(whole(seed), duration_s=duration_s))


def test_a_mixed_capture_is_the_simulated_one(monkeypatch: pytest.MonkeyPatch) -> None:
    cut_to(monkeypatch, 2.0)
    drive, seed, size_db = FLEET["ratio-29"], 3, -7.0
    conditions = detection.conditions_of(seed)
    sound = simulate(drive, seed=seed, conditions=conditions)
    mixed = Mixer.of(drive, Damage("stage1.lobe"), seed, sound).capture(size_db)
    direct = simulate(drive, [Damage("stage1.lobe", 10 ** (size_db / 20))], seed=seed, conditions=conditions)
    assert rows_of(mixed) == pytest.approx(rows_of(direct), abs=2e-6 * np.abs(rows_of(direct)).max())
    assert [c.full_scale for c in mixed.channels] == [c.full_scale for c in direct.channels]


def test_every_local_damage_is_measured() -> None:
    kinds = local_kinds(FLEET["rv"])
    assert {"stage1.ring_pin", "stage1.sun_tooth", "stage1.planet_tooth", "bearing.output bearing.cage"} <= set(kinds)
    assert not {"stage1.mesh", "stage1.gear_mesh", "unbalance", "electrical"} & set(kinds)


@pytest.mark.parametrize("edge", [-37.3, -12.0, 3.3, 19.2])
@pytest.mark.parametrize("start", [-60.0, -12.0, 20.0])
def test_thresholds_are_bisected(edge: float, start: float) -> None:
    found = threshold_db(lambda size: size >= edge, start, exact_db=0.5)
    assert found == pytest.approx(edge, abs=0.25 + 1e-9)


def test_what_is_never_found_has_no_threshold() -> None:
    assert threshold_db(lambda size: False, 0.0) is None
    assert threshold_db(lambda size: True, 0.0) == pytest.approx(SMALLEST_DB, abs=6.0)


def test_a_limit_needs_nine_in_ten_found() -> None:
    rng = np.random.default_rng(4)
    values = list(rng.normal(-10.0, 2.0, 400))
    limit = limit_db(values)
    assert limit is not None
    assert np.mean(np.array(values) <= limit) == pytest.approx(0.9, abs=0.04)
    assert limit_db([-10.0, None, -11.0, -9.0]) is None
    rows = limits(
        [
            Threshold(
                drive="d", kind="k", seed=1, observable=True, vibe_db=None, clairvoyant_db=-4.0, textbook_db=None
            ),
            Threshold(drive="d", kind="hidden", seed=1, observable=False),
        ]
    )
    assert rows[0]["gap_db"] == LARGEST_DB + 4.0
    assert rows[1]["gap_db"] is None


def test_the_clairvoyants_threshold_keeps_its_promise_in_noise() -> None:
    """Combs of unequal, partly neighbouring lines over exponential noise."""
    rng = np.random.default_rng(7)
    size, chance = 60_000, 0.01
    lines = np.fft.rfft(rng.standard_normal(2 * size) * np.hanning(2 * size))[:size].astype(np.complex64)
    floor = ref.floor_of(np.abs(lines) ** 2)
    weights = np.array([0.4, 0.2, 0.2, 0.1, 0.1])
    template = ref.Template(np.array([1000, 1001, 2000, 3000, 3001]), weights)
    threshold = ref.decoy_threshold(lines, template, floor, np.ones(size, dtype=bool), chance, rng)
    tried = [
        ref.comb_statistic(lines, ref.Template(template.bins + 3 * shift, weights), floor)
        for shift in range(500, 18_000)
    ]
    assert np.mean(np.array(tried) > threshold) == pytest.approx(chance, rel=0.4)


def test_the_textbook_recipe_finds_a_plain_train_and_not_noise() -> None:
    rng = np.random.default_rng(5)
    rate, seconds, repeat_hz = 12_800, 10, 37.0
    noise = rng.standard_normal((1, rate * seconds))
    train = np.zeros(rate * seconds)
    train[(np.arange(int(repeat_hz * seconds)) / repeat_hz * rate).astype(int)] = 1.0
    time = np.arange(400) / rate
    ringing = np.convolve(train, np.exp(-400 * time) * np.sin(2 * np.pi * 3100 * time))[: train.size]
    chance = 1e-3
    threshold = ref.textbook_threshold([2.0, 3.0, 2.5], 12.0, chance)
    for scale, over in ((0.0, False), (8.0, True)):
        power = ref.textbook_lines(ref.dyadic_bands(noise + scale * ringing))
        assert (ref.peak_over_median(power, seconds, repeat_hz) > threshold) is over


def test_near_the_clairvoyant(monkeypatch: pytest.MonkeyPatch) -> None:
    cut_to(monkeypatch, 6.0)
    monkeypatch.setattr(detection, "SOUND_CAPTURES", 4)
    kinds = ("bearing.eccentric bearing.outer_race", "bearing.output bearing.cage")
    row, hidden = detection.measure(("ratio-29", 5, kinds))
    assert row.vibe_db is not None
    assert row.clairvoyant_db is not None
    assert row.clairvoyant_db - 2 * detection.EXACT_DB < row.vibe_db < row.clairvoyant_db + MOST_BEHIND_DB
    assert row.blocked_by
    assert not hidden.observable
