"""Numbers by which steps of a diagnosis ask, believe and warn, each met from both sides."""

from __future__ import annotations

from dataclasses import make_dataclass, replace
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.diagnosis.conftest import DRIVE
from tests.diagnosis.diagnosis_values import comb
from vibe.core.drive import Drive
from vibe.core.errors import CallError
from vibe.core.evidence import SpeedEstimate
from vibe.core.health import Health, LevelReport, SpeedReport
from vibe.core.tones import Tone, ToneTable
from vibe.flow.alarms.queue import _of_time, odd_clock
from vibe.flow.diagnose import presence as gates
from vibe.flow.diagnose import recognition, settled_speed
from vibe.flow.diagnose.drive_diagnosis import _blind, _in_ten_digits
from vibe.flow.diagnose.motion import moves_in
from vibe.flow.diagnose.presence import Gate
from vibe.flow.diagnose.speed_orders import speed_orders
from vibe.flow.diagnose.tone_requests import analysis_request_of, owners_of
from vibe.flow.history import level_changes
from vibe.flow.identify import identification
from vibe.flow.route import running
from vibe.kinematics.tone_table import tone_table
from vibe.spectra.attribution.line_attribution import NOBODY, claimed
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.evidence.comb import owned
from vibe.spectra.presence.axes import AUDIBLE, Axis
from vibe.spectra.presence.presence import Presence
from vibe.spectra.speed.motion_intervals import Motion, Move

ONE = Drive.model_validate(DRIVE)
TABLE = tone_table(ONE)
STEP = 0.005


def benign_at(order: float, table: ToneTable = TABLE) -> bool:
    """Whether the drive's innocent parts own the line at an order."""
    request = analysis_request_of(ONE, table, set(), noted_hz=None)
    return bool(owned(request.benign, STEP, 30_000)[round(order / STEP)])


def alone(tone: str, **changed: Any) -> ToneTable:
    return replace(TABLE, tones=(replace(TABLE.tone(tone), **changed),))


@pytest.mark.parametrize(("lines", "own"), [(50, True), (70, False)])
def test_the_input_may_make_sixty_lines_in_the_envelope(lines: int, own: bool) -> None:
    assert benign_at(lines, alone("stage1.output", order=1e-9)) is own


@pytest.mark.parametrize(("lines", "own"), [(35, True), (46, False)])
def test_parts_that_mesh_make_forty(lines: int, own: bool) -> None:
    assert benign_at(2.63 * lines, alone("stage1.mesh", order=2.63)) is own


@pytest.mark.parametrize(
    ("order", "lines", "own"), [(0.063, 11, True), (0.063, 17, False), (0.863, 17, False), (0.963, 17, True)]
)
def test_a_slow_shaft_makes_a_dozen_lines_and_is_slow_below_nine_tenths(order: float, lines: int, own: bool) -> None:
    assert benign_at(order * lines, alone("stage1.output", order=order)) is own


@pytest.mark.parametrize(("slip_hz", "apart"), [(0.014, False), (0.028, True)])
def test_a_pole_pass_lies_apart_from_twice_the_line_where_a_capture_of_a_minute_resolves_it(
    slip_hz: float, apart: bool
) -> None:
    """Four poles: at 0.02 Hz of slip twelve minutes to an hour apart."""
    drive = ONE.model_copy(update={"input": ONE.input.model_copy(update={"speed_rpm": 60 * (25 - slip_hz)})})
    names = [name for name, *_ in analysis_request_of(drive, TABLE, set(), noted_hz=None).lines_hz]
    assert ("twice line + pole pass" in names) is apart


def claims(name: str) -> list[float]:
    """Orders that an owner claims."""
    (owner,) = [one for one in owners_of(ONE, TABLE) if one.name == name]
    found = claimed([owner], size=40_000, bin_hz=STEP, input_hz=1.0, spread=0.0, drift=0.0)
    return (np.flatnonzero(found != NOBODY) * STEP).tolist()


@pytest.mark.parametrize(
    ("name", "order", "most"),
    [("shaft", 1.0, 10), ("stage1.mesh", 18.0, 5), ("stage1.output_pin_pass", 8 * 18 / 17, 6)],
)
def test_a_shaft_has_ten_lines_a_mesh_five_and_what_takes_the_load_in_turn_six(
    name: str, order: float, most: int
) -> None:
    lines = np.array(claims(name))
    stand = [k for k in range(1, 24) if lines.size and np.abs(lines - k * order).min() < STEP]
    assert max(stand) == most
    assert len(stand) == most


def test_the_speed_is_found_by_two_dozen_lines_of_a_drive_of_several_stages() -> None:
    """The lowest; there are far more."""
    tones = tuple(replace(TABLE.tone("stage1.mesh"), id=f"stage{k}.mesh", order=3.37 + k) for k in range(2, 30))
    assert len(speed_orders(ONE, replace(TABLE, tones=tones))) == 24


SPEED = SpeedEstimate(input_hz=24.37, uncertainty_hz=1e-3, method="signal")


def reading(turns: float = 400.0, **more: Any) -> Any:
    usual: dict[str, Any] = {
        "speed": SPEED, "law": AngleLaw.steady(24.37, turns / 24.37), "looks": (), "outside_combs": (), "lines": (),
        "samples": {}, "spectra": (), "combs": (),
    }  # fmt: skip
    return SimpleNamespace(**(usual | more))


def gate(
    monkeypatch: pytest.MonkeyPatch,
    *,
    log_odds: float,
    damaged: float,
    turns: float = 400.0,
    gap_s: float = 0.0,
    by_part: tuple[float, float, float] = (0.0, 0.0, 0.0),
    left: Presence | None = None,
) -> Gate:
    """What is made of a drive whose lines have these odds, with a damaged part of its own so sure; ``left``: what is
    left of it without the lines of a drive of another ratio."""
    from vibe.spectra.presence import gaps, presence
    from vibe.spectra.rivals import rival_drives

    found = Presence(log_odds=log_odds, own=log_odds, better=None, by_part=by_part)
    rivals = [] if left is None else [rival_drives.Rival(count=30, difference=1, speed=1.0, log_odds=5.0)]
    monkeypatch.setattr(presence, "presence", lambda *_, rival=(), **__: left if rival else found)
    monkeypatch.setattr(rival_drives, "rivals", lambda *_: rivals)
    monkeypatch.setattr(gaps, "gap_s", lambda *_: gap_s)
    part: Any = SimpleNamespace(component="stage1.lobe", damage_probability=damaged, tone=None, seen_in=())
    axis = Axis(rows=((np.ones(8000), STEP),), audible=AUDIBLE)
    return gates.gate(reading(turns), axis, ONE, TABLE, [part])


@pytest.mark.parametrize(("gap_s", "stopped"), [(0.8, False), (1.2, True)])
def test_a_drive_whose_lines_are_missing_for_a_second_has_stopped(
    monkeypatch: pytest.MonkeyPatch, gap_s: float, stopped: bool
) -> None:
    assert (gate(monkeypatch, log_odds=9.0, damaged=0.0, gap_s=gap_s).reason is not None) is stopped


@pytest.mark.parametrize(("damaged", "proof"), [(0.88, False), (0.92, True)])
def test_damage_that_is_sure_to_nine_tenths_proves_that_the_drive_was_measured(
    monkeypatch: pytest.MonkeyPatch, damaged: float, proof: bool
) -> None:
    assert (gate(monkeypatch, log_odds=-2.0, damaged=damaged).reason is None) is proof


@pytest.mark.parametrize(("log_odds", "proof"), [(-4.0, True), (-5.5, False)])
def test_but_not_against_lines_that_say_so_in_ninety_nine_of_a_hundred(
    monkeypatch: pytest.MonkeyPatch, log_odds: float, proof: bool
) -> None:
    assert bool(1 / (1 + np.exp(log_odds)) < 0.99) is proof
    assert (gate(monkeypatch, log_odds=log_odds, damaged=0.95).reason is None) is proof


@pytest.mark.parametrize(("turns", "verdict"), [(85.0, "limited"), (115.0, "rejected")])
def test_silence_of_less_than_a_hundred_turns_may_be_the_shortness_of_the_capture(
    monkeypatch: pytest.MonkeyPatch, turns: float, verdict: str
) -> None:
    reason = gate(monkeypatch, log_odds=-2.0, damaged=0.5, turns=turns).reason
    assert reason is not None
    assert reason.verdict == verdict


@pytest.mark.parametrize(
    ("odds", "damaged", "detected"),
    [(0.3, 0.5, True), (0.4, 0.5, False), (0.4, 0.95, True), (90.0, 0.95, True), (200.0, 0.95, False)],
)
def test_twice_the_speed_needs_odds_of_one_in_three_and_next_to_damage_of_a_hundred(
    monkeypatch: pytest.MonkeyPatch, odds: float, damaged: float, detected: bool
) -> None:
    from vibe.spectra.rivals import speed_multiples

    monkeypatch.setattr(speed_multiples, "odds_of_multiples", lambda *_: odds)
    found = gate(monkeypatch, log_odds=9.0, damaged=damaged)
    assert (found.reason is None) is detected
    assert found.reason is None or "multiple of 1462 r/min" in found.reason.text


@pytest.mark.parametrize(("turns", "able"), [(24.0, False), (26.0, True)])
def test_a_cage_repeats_ten_times_in_25_turns(turns: float, able: bool) -> None:
    samples = {"housing": (np.zeros(round(turns / 24.37 * 8192), dtype=np.float32), 8192.0)}
    (tone, *_) = [tone.id for tone in TABLE.tones if tone.damage]
    capture: Any = SimpleNamespace(
        combs={tone: None}, visibility=[SimpleNamespace(seen=True, tone=tone)], reading=reading(samples=samples)
    )
    assert (_blind([capture], TABLE) == "") is able


RACE, INNER = "bearing.input bearing.outer_race", "bearing.input bearing.inner_race"


def own_lines(**combs: Any) -> dict[str, Any]:
    spectrum = SimpleNamespace(bin_hz=STEP * 24.37, power=np.ones(60_000))
    family = gates.families_of(ONE, TABLE)[0]
    named = {one.tone: one for one in combs.values()}
    return {one.what: one for one in gates._own_lines(reading(spectra=[spectrum]), ONE, TABLE, named, family)}


@pytest.mark.parametrize(("chance", "listed"), [(7e-4, True), (1.4e-3, False)])
def test_impacts_that_are_evident_may_stand_in_the_spectrum_too(chance: float, listed: bool) -> None:
    """Of thirty parts one is seldom so clear by chance; each line as wide as slip spreads it, one in a thousand."""
    lines = own_lines(race=comb(RACE, 3.6, chance))
    assert (RACE in lines) is listed
    if listed:
        assert lines[RACE].spread[1] / lines[RACE].orders[1] == pytest.approx(1e-3)


@pytest.mark.parametrize(("bins", "listed"), [(7, False), (9, True)])
def test_impacts_that_repeat_so_slowly_that_half_of_all_bins_were_theirs_are_left_out(bins: int, listed: bool) -> None:
    """Two either side of each line."""
    assert (RACE in own_lines(race=comb(RACE, bins * STEP, 1e-6))) is listed


def test_lines_are_listed_up_to_one_mesh_more_than_is_looked_for_and_forty_of_the_mains() -> None:
    lines = own_lines()
    highest = max(max(one.orders) for what, one in lines.items() if what != "mains")
    assert 6.9 < highest / 18 <= 7.0
    assert len(own_lines()["mains"].orders) == 40


@pytest.mark.parametrize("told", [False, True])
def test_half_an_elements_order_is_its_own_only_where_a_table_may_count_its_strikes(told: bool) -> None:
    """Two per spin; where geometry or other orders of the table tell its spin, nothing repeats so slowly."""
    orders = {"rolling_element": 4.7, **({"outer_race": 3.58, "inner_race": 5.42} if told else {})}
    bearing = {"name": "input bearing", "inner": "input", "outer": "housing", "orders": orders}
    drive = Drive.model_validate({**DRIVE, "bearing": [bearing]})
    table = tone_table(drive)
    element = table.tone("bearing.input bearing.rolling_element")
    request = analysis_request_of(drive, table, {element.id}, noted_hz=None)
    (asked,) = request.combs
    assert any(order == pytest.approx(asked.order / 2) for order, _ in asked.slower) is not told


@pytest.mark.parametrize(("turn", "asked"), [(0.42, False), (0.58, True)])
def test_a_turn_that_is_slower_than_half_the_input_is_not_read_from_side_lines(
    monkeypatch: pytest.MonkeyPatch, turn: float, asked: bool
) -> None:
    from vibe.spectra.evidence import modulating_turn

    monkeypatch.setattr(modulating_turn, "modulating_turn", lambda *_: SimpleNamespace(order=turn, error=1e-4))
    tone: Tone = TABLE.tone(INNER)
    slower = replace(tone, sidebands=tuple(replace(side, order=turn) for side in tone.sidebands))
    table: Any = SimpleNamespace(tones=[slower])
    finding: Any = SimpleNamespace(component=INNER, tone=INNER, seen_in=[])
    some = reading(looks=(SimpleNamespace(slow=False, bands=()),))
    found = gates.with_turns(some, table, {INNER: comb(INNER, 5.4, 1e-6)}, [finding])
    assert (found[INNER].carried_at is not None) is asked


@pytest.mark.parametrize(("samples", "asked"), [(3900, False), (4300, True)])
def test_a_drive_is_known_by_four_thousand_samples(monkeypatch: pytest.MonkeyPatch, samples: int, asked: bool) -> None:
    from vibe.spectra.identity import recognition as lines

    monkeypatch.setattr(lines, "recognise", lambda *_, **__: "asked")
    channel: Any = SimpleNamespace(samples=np.zeros(samples), sample_rate_hz=25_600.0)
    capture: Any = SimpleNamespace(tachometer=None)
    assert (recognition.recognised(capture, [channel], {}, "A") is not None) is asked


def settled(monkeypatch: pytest.MonkeyPatch, probability: float, others: int = 1) -> Any:
    reason: Any = "not detected"
    there = Gate(probability=probability, reason=None)
    nothing = Gate(probability=0.0, reason=reason)
    monkeypatch.setattr(settled_speed, "_gate", lambda one, *_: there if one.speed.input_hz == 24.5 else nothing)
    rest = tuple((24.5 + 0.1 * k, 0.5 / others) for k in range(others))
    speed = replace(SPEED, input_hz=24.0, alternatives=((24.0, 0.5), *rest))

    made = make_dataclass("made", ["speed"], frozen=True)
    first: Any = made(speed)
    return settled_speed.at_own_speed(first, lambda hz: made(replace(SPEED, input_hz=hz)), ONE, TABLE).speed


@pytest.mark.parametrize(
    ("probability", "others", "taken"), [(0.985, 1, False), (0.992, 1, True), (0.992, 2, False), (0.996, 2, True)]
)
def test_another_speed_is_taken_where_the_drive_is_there_in_all_but_one_of_a_hundred_shared_out_among_all_tried(
    monkeypatch: pytest.MonkeyPatch, probability: float, others: int, taken: bool
) -> None:
    assert (settled(monkeypatch, probability, others).input_hz == 24.5) is taken


def test_a_speed_at_which_nothing_of_the_drive_stands_keeps_one_chance_in_ten_thousand(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    alternatives = dict(settled(monkeypatch, 1.0).alternatives)
    assert alternatives[24.0] / alternatives[24.5] == pytest.approx(1e-4)


@pytest.mark.parametrize(("turns", "followed"), [(10.0, False), (14.0, True)])
def test_a_move_of_a_dozen_turns_shows_tones(turns: float, followed: bool) -> None:
    """A line an order off is a dozen bins away, half of them the foot of a Hann window."""
    law = AngleLaw(time_s=np.linspace(0.0, 1.0, 9), turns=turns * np.linspace(0.0, 1.0, 9))
    move = Move(law=law, start_s=0.0, per_rev=64.0, forwards=True)
    assert bool(moves_in(Motion(moves=(move,), signed=True, duration_s=9.0))) is followed


NOW = datetime(2026, 3, 1, tzinfo=UTC)


@pytest.mark.parametrize(("years", "odd"), [(2.7, False), (3.3, True)])
def test_a_capture_three_years_before_all_others_shows_a_clock_that_was_not_set(years: float, odd: bool) -> None:
    times = [NOW - timedelta(days=365.25 * years), NOW, NOW + timedelta(days=30)]
    look: Any = SimpleNamespace(tag="P-1", captures=[SimpleNamespace(at=at) for at in times])
    assert bool(odd_clock(look)) is odd


@pytest.mark.parametrize(("days", "said"), [(40, False), (50, True)])
def test_a_look_a_fortnight_beyond_a_monthly_round_says_so(days: int, said: bool) -> None:
    store: Any = SimpleNamespace(ahead=lambda: (0, ()))
    drive: Any = SimpleNamespace(last=NOW - timedelta(days=days))
    assert bool(_of_time(store, [drive], NOW, 0)) is said


@pytest.mark.parametrize(
    ("load", "speed", "moved"),
    [
        (57.0, 24.0, []),
        (63.0, 24.0, ["load"]),
        (50.0, 24.3, []),
        (50.0, 24.7, ["speed"]),
        (37.0, 23.3, ["load", "speed"]),
    ],
)
def test_a_move_of_ten_points_of_load_or_two_per_cent_of_speed_is_mentioned(
    load: float, speed: float, moved: list[str]
) -> None:
    seen: Any = {
        "a": SimpleNamespace(load_percent=50.0, speed_hz=24.0),
        "b": SimpleNamespace(load_percent=load, speed_hz=speed),
    }
    looked: Any = SimpleNamespace(compared=SimpleNamespace(dependence=None))
    before, now = [SimpleNamespace(content="a")], [SimpleNamespace(content="b")]
    found = level_changes._shifts(looked, before, now, seen)  # type: ignore[arg-type]
    assert [one.what for one in found] == moved


def test_the_latest_three_captures_are_now() -> None:
    points = [SimpleNamespace(content=str(k), time_s=float(k)) for k in range(9)]
    view: Any = SimpleNamespace(baseline=SimpleNamespace(first_s=0.0, last_s=3.0), comparable=points)
    before, now = level_changes._sides(view, {str(k): 1 for k in range(9)})
    assert [at.content for at in before] == ["0", "1", "2", "3"]
    assert [at.content for at in now] == ["6", "7", "8"]


@pytest.mark.parametrize(("factor", "distinguished"), [(2.8, True), (3.2, False)])
def test_in_a_range_wider_than_three_a_shaft_and_its_double_are_not_distinguished(
    factor: float, distinguished: bool
) -> None:
    if distinguished:
        identification.check_call((500.0, 500.0 * factor), (1,))
    else:
        with pytest.raises(CallError, match="factor of 3"):
            identification.check_call((500.0, 500.0 * factor), (1,))


@pytest.mark.parametrize(("log_odds", "stands"), [(1.5, False), (2.6, True)])
def test_a_mesh_stands_out_at_odds_of_seven(log_odds: float, stands: bool) -> None:
    """exp(2)."""
    found: Any = SimpleNamespace(weighed=[SimpleNamespace(kind=0, mesh=log_odds)], top_order=200.0)
    kinds: Any = [SimpleNamespace(ring_pins=30)]
    assert ("stands out at" in identification._mesh(found, kinds)) is stands


@pytest.mark.parametrize(("apart", "same"), [(7e-4, True), (1.5e-3, False)])
def test_speeds_within_a_thousandth_are_one_answer(apart: float, same: bool) -> None:
    weighed = [
        SimpleNamespace(probability=0.6, speed_hz=24.0), SimpleNamespace(probability=0.35, speed_hz=24.0 * (1 + apart)),
    ]  # fmt: skip
    found: Any = SimpleNamespace(speed=replace(SPEED, input_hz=24.0), weighed=weighed)
    assert (identification._speed(found).value is not None) is same


def not_running(
    monkeypatch: pytest.MonkeyPatch, *, mesh: float = 10.0, level: float = 1.0, verdict: str = "fits"
) -> str | None:
    from vibe.spectra.speed import standstill

    monkeypatch.setattr(standstill, "loudest", lambda rows: level)
    monkeypatch.setattr(running, "_beginning", lambda capture, fit, drive: capture)
    monkeypatch.setattr(running, "diagnose_samples", lambda *_: SimpleNamespace(not_detected=None))
    speed = replace(SPEED, input_hz=30.0)
    found: Any = SimpleNamespace(verdict=verdict, inside=SimpleNamespace(mesh=mesh, sure=True), speed=speed)
    capture: Any = SimpleNamespace(tachometer=None)
    channel: Any = SimpleNamespace(samples=np.zeros(10))
    settings: Any = None
    reason = running.not_running(capture, [channel], ONE, TABLE, found, settings, {})
    return None if reason is None else reason.code


@pytest.mark.parametrize(("mesh", "plain"), [(41.0, False), (49.0, True)])
def test_lines_beyond_what_any_capture_of_something_else_reached_show_that_a_drive_runs(
    monkeypatch: pytest.MonkeyPatch, mesh: float, plain: bool
) -> None:
    """Of 27 that show nothing of the drive the most came to 40."""
    assert (not_running(monkeypatch, mesh=mesh, level=0.01) is None) is plain


@pytest.mark.parametrize(
    ("level", "verdict", "rests"),
    [(0.04, "fits", True), (0.06, "fits", False), (0.25, "other speed", True), (0.35, "other speed", False)],
)
def test_a_level_of_a_sensors_noise_or_at_a_speed_outside_the_range_of_no_running_machine_is_one_at_rest(
    monkeypatch: pytest.MonkeyPatch, level: float, verdict: str, rests: bool
) -> None:
    assert (not_running(monkeypatch, level=level, verdict=verdict) is not None) is rests


def test_of_a_store_three_times_as_many_captures_are_looked_at_as_are_compared() -> None:
    """Since speeds and loads differ."""
    from vibe.flow.diagnose.earlier_diagnoses import kept_files

    kept = [SimpleNamespace(kept="accepted", waveform="whole", content=k) for k in range(200)]
    store: Any = SimpleNamespace(
        events=lambda tag: [], captures=lambda tag, since: kept, path_of=lambda content: content
    )
    settings: Any = SimpleNamespace(diagnosis=SimpleNamespace(past=SimpleNamespace(most=20)))
    assert kept_files(store, "P-1", settings) == list(range(140, 200))


def test_combs_that_chance_makes_once_in_twenty_are_weighed_again_next_to_planted_ones(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    from vibe.flow.diagnose import added_impacts, tone_requests
    from vibe.spectra import analysis, segment

    class AskedError(Exception):
        pass

    def analysis_of(bands: object, request: object, *, asked: set[str]) -> None:
        raise AskedError(sorted(asked))

    monkeypatch.setattr(segment, "bands_again", lambda *_: None)
    monkeypatch.setattr(analysis, "analysis_of", analysis_of)
    monkeypatch.setattr(tone_requests, "by_tone", lambda *_: {})
    combs = [comb("sure", 3.0, 1e-6), comb("plausible", 4.0, 0.04), comb("chance", 5.0, 0.065)]
    plain: Any = SimpleNamespace(reading=SimpleNamespace(combs=combs, samples={}))
    look: Any = SimpleNamespace(plain=plain, request="asked", alike=())
    capture: Any = SimpleNamespace(vibration=())
    settings: Any = None
    with pytest.raises(AskedError, match=r"\['plausible', 'sure'\]"):
        added_impacts.findings_with(capture, look, "pin", ONE, TABLE, settings)


def test_numbers_of_a_report_have_ten_digits() -> None:
    """Behind them stand the processor and the library that adds."""
    level = LevelReport(point="housing", measure="velocity_rms", value=1 / 3, unit="mm/s", band_hz=[10.0, 2e3 / 3])
    health = Health(
        drive="A-1", state="sound", state_rule="r", sentence="s", do_by="d", captures=[],
        speed=SpeedReport(input_hz=200 / 3, uncertainty_hz=None, method="signal"), findings=[], levels=[level],
        not_observable=[], cautions=[], software="vibe",
    )  # fmt: skip
    stated = _in_ten_digits(health)
    assert (stated.levels[0].value, stated.levels[0].band_hz) == (0.3333333333, [10.0, 666.6666667])
    assert (stated.speed.input_hz, stated.speed.uncertainty_hz) == (66.66666667, None)
    moved = health.model_copy(update={"levels": [level.model_copy(update={"value": 1 / 3 + 1e-15})]})
    assert moved != health
    assert _in_ten_digits(moved) == stated


@pytest.mark.parametrize(("read", "told"), [(1.0004, False), (1.0009, True), (1.0084, True)])
def test_what_grows_and_fades_with_the_input_says_nothing_of_a_disc_that_turns_by_more(
    monkeypatch: pytest.MonkeyPatch, read: float, told: bool
) -> None:
    """Three standard errors; a part that the input itself carries is told by its turn."""
    from vibe.spectra.evidence import modulating_turn

    monkeypatch.setattr(modulating_turn, "modulating_turn", lambda *_: SimpleNamespace(order=read, error=2.5e-4))
    tone: Tone = TABLE.tone(INNER)
    finding: Any = SimpleNamespace(component=INNER, tone=INNER, seen_in=[])
    some = reading(looks=(SimpleNamespace(slow=False, bands=()),))
    for turn, asked in ((120 / 119, told), (1.0, True)):
        carried = replace(tone, sidebands=tuple(replace(side, order=turn) for side in tone.sidebands))
        table: Any = SimpleNamespace(tones=[carried])
        found = gates.with_turns(some, table, {INNER: comb(INNER, 5.4, 1e-6)}, [finding])
        assert (found[INNER].carried_at is not None) is asked


@pytest.mark.parametrize(
    ("by_part", "odds", "said"),
    [
        (
            (-1.0, 0.0, 3.6),
            3.5,
            "lines of its lobes (97 %) stand out at 1462 r/min, but not those of its mesh at 18 per input turn: 97 % "
            "sure that it is this drive, where 99 % is needed",
        ),
        (
            (4.0, 3.2, 0.0),
            0.4,
            "lines of its mesh at 18 per input turn (98 %) and of its output pins (96 %) stand out at 1462 r/min: 59 % "
            "sure that it is this drive, where 99 % is needed",
        ),
        (
            (1.0, 0.0, 2.0),
            1.0,
            "this drive's own lines stand out only faintly at 1462 r/min, those of its mesh at 18 per input turn among "
            "them: 73 % sure that it is this drive, where 99 % is needed",
        ),
        ((1.0, 0.0, 2.0), -1.0, "nothing of this drive's own mesh (18 per input turn) stands out at 1462 r/min"),
    ],
)  # fmt: skip
def test_what_was_detected_of_a_drive_that_was_not_is_said_with_how_surely(
    monkeypatch: pytest.MonkeyPatch, by_part: tuple[float, float, float], odds: float, said: str
) -> None:
    from vibe.spectra.presence import presence

    found = gate(monkeypatch, log_odds=odds, damaged=0.0, by_part=by_part)
    assert found.reason is not None
    assert found.reason.text == said
    assert found.probability == presence.sure(odds)


def test_lines_that_a_drive_of_another_ratio_makes_too_are_not_called_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    left = Presence(log_odds=-3.0, own=-3.0, better=None)
    found = gate(monkeypatch, log_odds=9.0, damaged=0.0, left=left)
    assert found.reason is not None
    assert (
        "where this drive has its own (mesh: 18 per input turn), but those of a drive of another" in found.reason.text
    )


def test_combs_that_findings_rest_on_are_asked_whether_they_follow_the_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lines that were left to other combs are not read; a comb on which nothing rests is not asked."""
    from vibe.spectra.evidence import own_course

    asked: list[tuple[float, list[int]]] = []

    def read(_bands: Any, _law: Any, _band_hz: Any, _channels: Any, order: float, numbers: list[int]) -> float:
        asked.append((order, numbers))
        return 3.0

    monkeypatch.setattr(own_course, "evenly_rather", read)
    seen = comb(INNER, 5.4, 1e-6)
    line = replace(seen.lines[0], order=5.4, over_floor_db=10.0)
    seen = replace(seen, lines=(line, replace(line, order=10.8, over_floor_db=-90.0), replace(line, order=16.2)))
    finding: Any = SimpleNamespace(component=INNER, tone=INNER, seen_in=[])
    some = reading(looks=(SimpleNamespace(slow=False, bands=()),), law=None)
    found = gates.with_courses(some, {INNER: seen, "other": replace(seen, tone="other")}, [finding])
    assert asked == [(5.4, [1, 3])]
    assert found[INNER].evenly == 3.0
    assert found["other"].evenly is None
