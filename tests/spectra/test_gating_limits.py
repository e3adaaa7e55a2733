"""Which impacts are cut out so that others may be read between them, and how many."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.diagnosis.diagnosis_values import comb
from vibe.core.evidence import CombEvidence
from vibe.spectra import analysis
from vibe.spectra.analysis_request import AnalysisRequest
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
    analysis._between_impacts(combs, look, request, families, np.zeros(4, dtype=bool))
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
