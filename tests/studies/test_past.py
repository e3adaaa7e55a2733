"""The study of the past, in short: one machine, one damage; and a further sound capture of it."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from tests.studies import past
from vibe.core.comb_history import PastCapture

TAG, SEED, RACE = "ratio-6", 1000, "bearing.input bearing.inner_race"


made = cache(past.earlier_of)


def earlier(tag: str, seed: int, *, surrounded: bool = False) -> list[PastCapture]:
    """Made once for all tests."""
    return made(tag, seed, surrounded=surrounded)


@pytest.mark.slow
def test_the_past_brings_the_limit_of_a_race_nearer(monkeypatch: pytest.MonkeyPatch) -> None:
    """A size that is too faint to be named by one capture is named with eight earlier ones."""
    monkeypatch.setattr(past, "earlier_of", earlier)
    mixer = past.mixer_of(TAG, SEED, past.Damage(RACE, 1.0, 0))
    one = mixer.capture(-4.0)
    assert not past.study.found(past.judged(one, TAG), RACE)
    assert past.study.found(past.judged(one, TAG, past.earlier_of(TAG, SEED)), RACE)


@pytest.mark.slow
def test_further_sound_captures_of_it_are_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(past, "earlier_of", earlier)
    detected = past.listen((TAG, SEED, 1))
    assert [one.past for one in detected] == [()]
    assert all(one.tones > 10 for one in detected)


def test_the_summary_counts_what_was_never_found_as_found_at_the_largest_size() -> None:
    found = [
        past.Found(drive=TAG, kind=RACE, seed=k, alone_db=alone, past_db=-6.0, clairvoyant_db=-10.0)
        for k, alone in enumerate((None, -4.0, -2.0))
    ]
    text = past.summary(found, [])
    assert "without the past: median +8.0 dB" in text
    assert "never found 1 of 3" in text
    assert "with it: median +4.0 dB" in text


@pytest.mark.parametrize(("lines", "trials"), [(8, 1), (8, 20), (32, 20)])
def test_the_least_gap_is_that_of_lines_of_noise_over_their_own_past(lines: int, trials: int) -> None:
    """Of drawn lines: damage of the size that the closed form states is found half of the time by its growth over eight
    captures, and by one who knows the floor where it is smaller by the gap."""
    rng, chance, earlier, drawn = np.random.default_rng(lines), 0.02, 8, 40_000
    gap_db = past.least_gap_db(lines, trials, chance, earlier=earlier)
    before = rng.standard_exponential((drawn, earlier * lines)).mean(axis=1)
    quiet = rng.standard_exponential((drawn, lines)).mean(axis=1)
    limit = float(np.quantile(quiet / before, 1 - chance / trials))
    known = float(np.quantile(quiet, 1 - chance))
    # A line's power grows by 2 dB with each decibel of size.
    assert 5 * np.log10((limit - 1) / (known - 1)) == pytest.approx(gap_db, abs=0.12)


def test_what_must_be_sought_costs_more_than_eight_captures_do() -> None:
    """More than the 1 dB that is wished for, whatever the program does."""
    known_place, slips = (
        past.least_gap_db(*how, past.USUAL_CHANCE, earlier=past.EARLIER) for how in past.SOUGHT.values()
    )
    assert past.least_gap_db(12, 1, past.USUAL_CHANCE, earlier=past.EARLIER) < 0.4
    assert 1.0 < known_place < slips
    assert past.least_gap_db(12, 20_000, past.USUAL_CHANCE, earlier=1_000) > 1.0
