"""Numbers by which a second machine of the same kind is detected, met from both sides or worked by hand."""

from __future__ import annotations

from math import exp, log, log1p

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from vibe.core.tones import OwnLines
from vibe.spectra.presence.families import Family
from vibe.spectra.rivals import similar_machine as machine
from vibe.spectra.rivals.line_heights import LineHeights, heights_of, own_skirt, share_above, shares_around
from vibe.spectra.rivals.similar_evidence import family_evidence, line_evidence
from vibe.spectra.rivals.similar_lines import ReadLines, SoughtLines, enough_stand, read_at, sought_lines
from vibe.spectra.rivals.similar_machine import _at_known, _by_chance, _is_modulation, _same
from vibe.spectra.signal_analysis import ChannelSpectrum

STEP, INPUT_HZ = 0.005, 25.0
FAMILY = Family(count=30, unit=1.0, difference=1)
Real = NDArray[np.float64]


def sought() -> SoughtLines:
    return sought_lines(FAMILY)


def test_three_lines_of_the_shaft_six_meshes_and_side_lines_of_the_first_three_are_looked_for() -> None:
    past = 30 / 29
    sides = {30.0 * k + sign * side for k in (1, 2, 3) for side in (1.0, past) for sign in (-1, 1)}
    meshes = {30.0 * k for k in range(1, 7)}
    assert sorted(sought().orders) == pytest.approx(sorted({1.0, 2.0, 3.0} | meshes | sides))
    assert set(sought().orders[sought().is_mesh]) == meshes


def read(own_db: float, **surprise: float) -> ReadLines:
    """Meshes two and three stand 20 dB over the floor at another speed; of the lines named ``o30`` is known what they
    are given, of others nothing."""
    known = np.full((sought().orders.size, 1), np.nan)
    height = np.full_like(known, 100.0)
    for order, value in ({"o60": 10.0, "o90": 10.0} | surprise).items():
        known[int(np.abs(sought().orders - float(order[1:])).argmin())] = value
    return ReadLines(surprise=known, height=height, own=np.full_like(known, 10 ** (own_db / 10)))


def evidence(own_db: float, **surprise: float) -> float:
    return float(family_evidence(read(own_db, **surprise), sought())[0][0])


def missing(seen: float) -> float:
    """Of a line that is seen so often, in one factor as likely as in the next up to the largest surprise of twenty; by
    chance nothing is there as often as not."""
    return log(1 - seen + seen / log1p(20))


@pytest.mark.parametrize(
    ("own_db", "line", "seen"),
    [
        (12.0, "o30", 0.6),  # one of the first three meshes
        (12.0, "o120", 0.4),
        (12.0, "o2", 0.6),
        (8.0, "o2", 0.08),  # its like of this machine does not stand either
        (10.0, "o2", 0.6),
        (8.0, "o30", 0.08),
    ],
)
def test_a_line_that_is_missing_speaks_against_a_machine_as_often_as_it_would_be_seen(
    own_db: float, line: str, seen: float
) -> None:
    against = evidence(own_db, **{line: 0.0}) - evidence(own_db)
    assert against == pytest.approx(missing(seen), rel=0.02)


@pytest.mark.parametrize(("usual_db", "seen"), [(18.0, 0.4), (20.0, 0.9)])
def test_a_mesh_that_would_stand_over_the_floor_even_by_a_path_10_db_worse_is_expected(
    usual_db: float, seen: float
) -> None:
    """The others are as high as this machine's, so that this one would be: 9 dB stand, 10 dB are a path's."""
    known = np.full((sought().orders.size, 1), np.nan)
    known[[1, 2]] = 10.0
    own = np.full_like(known, 10 ** (usual_db / 10))

    def of(fourth: float) -> float:
        known[3] = fourth
        some = ReadLines(surprise=known, height=own.copy(), own=own)
        return float(family_evidence(some, sought())[0][0])

    assert of(0.0) - of(np.nan) == pytest.approx(missing(seen), rel=0.02)


def test_a_line_that_is_seen_is_as_likely_in_one_factor_as_in_the_next() -> None:
    """Worked by hand for a surprise of ten."""
    found = line_evidence(np.array([[10.0]]), np.array([[0.6]]))[0, 0]
    assert found == pytest.approx(log(0.4 + 0.6 * exp(10) / 11 / log(21)))


@pytest.mark.parametrize(("surprise", "enough"), [((2.7, 9.0), False), ((3.2, 9.0), True), ((9.0,), False)])
def test_two_meshes_that_chance_raises_once_in_twenty_are_a_family(surprise: tuple[float, ...], enough: bool) -> None:
    meshes = np.zeros((6, 1))
    meshes[: len(surprise), 0] = surprise
    assert bool(enough_stand(meshes)[0]) is enough


def test_five_in_a_hundred_trials_of_chance_may_do_as_well(monkeypatch: pytest.MonkeyPatch) -> None:
    trial = iter(range(1, 101))
    monkeypatch.setattr(
        machine, "family_evidence", lambda read, sought: (np.full(read.surprise.shape[1], float(next(trial))), None)
    )
    speeds = np.linspace(0.999, 1.001, 64)
    standing = ReadLines(
        surprise=np.full((sought().orders.size, 64), 9.0),
        height=np.ones((sought().orders.size, 64)),
        own=np.ones((21, 1)),
    )
    found = _by_chance([(0.0, np.ones_like(speeds), standing)], sought())
    assert found == pytest.approx(95.0, abs=0.5)


@pytest.mark.parametrize(("off", "reach"), [(3, 2), (14, 4), (27, 8), (54, 16), (107, 32), (400, 32)])
def test_what_lies_opposite_is_looked_for_within_three_tenths_of_the_distance(off: int, reach: int) -> None:
    """In steps of an octave from two bins to thirty-two: skirts are ragged."""
    middle, flat, none = 500, np.ones(1001), np.zeros(1001, dtype=bool)
    counted = []
    for away in range(70):
        smooth = flat.copy()
        smooth[middle - off - away] = 50.0
        counted.append(own_skirt(flat, smooth, none, 0, middle, np.array([middle + off]))[0] > 1.0)
    assert counted == [away <= reach for away in range(70)]


def row(over: Real, owned: NDArray[np.bool_] | None = None) -> LineHeights:
    mine = np.zeros(over.size, dtype=bool) if owned is None else owned
    return LineHeights(over=over, step=STEP, heights=(), at=np.zeros((0, over.size)), owned=mine)


def surprise_at(over: Real, order: float, place: float) -> float:
    number = int(np.abs(sought().orders - order).argmin())
    places = np.full((sought().orders.size, 1), place)
    asked = np.arange(sought().orders.size) == number
    return float(read_at([row(over)], sought(), places, 0.0, asked).surprise[number, 0])


def test_a_skirt_reaches_a_height_as_the_highest_of_three_bins_does() -> None:
    """Six times as high as opposite: exp(-6) of each of three."""
    over = np.ones(8000)
    over[6100] = 6.0
    assert surprise_at(over, 30.0, 30.5) == pytest.approx(6 - log(3), rel=0.02)


@pytest.mark.parametrize(("bins", "known"), [(3.4, False), (4.6, True), (-3.4, False), (-4.6, True)])
def test_within_four_bins_it_is_the_flank_of_the_machines_own_line(bins: float, known: bool) -> None:
    assert np.isfinite(surprise_at(np.ones(8000), 30.0, 30.0 + bins * STEP)) == known


@pytest.mark.parametrize(("stray", "compared"), [(1.34, True), (1.46, False), (0.66, True), (0.54, False)])
def test_a_shaft_line_is_compared_with_four_tenths_of_an_order_about_it(stray: float, compared: bool) -> None:
    """A fifth as far as machines of one kind reach, and ten lines' flanks of forty bins."""
    over = np.ones(8000)
    over[round(1.05 / STEP)] = 20.0
    alone = surprise_at(over, 1.0, 1.05)
    over[round(stray / STEP)] = 40.0
    assert (surprise_at(over, 1.0, 1.05) < alone - 0.1) is compared


def test_lines_twenty_decibels_higher_are_ten_times_as_rare() -> None:
    """Half a line in a hundred places stands as high as the highest, a twentieth 20 dB above it."""
    none = np.zeros(1, dtype=np.int64)
    at, above = (share_above(none, 99, np.array([10.0]), np.array([there]))[0] for there in (10.0, 1000.0))
    assert at == pytest.approx(0.5 / 100)
    assert above == pytest.approx(0.05 / 100)


@pytest.mark.parametrize(("free", "with_own"), [(24, True), (38, False)])
def test_where_fewer_than_thirty_places_are_free_own_lines_are_compared_with_too(free: int, with_own: bool) -> None:
    over, owned = np.full(140, 100.0), np.ones(140, dtype=bool)
    owned[60 : 60 + free], over[60 : 60 + free] = False, 1.0
    over[70] = 50.0
    shares = shares_around(owned, over, np.array([70]), 0)
    assert bool(shares[0] > 0.5) is with_own


def test_two_bins_either_side_are_the_machines_own_line() -> None:
    power = np.ones(4000)
    power[2000] = 100.0
    spectrum = ChannelSpectrum(channel="p1", power=power, bin_hz=STEP * INPUT_HZ)
    heights = heights_of(spectrum, INPUT_HZ, [OwnLines(what="mesh", orders=(10.0,), spread=(0.0,))], 15.0)
    assert list(np.flatnonzero(heights.owned)) == [1998, 1999, 2000, 2001, 2002]


@pytest.mark.parametrize(("bins", "parted"), [(2.6, False), (3.4, True)])
def test_three_bins_part_a_mesh_from_one_at_a_known_speed(bins: float, parted: bool) -> None:
    over = np.ones(8000)
    over[6000] = 1000.0
    found = _at_known([row(over)], 30.0, 1 + bins * STEP / 30.0)
    assert (found.fainter_db > 0) is parted


@pytest.mark.parametrize(("db", "counts"), [(8.0, False), (10.0, True)])
def test_a_mesh_of_a_known_machine_counts_from_nine_decibels_over_the_floor(db: float, counts: bool) -> None:
    """Noise stands as high once in 3,000 bins: exp(-8)."""
    over = np.ones(8000)
    over[6000] = 10 ** (db / 10)
    assert (_at_known([row(over)], 30.0, 1.01).fainter_db > 0) is counts


def test_two_tenths_of_a_per_cent_are_one_machine_whose_speed_varies() -> None:
    fine = [row(np.ones(100))]
    assert 1.5e-3 < _same(fine, 1000.0) < 2.5e-3
    # A mesh of few parts is parted only where its lines are: eight bins.
    assert _same(fine, 10.0) == pytest.approx(8 * STEP / 10)


OFF, SPEED = 0.06, 1.002


def modulated(times: int) -> LineHeights:
    over = np.ones(40_000)
    for order in 30.0 * np.arange(1, 7):
        over[round((order + times * OFF) / STEP)] = 300.0
    return row(over)


def at_speed(surprise: float) -> ReadLines:
    known = np.where(sought().is_mesh, surprise, np.nan)[:, None]
    return ReadLines(surprise=known, height=np.ones_like(known), own=np.ones_like(known))


@pytest.mark.parametrize("times", [-6, -5, -4, -3, -2, -1, 1, 2, 3, 4, 5, 6])
def test_up_to_four_multiples_of_one_spacing_are_a_modulation(times: int) -> None:
    some = _is_modulation([modulated(times)], sought(), at_speed(3.5), 30.0, SPEED, 0.0)
    assert some is (abs(times) <= 4)


@pytest.mark.parametrize(("share", "as_well"), [(0.97, True), (0.8, False), (0.6, False)])
def test_a_modulation_explains_as_well_what_it_explains_to_nine_tenths(share: float, as_well: bool) -> None:
    rows = [modulated(1)]
    lines = read_at(rows, sought(), sought().orders[:, None] + OFF, 0.0).surprise
    seen, other = sought().seen[:, None], sought().is_mesh[:, None] & (sought().orders[:, None] != 30.0)
    its = float(np.where(other, line_evidence(lines, seen), 0.0).sum())

    def total(surprise: float) -> float:
        return float(np.where(other, line_evidence(at_speed(surprise).surprise, seen), 0.0).sum())

    level = brentq(lambda one: its - share * total(one), 2.0, 40.0)
    assert its / total(level) == pytest.approx(share, rel=0.01)
    assert _is_modulation(rows, sought(), at_speed(level), 30.0, SPEED, 0.0) is as_well
