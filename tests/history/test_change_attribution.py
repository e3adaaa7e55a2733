"""How much of a change each owner explains."""

from __future__ import annotations

import numpy as np
import pytest

from vibe.history.change_attribution import rise_of

USUAL = {"shaft": 1.0, "mesh": 2.0, "10-1000 Hz": 0.5, "1000-5000 Hz": 4.0}


def captures(seed: int, n: int, factors: dict[str, float] | None = None, sd_db: float = 0.6) -> list[dict[str, float]]:
    rng = np.random.default_rng(seed)
    factors = factors or {}
    return [
        {owner: value * factors.get(owner, 1.0) * 10 ** (sd_db * rng.normal() / 10) for owner, value in USUAL.items()}
        for _ in range(n)
    ]


def test_parts_add_up_to_the_rise() -> None:
    rise = rise_of(captures(1, 6), [{**captures(2, 1)[0], "bearing": 9.0}])
    assert sum(part.db for part in rise.parts) == pytest.approx(rise.rise_db, abs=1e-9)
    assert sum(part.share or 0.0 for part in rise.parts) == pytest.approx(1.0)
    first = rise.parts[0]
    assert (first.owner, first.before_db) == ("bearing", None)
    assert first.now_db == pytest.approx(9.54, abs=0.01)
    assert first.sure is not None
    assert first.sure > 0.999
    assert first.low_db is not None
    assert first.high_db is not None
    assert first.low_db < first.db < first.high_db


def test_by_hand() -> None:
    # 1 + 1 becomes 1 + 3: 3.01 dB, all of it from the second.
    rise = rise_of([{"a": 1.0, "b": 1.0}], [{"a": 1.0, "b": 3.0}])
    assert rise.rise_db == pytest.approx(3.0103, abs=1e-4)
    assert [(part.owner, round(part.db, 4)) for part in rise.parts] == [("b", 3.0103), ("a", 0.0)]
    assert rise.sure is None
    assert rise.parts[0].low_db is None


def test_a_fall_has_its_greatest_part_first() -> None:
    rise = rise_of([{"a": 1.0, "b": 5.0}], [{"a": 1.2, "b": 1.0}])
    assert rise.rise_db < 0
    assert rise.parts[0].owner == "b"
    assert sum(part.db for part in rise.parts) == pytest.approx(rise.rise_db)


def test_where_parts_cancel_each_still_has_its_own() -> None:
    rise = rise_of([{"a": 1.0, "b": 1.0}], [{"a": 1.5, "b": 0.5}])
    assert rise.rise_db == pytest.approx(0.0, abs=1e-9)
    assert {part.owner: round(part.db, 2) for part in rise.parts} == {"a": 1.09, "b": -1.09}
    assert all(part.share is None for part in rise.parts)


def test_sound_twins_are_not_sure() -> None:
    sure = [rise_of(captures(seed, 6), captures(900 + seed, 1)) for seed in range(200)]
    assert np.mean([(rise.sure or 0) > 0.95 for rise in sure]) < 0.1
    # Twenty parts in a hundred would be one-sided chance twice over; scatter must not pass for a part.
    assert np.mean([(part.sure or 0) > 0.95 for rise in sure for part in rise.parts]) < 0.12


def test_one_factor_is_distinguished_from_one_owner() -> None:
    gain = [rise_of(captures(s, 6), captures(500 + s, 1, dict.fromkeys(USUAL, 4.0))) for s in range(40)]
    one = [rise_of(captures(s, 6), captures(500 + s, 1, {"mesh": 12.0})) for s in range(40)]
    assert np.mean([(rise.alike or 0) > 0.05 for rise in gain]) > 0.85
    assert np.mean([(rise.alike or 0) > 0.05 for rise in one]) < 0.05
    assert gain[0].common_db == pytest.approx(6.0, abs=1.0)


@pytest.mark.parametrize(("before", "now"), [([], [USUAL]), ([USUAL], []), ([USUAL], [{"mesh": 0.0}])])
def test_nothing_to_compare_is_refused(before: list[dict[str, float]], now: list[dict[str, float]]) -> None:
    with pytest.raises(ValueError, match="a change needs"):
        rise_of(before, now)
