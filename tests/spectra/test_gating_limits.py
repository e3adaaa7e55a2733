"""Which impacts are cut out so that others may be read between them, and how many."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.diagnosis.diagnosis_values import comb, place
from vibe.core.evidence import CombEvidence
from vibe.core.outside_combs import Surroundings
from vibe.spectra import analysis
from vibe.spectra.analysis_request import AnalysisRequest, FoldRequest
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope import impulse_gating
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.evidence.comb import CombRequest


@pytest.mark.parametrize(
    ("chance", "db", "clear"), [(7e-5, 1.0, True), (1.4e-4, 1.0, False), (1e-9, 0.1, True), (1e-9, -0.1, False)]
)
def test_what_is_cut_out_is_no_chance_and_doubles_the_power_of_its_band(chance: float, db: float, clear: bool) -> None:
    """In a hundred tones of a drive one in a hundred captures would have a hole cut by chance."""
    assert analysis._clear(comb("a", 3.0, chance, db)) is clear


def cut_out(monkeypatch: pytest.MonkeyPatch, combs: tuple[CombEvidence, ...]) -> tuple[list[str], set[str]]:
    """Names of the combs whose impacts were cut out, and of those that were read again then."""
    gone: list[str] = []
    again: set[str] = set()

    class Weighed:
        def __init__(self, names: set[str]) -> None:
            again.update(names)
            self.combs = tuple(one for one in combs if one.tone in names and one.tone not in gone)

    class Look:
        bands: tuple[Any, ...] = ()

    monkeypatch.setattr(analysis, "_impacts", lambda bands, one, request: gone.append(one.tone))
    monkeypatch.setattr(analysis, "without", lambda bands, impacts: bands)
    monkeypatch.setattr(analysis, "envelope_spectra", lambda bands: None)
    monkeypatch.setattr(analysis, "own_lines", lambda spectra, request, order: np.zeros(4, dtype=bool))
    monkeypatch.setattr(analysis, "weigh", lambda *_, asked, **__: Weighed(set(asked)))
    request = AnalysisRequest.__new__(AnalysisRequest)
    object.__setattr__(request, "combs", tuple(CombRequest(name=one.tone, order=one.order) for one in combs))
    look: Any = Look()
    families: Any = None
    analysis._between_impacts(combs, look, request, families, np.zeros(4, dtype=bool), analysis._Impacts((), request))
    return gone, again


def test_two_combs_are_cut_out_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each takes its share of the time: of three the rest would show nothing."""
    clear = tuple(comb(name, 3.0 + k, 1e-9, 6.0, score=90.0 - k) for k, name in enumerate("abcde"))
    assert cut_out(monkeypatch, clear)[0] == ["a", "b"]


@pytest.mark.parametrize(("chance", "read"), [(0.08, True), (0.13, False)])
def test_a_comb_is_read_again_where_chance_would_make_it_once_in_ten(
    monkeypatch: pytest.MonkeyPatch, chance: float, read: bool
) -> None:
    faint = comb("faint", 5.0, chance, -3.0, score=5.0)
    some = (comb("deep", 3.0, 1e-9, 6.0, score=90.0), comb("other", 4.0, 1e-3, -3.0, score=9.0), faint)
    assert ("faint" in cut_out(monkeypatch, some)[1]) is read


class Turns:
    """A look of one band over so many turns."""

    slow = False

    def __init__(self, turns: float) -> None:
        class Band:
            def __init__(self) -> None:
                self.turns = turns

        class Means:
            averages = 1

        self.bands, self.means = (Band(), Band()), Means()


@pytest.mark.parametrize(("turns", "pieces"), [(700.0, 1), (900.0, 2), (1300.0, 3)])
def test_pieces_are_as_long_as_random_slip_lets_a_line_be_narrow(
    monkeypatch: pytest.MonkeyPatch, turns: float, pieces: int
) -> None:
    """Seven impacts a turn, each 1 % off its time: the phase of a line wanders by 2 pi 1 % from one to the next, which
    makes it 2 pi 7 (1 %)² orders wide (Lorentz): about two bins of 400 turns."""
    assert 2 * np.pi * 7.0 * 0.01**2 == pytest.approx(2 / 400, rel=0.2)
    asked: list[int] = []
    monkeypatch.setattr(analysis, "in_pieces", lambda bands, count: asked.append(count))
    monkeypatch.setattr(analysis, "BandAnalysis", lambda **_: None)
    some: Any = [Turns(turns)]
    list(analysis._pieces(some))
    assert asked == ([pieces] if pieces > 1 else [])


def placed(monkeypatch: pytest.MonkeyPatch, *, chance: float, of_place: float) -> tuple[bool, bool]:
    """Whether a comb so sure, whose place on its turn is so sure, is looked at in other bands; and whether between the
    impacts of another that is clear."""
    folds: list[object] = []
    asked: list[object] = []

    def fold(bands: object, members: object, order: float, *, hidden: object = None, **_: object) -> object:
        folds.append(hidden)
        return "turn"

    def surer(found: object, turn: object, *_: object) -> tuple[object, object]:
        asked.append(found)
        return turn, found

    monkeypatch.setattr(analysis, "fold", fold)
    monkeypatch.setattr(analysis, "_surer", surer)
    monkeypatch.setattr(analysis, "refined_order", lambda bands, members, order, bins: order)
    monkeypatch.setattr(analysis, "localise", lambda turn, meetings, stands: place(of_place))
    monkeypatch.setattr(analysis, "_impacts", lambda bands, one, request: one.tone)
    monkeypatch.setattr(analysis, "joined", lambda impacts: impacts)
    monkeypatch.setattr(analysis, "_wide_members", lambda bands, one: ())
    combs = (comb("pin", 1.0, chance, -3.0), comb("deep", 3.0, 1e-9, 6.0))
    request = AnalysisRequest.__new__(AnalysisRequest)
    object.__setattr__(request, "combs", tuple(CombRequest(name=one.tone, order=one.order) for one in combs))
    object.__setattr__(request, "folds", (FoldRequest(tone="pin", order=1.0, parts=18, meetings=1),))
    object.__setattr__(request, "surroundings", Surroundings())
    looks: Any = [Turns(400.0)]
    impacts = analysis._Impacts((), request)
    analysis._localised(combs, looks, request, AngleLaw.steady(25.0, 16.0), 1e-4, impacts)
    return bool(asked), folds != [None]


def test_when_impacts_ring_is_worked_out_once_for_each_comb_and_place(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[str, float]] = []

    def impacts(bands: object, one: CombEvidence, request: CombRequest) -> tuple[str, float]:
        assert one.tone == request.name
        asked.append((one.tone, one.order))
        return asked[-1]

    monkeypatch.setattr(analysis, "_impacts", impacts)
    request = AnalysisRequest.__new__(AnalysisRequest)
    object.__setattr__(request, "combs", tuple(CombRequest(name=name, order=3.0) for name in "ab"))
    known = analysis._Impacts((), request)
    assert not asked
    for name, order in (("a", 3.0), ("a", 3.0), ("b", 3.0), ("a", 3.1), ("a", 3.0)):
        assert known.of(comb(name, order, 1e-9, 6.0)) == (name, order)
    assert asked == [("a", 3.0), ("b", 3.0), ("a", 3.1)]


@pytest.mark.parametrize(("chance", "looked"), [(0.008, True), (0.013, False)])
def test_a_place_is_looked_for_in_other_bands_and_between_other_impacts_of_combs_that_are_sure_to_one_in_a_hundred(
    monkeypatch: pytest.MonkeyPatch, chance: float, looked: bool
) -> None:
    assert placed(monkeypatch, chance=chance, of_place=1e-3) == (looked, looked)


@pytest.mark.parametrize(("of_place", "looked"), [(1.4e-5, True), (7e-6, False)])
def test_a_place_that_is_believed_is_looked_for_no_further(
    monkeypatch: pytest.MonkeyPatch, of_place: float, looked: bool
) -> None:
    assert placed(monkeypatch, chance=1e-6, of_place=of_place)[0] is looked


def tracked(lines: dict[int, tuple[float, float]]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Where a comb of order 1 is followed in 400 turns, and by how much it is ahead; lines of so high amplitudes, each
    ahead by so many periods at the end."""
    turns = np.arange(40_000) / 100.0
    power = np.full(turns.size, 9.0)
    for line, (height, ahead) in lines.items():
        power += height * np.cos(2 * np.pi * line * turns * (1 + ahead / 400.0))
    band = BandEnvelopes(
        channel="a", power=power[None].astype(np.float32), per_turn=100.0, centre_hz=np.array([3000.0]),
        width_hz=1000.0, band_rms=np.ones(1),
    )  # fmt: skip
    return impulse_gating._slip_phase([band], [(0, 0)], 1.0)


def test_a_slipping_comb_is_followed_in_twenty_four_pieces_that_overlap() -> None:
    middles, _ = tracked({1: (1.0, 0.2)})
    assert np.diff(middles) == pytest.approx(400 / 24 / 4, rel=0.02)


@pytest.mark.parametrize(("line", "followed"), [(4, True), (3, True), (6, False)])
def test_a_slipping_comb_is_followed_by_its_first_four_lines(line: int, followed: bool) -> None:
    """The strongest of these, here 0.3 of a period; another line goes the other way."""
    _, ahead = tracked({1: (0.1, -0.3), line: (3.0, 0.3)})
    assert bool(ahead[-1] - ahead[0] > 0.0) is followed


def test_a_comb_that_may_be_a_parts_or_another_machines_owns_two_hundred_lines(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """More than a tone is looked for by: nobody else's decoys."""
    asked: list[Any] = []
    outside = [
        SimpleNamespace(order=2.5, ambiguous=True, per_turn=None, every_turn=0),
        SimpleNamespace(order=3.5, ambiguous=False, per_turn=(7, 0.5), every_turn=9),
    ]

    def weighed(spectra: Any, bands: Any, combs: Any, families: Any, **_: Any) -> Any:
        asked.append(families)

    monkeypatch.setattr(analysis, "find_outside_combs", lambda *_, **__: (outside, None))
    monkeypatch.setattr(analysis, "spread_of", lambda *_: 1e-4)
    monkeypatch.setattr(analysis, "weigh", weighed)
    monkeypatch.setattr(analysis, "_weighed", lambda *_: ())
    monkeypatch.setattr(analysis, "_between_impacts", lambda combs, *_: combs)
    monkeypatch.setattr(analysis, "_localised", lambda combs, *_: (combs, ()))
    monkeypatch.setattr(analysis, "replace", lambda one, **more: replace(one, **more) if "ambiguous" in more else one)
    look = SimpleNamespace(spectra=None, bands=None, slow=False)
    segment: Any = SimpleNamespace(looks=[look], speed=SimpleNamespace(input_hz=25.0, alternatives=()), law=None)
    request: Any = SimpleNamespace(
        combs=[SimpleNamespace(name="pin", order=1.0)],
        benign=(),
        traced=False,
        surroundings=SimpleNamespace(slow_turns=(), sources=()),
    )
    analysis.analysis_of(segment, request)
    assert asked[0].ambiguous == ((2.5, 200),)
    assert asked[0].every_turn == ((0.5, 9),)
