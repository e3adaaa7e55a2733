"""Two drives of one type on one frame: damage is put down to the one that has it, or to either, and never surely to
the wrong one."""

from __future__ import annotations

import pytest

from tests.studies.twins import pair_of, rows, said_of, trial
from tests.worlds.twins import Pair

CALM = ("sound", "watch")


def test_a_lobe_of_the_other_drive_is_not_this_ones() -> None:
    """Its order tells the other's speed, which is 0.08 % lower; a lobe that stands alone keeps its probability."""
    theirs = said_of(Pair(whose="other", part="lobe", apart=-0.0008, seconds=10.0, other_db=-8.0), 1074)
    assert theirs.either
    assert theirs.probability < 0.9
    assert theirs.state in CALM
    alone = said_of(Pair(whose="alone", part="lobe", apart=0.0, seconds=11.0), 1078)
    assert alone.right
    assert not alone.either
    assert alone.probability > 0.99
    assert alone.state in ("plan", "act")


def test_damage_next_to_a_sound_drive_of_the_same_type_is_found() -> None:
    """Either drive, but this one first; the state waits for the measurement that tells."""
    ours = said_of(Pair(whose="own", part="lobe", apart=0.0083, seconds=13.0, other_db=2.0), 1000)
    assert ours.right
    assert ours.either
    assert 0.5 < ours.probability < 0.97
    assert ours.state == "watch"


def test_the_shaft_that_carries_a_race_shows_whose_it_is() -> None:
    """A race of the other drive, which turns 0.95 % slower and whose mesh is not detected."""
    theirs = said_of(pair_of(2056), 2056)
    assert (theirs.pair.whose, theirs.pair.part) == ("other", "inner_race")
    assert theirs.either
    assert not theirs.accused
    alone = said_of(pair_of(2057), 2057)
    assert (alone.pair.whose, alone.right, alone.either) == ("alone", True, False)
    assert alone.probability > 0.95


def test_pulses_of_this_drive_settle_whose_exact_damage_it_is() -> None:
    theirs = said_of(Pair(whose="other", part="lobe", apart=-0.0008, seconds=10.0, other_db=-8.0, pulsed=True), 1074)
    assert theirs.probability < 0.1
    assert not theirs.accused


@pytest.mark.slow
def test_whose_damage_it_is_said_to_be_over_speeds_lengths_and_parts() -> None:
    """Of drives damaged and alone none loses its finding to a drive that is not there; of parts that cannot slip none
    of another drive is put surely on this one."""
    said = [trial(number) for number in range(3000, 3040)]
    table = {(row["damaged"], row["part"], row["apart"]): row for row in rows(said)}
    assert sum(int(row["pairs"]) for row in table.values()) == len(said)
    alone = [one for one in said if one.pair.whose == "alone"]
    assert sum(one.either for one in alone) <= 1
    assert sum(one.right for one in alone) >= 0.6 * len(alone), "faint ones are among them"
    others = [one for one in said if one.pair.whose == "other" and one.pair.part in ("lobe", "ring_pin")]
    assert sum(one.probability >= 0.95 for one in others) <= 1
