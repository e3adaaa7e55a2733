"""The study of the past, in short: one machine, one damage; and a further sound capture of it."""

from __future__ import annotations

from functools import cache

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
