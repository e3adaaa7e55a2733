"""Limits of what steps of a diagnosis say, each from either side."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from vibe.core.capture import Channel
from vibe.core.comb_history import TraceBand
from vibe.core.evidence import SpeedEstimate
from vibe.flow.diagnose.earlier_captures import _same
from vibe.flow.diagnose.figures import named_by
from vibe.flow.diagnose.motion import in_words
from vibe.flow.diagnose.recognition import likely
from vibe.flow.diagnose.tone_requests import searchable
from vibe.flow.identify import identification
from vibe.flow.identify.answer import Counts, Identification, together
from vibe.flow.route.running import _beginning


@pytest.mark.parametrize(("drift", "said"), [(0.004, False), (0.006, True)])
def test_a_speed_is_said_to_change_where_it_does_so_by_more_than_load_and_supply_make_it(
    drift: float, said: bool
) -> None:
    speed = SpeedEstimate(input_hz=24.0, uncertainty_hz=0.001, method="signal", drift=drift)
    assert any("speed changes" in words for words in in_words(speed, None, ())) is said


@pytest.mark.parametrize(("chance", "said"), [(0.015, False), (0.025, True)])
def test_another_speed_is_named_from_one_in_fifty(chance: float, said: bool) -> None:
    speed = SpeedEstimate(
        input_hz=20.0, uncertainty_hz=1e-3, method="signal", drift=0.0,
        alternatives=((20.0, 1 - chance), (20.1, chance)),
    )  # fmt: skip
    assert any("1206.0 r/min" in words for words in in_words(speed, None, ())) is said


@pytest.mark.parametrize(("off", "same"), [(0.0, True), (0.008, True), (0.015, False), (-0.015, False)])
def test_bands_are_the_same_whose_edges_differ_by_less_than_a_hundredth(off: float, same: bool) -> None:
    low, high = (TraceBand(channels=("a",), low_hz=500.0, high_hz=top) for top in (4000.0, 4000.0 * (1 + off)))
    assert _same(low, high) is same


def test_drives_whose_odds_are_within_a_hundred_and_fifty_of_the_best_are_about_as_likely() -> None:
    """ln 150 = 5.0."""
    found = SimpleNamespace(better=(("A", 20.0), ("B", 15.5), ("C", 14.5)))
    assert likely(cast(Any, found)) == ["A", "B"]


def found_by(*counts: tuple[int, float], none: float = 0.0) -> Identification:
    candidates = tuple(
        Counts(lobes=lobes, ring_pins=lobes + 1, ratio=-float(lobes), probability=chance) for lobes, chance in counts
    )
    return cast(Identification, SimpleNamespace(candidates=candidates, none=none))


def test_one_capture_outvotes_another_by_a_thousand_to_one_at_most() -> None:
    """Two that are sure of 11 lobes against one that is sure of 12."""
    best, other = together([found_by((11, 1.0)), found_by((11, 1.0)), found_by((12, 1.0))])
    assert (best.lobes, other.lobes) == (11, 12)
    assert best.probability == pytest.approx(1 / 1.001, abs=2e-4)


@pytest.mark.parametrize(
    ("own", "best", "verdict"),
    [
        (0.93, 0.93, "fits"), (0.85, 0.85, "cannot be told"), (0.007, 0.95, "another count fits better"),
        (0.015, 0.95, "cannot be told"), (0.007, 0.85, "cannot be told"),
    ],
)  # fmt: skip
def test_a_plate_fits_from_nine_in_ten_on_and_is_ruled_out_below_one_in_a_hundred(
    own: float, best: float, verdict: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(identification, "_pair_of", lambda _: (11, 12))
    monkeypatch.setattr(identification, "_ratio", lambda *_: SimpleNamespace(why="too faint"))
    counts = found_by((11, own), *([(17, best)] if best != own else [])).candidates
    ranked = sorted(counts, key=lambda one: -one.probability)
    found = identification._plate(cast(Any, SimpleNamespace(tag="T")), ranked, cast(Any, None))
    assert found.verdict == verdict


@pytest.mark.parametrize(("order", "searched"), [(0.08, False), (0.12, True)])
def test_a_tone_is_searched_that_repeats_ten_times(order: float, searched: bool) -> None:
    table = SimpleNamespace(tone=lambda _: SimpleNamespace(order=order))
    drive = SimpleNamespace(input=SimpleNamespace(speed_hz=25.0))
    seen = [SimpleNamespace(tone="stage1.output", seen=False)]
    assert bool(searchable(cast(Any, table), cast(Any, seen), cast(Any, drive), 4.0)) is searched


@dataclass(frozen=True)
class Recorded:
    """As much of a capture as is cut here."""

    channels: tuple[Channel, ...]
    longer: None = None
    speed_rpm: float | None = None

    @property
    def vibration(self) -> tuple[Channel, ...]:
        return self.channels


@pytest.mark.parametrize(("speed_hz", "seconds"), [(50.0, 20.0), (5.0, 100.0)])
def test_whether_a_drive_runs_is_asked_of_twenty_seconds_and_five_hundred_turns(
    speed_hz: float, seconds: float
) -> None:
    long = Channel(
        name="a", samples=np.zeros(2000, dtype=np.float32), sample_rate_hz=10.0, quantity="acceleration",
        recorded_unit="m/s^2",
    )  # fmt: skip
    drive = SimpleNamespace(input=SimpleNamespace(speed_hz=speed_hz))
    cut = _beginning(cast(Any, Recorded(channels=(long,))), [long], cast(Any, drive))
    assert cut.channels[0].samples.size == 10 * seconds


def test_a_picture_names_the_part_that_the_finding_names() -> None:
    """A lobe and an output pin share one comb; each race of a bearing has its own."""
    pin, lobe, race = (
        SimpleNamespace(id=name) for name in ("stage1.output_pin", "stage1.lobe", "bearing.a.outer_race")
    )
    tones = {one.id: one for one in (pin, lobe, race)}
    table = cast(Any, SimpleNamespace(tones=tuple(tones.values()), tone=tones.get))
    shared, own = SimpleNamespace(tone="stage1.lobe"), SimpleNamespace(tone=race.id)
    combs = cast(Any, {pin.id: shared, lobe.id: shared, race.id: own})

    def named(tone: str | None, comb: Any) -> Any:
        return named_by(cast(Any, SimpleNamespace(tone=tone)), comb, combs, table)

    assert named(pin.id, shared) is pin
    assert named(lobe.id, shared) is lobe
    assert named(pin.id, own) is race
    assert named(None, own) is race
    assert named(None, SimpleNamespace(tone="outside 3.4")) is None
