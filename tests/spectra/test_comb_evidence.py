from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.spectra.spectra_signals import Row, enveloped, noise, repeats, ringing
from tests.spectra.test_comb_scores import spectra
from vibe.core.evidence import CombEvidence
from vibe.spectra.evidence.comb import CombRequest, CombScorer
from vibe.spectra.evidence.comb_evidence import _above_its_sides, _null, lines_mask, weigh
from vibe.spectra.evidence.decoy_null import FEW_DECOYS, CombReading, DecoyNull, Families, lines_level_db
from vibe.spectra.evidence.impact_amplitude import LONE_ERROR_BINS, placed
from vibe.spectra.outside.fundamental import fundamental
from vibe.spectra.outside.search import find_outside_combs

RATE, SPEED, DURATION = 12_800.0, 25.0, 6.0
N = int(RATE * DURATION)
SLIP = (-0.02, 0.01)
# Multiples of the 6205 with 9 balls of 0.3126 in on 1.537 in (the bearing data centre's own table).
OUTER, INNER, BALL, CAGE = 3.5848, 5.4152, 2.3570, 0.3983
BEARING = (
    CombRequest(name="outer", order=OUTER, slip=SLIP),
    CombRequest(name="inner", order=INNER, slip=SLIP, sidebands=(1.0,)),
    CombRequest(name="ball", order=BALL, slip=SLIP, sidebands=(CAGE,), carriers=(1, 2)),
    CombRequest(name="cage", order=CAGE, slip=SLIP, max_harmonic=8, often_short=True),
)
INNOCENT = Families(benign=((1.0, 60),))
ALARM = 0.01 / len(BEARING)


def weighed(row: Row, requests: tuple[CombRequest, ...] = BEARING) -> dict[str, CombEvidence]:
    bands, spectra = enveloped(row, RATE, SPEED)
    return {comb.tone: comb for comb in weigh(spectra, [bands], requests, INNOCENT).combs}


def impacts(order: float, height: float, *, seed: int = 1, slip_sigma: float = 0.003, modulated: float = 0.0) -> Row:
    """Impacts that ring a casing at 2970 Hz; ``modulated`` once per turn, as a race that passes the load zone."""
    times = repeats(order, SPEED, DURATION, seed=seed, slip_sigma=slip_sigma)
    heights = height * (1 + modulated * np.cos(2 * np.pi * SPEED * times))
    return ringing(times, RATE, N, resonance_hz=2970.0, heights=heights)


@pytest.fixture(scope="module")
def chances() -> np.ndarray:
    """False-alarm probabilities (150 captures of nothing but noise, 4 random requests each); every other slips."""
    found = []
    for seed in range(150):
        rng = np.random.default_rng([11, seed])
        bands, spectra = enveloped(noise(seed, 16_384), 4096.0, SPEED)
        orders = rng.uniform(1.1, 9.0, 4)
        requests = [
            CombRequest(name=str(i), order=order, slip=SLIP if i % 2 else (0.0, 0.0)) for i, order in enumerate(orders)
        ]
        found.append([comb.false_alarm_probability for comb in weigh(spectra, [bands], requests, INNOCENT).combs])
    return np.array(found)


@pytest.mark.parametrize("nominal", [0.3, 0.1, 0.05, 0.02, 0.01])
@pytest.mark.parametrize("slips", [False, True])
def test_false_alarms_in_noise_come_as_often_as_stated(chances: np.ndarray, nominal: float, slips: bool) -> None:
    own = chances[:, 1 if slips else 0 :: 2]
    # Twice the nominal rate at most, and the counting error of 300 trials.
    assert np.mean(own <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / own.size)


def test_probabilities_are_not_timid_either(chances: np.ndarray) -> None:
    """A false-alarm probability that never comes near its rate hides damage."""
    assert np.mean(chances <= 0.3) >= 0.15
    assert 0.35 < np.median(chances) < 0.8


def test_a_drive_of_noise_raises_the_alarm_no_more_often_than_its_rate(chances: np.ndarray) -> None:
    assert np.mean(chances.min(axis=1) <= 0.05 / 4) <= 2 * 0.05 + 2 * np.sqrt(0.05 / 150)


@pytest.mark.parametrize(("duration_s", "turns", "trials"), [(2.0, 50, 200), (8.0, 200, 60)])
def test_a_slow_order_in_few_turns_is_no_exception(duration_s: float, turns: int, trials: int) -> None:
    """A cage's harmonics lie so close in a short capture that taking them out must not take the decoys with them."""
    found = []
    for seed in range(trials):
        order = float(np.random.default_rng(seed).uniform(0.36, 0.44))
        request = (CombRequest(name="cage", order=order, slip=SLIP, max_harmonic=8),)
        bands, spectra = enveloped(noise(seed, int(4096 * duration_s)), 4096.0, SPEED)
        assert bands.turns == pytest.approx(turns, rel=0.01)
        found.append(weigh(spectra, [bands], request, INNOCENT).combs[0].false_alarm_probability)
    for nominal in (0.1, 0.01):
        assert np.mean(np.array(found) <= nominal) <= 2 * nominal + 2 * np.sqrt(nominal / trials)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("tone", "order", "modulated"), [("outer", OUTER, 0.0), ("inner", INNER, 0.9), ("ball", 2 * BALL, 0.3)]
)
def test_planted_damage_is_found_where_it_slipped_to_and_the_healthy_twin_is_silent(
    tone: str, order: float, modulated: float, seed: int
) -> None:
    slipped = 0.991 * order
    sound = weighed(noise(seed, N))
    damaged = weighed(noise(seed, N) + impacts(slipped, 1.5, seed=seed, modulated=modulated))
    assert all(comb.false_alarm_probability > ALARM for comb in sound.values())
    found = damaged[tone]
    assert found.false_alarm_probability < 1e-6
    # A damaged ball strikes twice a turn of its own. Two bins of the order axis: 1 / turns each.
    strikes = 2 if tone == "ball" else 1
    assert strikes * found.order == pytest.approx(slipped, abs=2 / (SPEED * DURATION))
    assert found.band_hz[0] < 2970.0 < found.band_hz[1]
    assert found.channels == ("a",)
    assert found.decoys >= 100
    first = found.lines[0].order
    assert first / found.order == pytest.approx(round(first / found.order))
    assert [line.order / first for line in found.lines] == pytest.approx(list(range(1, len(found.lines) + 1)))
    assert max(line.over_floor_db for line in found.lines) > 15


def test_nothing_is_found_outside_the_slip_that_was_allowed() -> None:
    far = weighed(noise(5, N) + impacts(0.96 * OUTER, 1.5))
    assert far["outer"].false_alarm_probability > ALARM
    here = weighed(
        noise(5, N) + impacts(0.96 * OUTER, 1.5),
        (CombRequest(name="outer", order=OUTER, slip=(-0.06, 0.01)), *BEARING[1:]),
    )
    assert here["outer"].order == pytest.approx(0.96 * OUTER, rel=1e-3)


@pytest.mark.parametrize("height", [2.0, 8.0])
@pytest.mark.parametrize("seed", range(3))
def test_what_a_strong_comb_explains_is_not_counted_for_another_race(height: float, seed: int) -> None:
    """Outer and inner race of one bearing: combs whose windows overlap at higher harmonics, and common sidebands."""
    outer = weighed(noise(seed, N) + impacts(0.99 * OUTER, height, seed=seed, modulated=0.2))
    assert outer["outer"].false_alarm_probability < 1e-6
    assert outer["inner"].false_alarm_probability > ALARM
    inner = weighed(noise(seed, N) + impacts(0.992 * INNER, height, seed=seed, modulated=0.9))
    assert inner["inner"].false_alarm_probability < 1e-6
    assert inner["outer"].false_alarm_probability > ALARM


def test_two_damages_are_both_found() -> None:
    row = noise(6, N) + impacts(0.99 * OUTER, 3.0) + impacts(0.993 * INNER, 2.0, seed=2, modulated=0.8)
    found = weighed(row)
    assert found["outer"].false_alarm_probability < 1e-6
    assert found["inner"].false_alarm_probability < ALARM


def test_lines_of_innocents_are_no_comb() -> None:
    """Envelope lines at every harmonic of running speed, as a mesh makes them, lie in the window of an order of 3."""
    time = np.arange(N) / RATE
    breathing = 1 + sum(0.2 / k * np.cos(2 * np.pi * k * SPEED * time) for k in range(1, 13))
    row = noise(7, N) * breathing
    request = (CombRequest(name="near", order=3.002, slip=(-0.004, 0.004)), *BEARING)
    bands, spectra = enveloped(row, RATE, SPEED)
    stated = weigh(spectra, [bands], request, INNOCENT)
    untold = weigh(spectra, [bands], request, Families(benign=()))
    assert stated.combs[0].false_alarm_probability > ALARM
    # Where nobody says whose they are, they pass for the tone's.
    assert untold.combs[0].false_alarm_probability < ALARM


def test_a_tone_that_is_itself_an_innocents_order_is_still_read() -> None:
    """A damaged ring pin shows at running speed, which healthy machines own: its own family is not masked for it."""
    row = noise(8, N) + impacts(1.0, 3.0, slip_sigma=0.0)
    pin = weighed(row, (CombRequest(name="pin", order=1.0), *BEARING))["pin"]
    assert pin.false_alarm_probability < 1e-6
    assert pin.order == 1.0


def test_an_uncertain_speed_widens_the_search_and_pays_for_it() -> None:
    row = noise(9, N) + impacts(4.31 * 1.004, 1.5, slip_sigma=0.0005)
    bands, spectra = enveloped(row, RATE, SPEED)
    request = (CombRequest(name="gear", order=4.31),)
    sure = weigh(spectra, [bands], request, Families(benign=(), speed_spread=0.0)).combs[0]
    unsure = weigh(spectra, [bands], request, Families(benign=(), speed_spread=0.006)).combs[0]
    assert sure.false_alarm_probability > 0.01 > 1e-4 > unsure.false_alarm_probability
    assert unsure.places_searched > sure.places_searched


def test_the_stated_limit_is_what_this_capture_would_have_shown() -> None:
    """Impacts half as high as the limit stay unseen, impacts twice as high are seen (the limit is for 1 in 1000)."""
    limit = float(np.mean([weighed(noise(seed, N))["outer"].limit_m_s2 or 0.0 for seed in range(4)]))
    # What of an impact of height one falls into one band around its resonance.
    kept = (weighed(noise(0, N) + impacts(OUTER, 8.0))["outer"].hit_m_s2 or 0.0) / 8.0
    for factor, seen in ((0.5, 0), (2.0, 4)):
        chances = [
            weighed(noise(seed, N) + impacts(0.995 * OUTER, factor * limit / kept, seed=seed))["outer"]
            for seed in range(4)
        ]
        assert sum(comb.false_alarm_probability < 1e-3 for comb in chances) == seen, factor


def test_the_limit_of_what_is_not_there_does_not_hang_on_rounding() -> None:
    """Which group of bands shows nothing best is decided by the last digit of the samples."""
    moved_db = []
    for seed in range(4):
        row = noise(seed, N)
        shaken = row * (1 + 1e-6 * np.random.default_rng(seed).standard_normal(N))
        for tone, comb in weighed(row).items():
            other = weighed(shaken)[tone].limit_m_s2
            assert comb.limit_m_s2
            assert other
            moved_db.append(abs(20 * np.log10(comb.limit_m_s2 / other)))
    assert max(moved_db) < 0.2


def test_twice_the_impact_reads_twice_as_high() -> None:
    heights = [weighed(noise(3, N) + impacts(OUTER, height))["outer"].hit_m_s2 or 0.0 for height in (4.0, 8.0, 16.0)]
    assert heights[1] / heights[0] == pytest.approx(2.0, rel=0.2)
    assert heights[2] / heights[1] == pytest.approx(2.0, rel=0.2)
    # Never more than there is, nor a small part of it: the band passes most of the ringing.
    assert 0.5 * 8.0 < heights[1] < 8.0


def test_answers_come_in_the_order_of_the_requests() -> None:
    row = noise(4, N) + impacts(0.992 * INNER, 3.0, modulated=0.9)
    bands, spectra = enveloped(row, RATE, SPEED)
    assert [comb.tone for comb in weigh(spectra, [bands], BEARING[::-1], INNOCENT).combs] == [
        "cage",
        "ball",
        "inner",
        "outer",
    ]
    assert weigh(spectra, [bands], (), INNOCENT).combs == ()


def test_an_outside_comb_takes_its_own_sums_with_it() -> None:
    """Impacts at an order that nobody asked for, passing a load once a turn: what they make near other tones is
    theirs."""
    bands, spectra = enveloped(noise(10, N) + impacts(0.955 * OUTER, 4.0, modulated=0.5), RATE, SPEED)
    (comb,), owned = find_outside_combs(spectra, [bands], BEARING, INNOCENT)
    assert comb.order == pytest.approx(0.955 * OUTER, rel=1e-3)
    assert comb.evidence.false_alarm_probability < 1e-6
    for side in (-1, 1):
        assert owned[round((comb.order + side) / spectra.step)]
    stated = weigh(spectra, [bands], BEARING, INNOCENT, known=owned)
    assert all(one.false_alarm_probability > ALARM for one in stated.combs)
    # Nothing strange in noise, nor next to a tone that was asked for.
    for row in (noise(10, N), noise(10, N) + impacts(0.99 * OUTER, 4.0, modulated=0.5)):
        bands, spectra = enveloped(row, RATE, SPEED)
        assert find_outside_combs(spectra, [bands], BEARING, INNOCENT)[0] == ()


def alternating(order: float, height: float, weaker: float, *, slip_sigma: float = 0.001) -> Row:
    """Impacts of which every second one is ``weaker`` times as high."""
    times = repeats(order, SPEED, DURATION, seed=1, slip_sigma=slip_sigma)
    heights = height * np.where(np.arange(times.size) % 2, weaker, 1.0)
    return ringing(times, RATE, N, resonance_hz=2970.0, heights=heights)


@pytest.mark.parametrize(("weaker", "race"), [(1.0, True), (0.8, True), (0.0, False)])
def test_a_race_whose_impacts_alternate_a_little_is_no_machine_at_half_its_order(weaker: float, race: bool) -> None:
    """Its twin at half the order has all lines alike: that is another machine's."""
    bands, spectra = enveloped(noise(15, N) + alternating(0.99 * OUTER, 6.0, weaker), RATE, SPEED)
    found, _ = find_outside_combs(spectra, [bands], BEARING, INNOCENT)
    assert [one.order for one in found] == ([] if race else [pytest.approx(0.99 * OUTER / 2, rel=1e-3)])


@pytest.mark.parametrize(("weaker", "pin"), [(0.9, True), (1.0, False)])
def test_a_pin_that_two_discs_meet_unevenly_is_no_chain_of_twice_its_order(weaker: float, pin: bool) -> None:
    """58 strikes per turn of the slow shaft, all alike, are a driven machine's; of two discs one bears more."""
    turn = 1 / 49
    request = CombRequest(name="pin", order=29 * turn, max_harmonic=32, meetings=2)
    row = noise(16, N) + alternating(58 * turn, 8.0, weaker, slip_sigma=0.0)
    bands, spectra = enveloped(row, RATE, SPEED)
    found, _ = find_outside_combs(spectra, [bands], (request,), INNOCENT, slow_turns=(turn,))
    assert [one.per_turn for one in found] == ([] if pin else [(58, turn)])


def test_a_slow_exact_comb_keeps_the_lines_that_fall_where_a_bearing_may_slip() -> None:
    """Every fourteenth harmonic of a crank's pin lies where the outer race may."""
    order = 0.995 * OUTER / 14
    row = noise(13, N) + impacts(order, 6.0, slip_sigma=0.0)
    stated = weighed(row, (CombRequest(name="pin", order=order, max_harmonic=32), *BEARING))
    assert stated["pin"].false_alarm_probability < 1e-6
    assert stated["outer"].false_alarm_probability > ALARM


def test_a_cage_that_strikes_is_no_rolling_element_nor_another_cage() -> None:
    """Every sixth of its lines lies where the balls may slip to, and another cage may slip to all."""
    other = CombRequest(name="other cage", order=1.011 * CAGE, slip=SLIP, max_harmonic=12)
    row = noise(14, N) + impacts(0.995 * CAGE, 8.0, seed=3, slip_sigma=0.002)
    stated = weighed(row, (other, *BEARING))
    assert stated["cage"].false_alarm_probability < 1e-4
    assert all(stated[name].false_alarm_probability > ALARM for name in ("other cage", "outer", "inner"))
    assert stated["cage"].score > stated["ball"].score


def test_a_rolling_element_that_strikes_is_no_cage_though_its_order_is_six_times_that_of_one() -> None:
    """The healthy twin: nothing stands between its lines."""
    cage = CombRequest(name="other cage", order=BALL / 6, slip=SLIP, max_harmonic=8)
    stated = weighed(noise(14, N) + impacts(0.995 * BALL, 8.0, seed=3, slip_sigma=0.001), (cage, *BEARING))
    assert stated["ball"].false_alarm_probability < 1e-4
    assert stated["other cage"].false_alarm_probability > ALARM


def test_lines_beyond_those_that_show_a_comb_best_are_reported_too_and_a_twin_of_noise_has_none() -> None:
    struck = weighed(noise(14, N) + impacts(0.995 * CAGE, 8.0, seed=3, slip_sigma=0.001))["cage"]
    levels = [line.over_floor_db for line in (*struck.lines, *struck.further)]
    assert len(levels) == 8
    assert min(levels) > 10.0
    silent = weighed(noise(14, N))["cage"]
    assert max(line.over_floor_db for line in silent.further) < 10.0


@pytest.mark.parametrize("swell", [0.15, 0.3])
def test_a_swell_at_a_cages_turn_leaves_a_race_its_lines(swell: float) -> None:
    """Noise that swells for a third of the cage's turn has a cage's first lines; the ninth and every further ninth is
    the outer race's, which strikes faintly or not at all."""
    turns = 0.995 * CAGE * SPEED * np.arange(N) / RATE
    swells = noise(21, N) * (1 + swell * (turns % 1 < 1 / 3))
    struck = weighed(swells + impacts(9 * 0.995 * CAGE, 0.8, slip_sigma=0.001))
    assert struck["cage"].score > struck["outer"].score
    assert struck["outer"].false_alarm_probability < 0.02 * ALARM
    assert weighed(swells)["outer"].false_alarm_probability > ALARM


@pytest.mark.parametrize(("off", "seen"), [(-0.01, True), (-0.04, False)])
def test_a_slow_comb_that_all_its_lines_put_beyond_the_slip_is_not_the_tones(off: float, seen: bool) -> None:
    """At a fifth of the shaft a bin is wider than the slip: the first line alone would not tell."""
    slow = CombRequest(name="slow", order=0.2, slip=(-0.02, 0.01))
    row = noise(12, N) + impacts(0.2 * (1 + off), 6.0, slip_sigma=0.001)
    assert (weighed(row, (slow,))["slow"].false_alarm_probability < ALARM) is seen


@pytest.mark.parametrize("order", [3.5612, 3.5731, 3.5893])
def test_all_lines_together_tell_an_order_far_closer_than_one_bin(order: float) -> None:
    """Impacts that repeat exactly, a bin being 1/150 order: the k-th line tells the order k times as closely."""
    comb = weighed(impacts(order, 6.0, slip_sigma=0.0) + noise(3, N, 0.3))["outer"]
    assert comb.place == pytest.approx(order, abs=0.05 / 150)
    assert comb.place is not None
    assert comb.place_error is not None
    assert abs(comb.place / order - 1) < 4 * comb.place_error < 4e-4


def test_random_slip_makes_a_place_less_sure() -> None:
    exact, loose = (weighed(impacts(OUTER, 6.0, slip_sigma=s) + noise(3, N, 0.3))["outer"] for s in (0.0, 0.01))
    assert exact.place_error is not None
    assert loose.place_error is not None
    assert loose.place_error > 1.2 * exact.place_error


def test_without_a_line_there_is_no_place_and_one_line_alone_is_worth_half_a_bin() -> None:
    _, spectra = enveloped(noise(5, N), RATE, SPEED)
    flat = replace(spectra, power=np.ones_like(spectra.power))
    reading = CombReading(
        request=BEARING[0], carrier=1, order=OUTER, score=0.0, group=0, harmonics=8, sidebands=(), places=1
    )
    assert placed(flat, reading) == (None, None)
    flat.power[0, round(OUTER / spectra.step)] = 100.0
    place, error = placed(flat, reading)
    assert place == pytest.approx(OUTER, abs=spectra.step)
    assert error == pytest.approx(LONE_ERROR_BINS * spectra.step / OUTER, rel=0.01)
    # A line that lies off all others is somebody else's.
    for harmonic in (2, 3, 4):
        flat.power[0, harmonic * round(OUTER / spectra.step)] = 100.0
    alone, _ = placed(flat, reading)
    flat.power[0, 5 * round(OUTER / spectra.step) + 3] = 1e4
    disturbed, _ = placed(flat, reading)
    assert disturbed == pytest.approx(alone, abs=1e-9)


PIN = CombRequest(name="slow pin", order=1 / 17, max_harmonic=32, meetings=2)
FAST = (
    CombRequest(name="fast lobe", order=18 / 17, max_harmonic=32),
    CombRequest(name="element", order=2.391, slip=SLIP, sidebands=(0.6414,), carriers=(1, 2)),
)


def of_two_discs(height: float, second: float) -> Row:
    """Impacts of a slow pin that two discs meet by turns, the ``second`` not so hard, in 300 turns of noise."""
    seconds = 12.0
    times = np.arange(0.01, seconds, 17 / 2 / SPEED)
    heights = np.where(np.arange(times.size) % 2, second, 1.0) * height
    n = int(RATE * seconds)
    return noise(3, n) + ringing(times, RATE, n, resonance_hz=2970.0, heights=heights, q=8)


@pytest.mark.parametrize("height", [30.0, 300.0])
def test_a_slow_comb_of_certain_lines_is_surely_there_and_goes_before_what_it_passes_for(height: float) -> None:
    """Its harmonics lie 18 bins apart; the 18th passes for a lobe, the 41st for an element, and many a decoy lies at a
    simple fraction of it."""
    combs = weighed(of_two_discs(height, 0.6), (PIN, *FAST))
    assert combs["slow pin"].false_alarm_probability < 1e-4
    assert combs["element"].false_alarm_probability > 1e-2
    assert combs["slow pin"].score > 2 * max(combs[name].score for name in ("fast lobe", "element"))


def test_its_twin_without_impacts_is_chance() -> None:
    combs = weighed(of_two_discs(0.0, 0.6), (PIN, *FAST))
    assert all(comb.false_alarm_probability > 1e-3 for comb in combs.values())


@pytest.mark.parametrize(("times", "shared"), [(22, True), (24, False)])
def test_what_all_meetings_of_a_pin_make_alike_may_be_the_pin_or_a_machine(times: int, shared: bool) -> None:
    """22 strikes per turn of the slow shaft are both meetings of a pin that repeats 11 times: it keeps its lines; the
    twin strikes 24 times."""
    turn = 1 / 187
    seconds = 12.0
    n = int(RATE * seconds)
    instants = np.arange(0.01, seconds, 1 / (times * turn * SPEED))
    row = noise(3, n) + ringing(instants, RATE, n, resonance_hz=2970.0, heights=20.0, q=8)
    bands, spectra = enveloped(row, RATE, SPEED)
    found, taken = find_outside_combs(spectra, [bands], (PIN, *FAST), INNOCENT, (turn,))
    assert [one.ambiguous for one in found] == [shared]
    families = replace(INNOCENT, ambiguous=tuple((one.order, 200) for one in found if one.ambiguous))
    combs = {one.tone: one for one in weigh(spectra, [bands], (PIN, *FAST), families, known=taken).combs}
    assert (combs["slow pin"].false_alarm_probability < ALARM) is shared


def test_the_mean_of_several_lines_of_noise_stays_below_what_counts_as_lines() -> None:
    """Once in a million it does not: of 40,000 sets none may."""
    _, spectra = enveloped(noise(9, 20 * N), RATE, SPEED)
    power = spectra.power[0]
    tops = np.maximum(np.maximum(power[:-2], power[1:-1]), power[2:])[5::5]
    for count in (4, 8, 12):
        sets = np.log10(np.maximum(tops[: tops.size // count * count], 1.0)).reshape(-1, count)
        assert float(10 * sets.mean(axis=1).max()) < lines_level_db(count) < 9.1
    assert lines_level_db(12) < lines_level_db(8) < lines_level_db(4)


@pytest.mark.parametrize(("part", "odd_db", "slow"), [
    (True, (7.4, 9.6), True), (False, (7.4, 9.6), False), (True, (1.0, 1.5, 2.0, 25.0), False),
])  # fmt: skip
def test_faint_lines_that_are_alike_show_a_parts_slow_order_and_a_few_strong_ones_do_not(
    part: bool, odd_db: tuple[float, ...], slow: bool
) -> None:
    """A cage whose every second line is met first: no line between stands clear of noise by itself."""
    step, power = 0.004, np.ones(3000, dtype=np.float32)
    for harmonic in range(1, 25):
        level = 10.5 if harmonic % 2 == 0 else odd_db[(harmonic // 2) % len(odd_db)]
        power[harmonic * 100] = 10 ** (level / 10)
    nothing = np.zeros(power.size, dtype=bool)
    found = fundamental(
        power, step, 0.8, nothing, 0.05, lambda fast, low: 8.0, lambda fast, low: nothing, (), lambda low: part
    )
    assert found == pytest.approx(0.4 if slow else 0.8, rel=1e-3)


@pytest.mark.parametrize(
    ("higher_db", "owned", "first"), [(18.0, False, "race"), (9.0, False, "ball"), (18.0, True, "ball")]
)
def test_of_combs_that_score_alike_the_one_that_stands_far_higher_goes_first(
    higher_db: float, owned: bool, first: str
) -> None:
    """Far side lines of a race fill the comb of an element; where others own its first lines nothing is compared."""
    _, spectra = enveloped(noise(5, N), RATE, SPEED)
    flat = replace(spectra, power=np.ones_like(spectra.power))
    race, ball = CombRequest(name="race", order=5.4, slip=SLIP), CombRequest(name="ball", order=4.1, slip=SLIP)
    explained = np.zeros(flat.power.shape[1], dtype=bool)
    for request, level_db in ((race, 12.0 + higher_db), (ball, 12.0)):
        for harmonic in range(1, 5):
            middle = harmonic * round(request.order / flat.step)
            flat.power[0, middle] = 10 ** (level_db / 10)
            if owned and request is ball:
                explained[middle - 5 : middle + 6] = True
    readings = [
        CombReading(
            request=request, carrier=1, order=round(request.order / flat.step) * flat.step, score=score, group=0,
            harmonics=5, sidebands=(), places=1,
        )
        for request, score in ((race, 90.0), (ball, 100.0))
    ]  # fmt: skip
    null = DecoyNull(CombScorer(flat), (race, ball), INNOCENT, explained)
    assert _above_its_sides(readings, readings[1], null).request.name == first


def test_a_scorer_that_others_use_too_says_the_same() -> None:
    """What it softened for one search is what the next one would have softened itself."""
    bands, spectra = enveloped(noise(10, N) + impacts(0.955 * OUTER, 4.0, modulated=0.5), RATE, SPEED)
    scorer = CombScorer(spectra)
    for _ in range(2):
        found, owned = find_outside_combs(spectra, [bands], BEARING, INNOCENT, scorer=scorer)
        own, also = find_outside_combs(spectra, [bands], BEARING, INNOCENT)
        assert (found, len(found)) == (own, 1)
        np.testing.assert_array_equal(owned, also)
        shared = weigh(spectra, [bands], BEARING, INNOCENT, known=owned, scorer=scorer)
        assert shared.combs == weigh(spectra, [bands], BEARING, INNOCENT, known=owned).combs


@pytest.mark.parametrize(("others", "given_back"), [(0.2, "nothing"), (0.85, "the others' lines")])
def test_decoys_get_lines_of_others_back_before_those_of_the_comb_itself(others: float, given_back: str) -> None:
    """Forty turns of a move: where the others own nearly all of the axis, decoys would hold the comb's own side lines
    and look as strong as it."""
    rng = np.random.default_rng(3)
    some = spectra(rng.exponential(size=(1, 1100)).astype(np.float32))
    object.__setattr__(some, "step", 0.025)
    object.__setattr__(some, "top_order", 27.5)
    race = CombRequest(name="race", order=1.9, slip=(-0.02, 0.01), sidebands=(0.33,))
    reading = CombReading(request=race, carrier=1, order=1.9, score=60.0, group=0, harmonics=12, sidebands=(), places=8)
    whole = DecoyNull(CombScorer(some), [race], Families(benign=()), np.zeros(1100, dtype=bool))
    own, explained = lines_mask(some, reading), np.zeros(1100, dtype=bool)
    explained[: int(others * 1100)] = True
    chosen = _null(whole, reading, own, explained)
    assert chosen.decoys(reading).size >= FEW_DECOYS
    assert np.array_equal(chosen.explained, own if given_back != "nothing" else own | explained)
