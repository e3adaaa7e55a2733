"""The study of lines in short; the long one is ``python -m tests.studies.line_values``."""

from __future__ import annotations

from math import ceil

import pytest

from tests.studies.line_values import Case, read_case


def test_a_mesh_among_side_lines_needs_a_pulse_and_the_shafts_own_lines_do_not() -> None:
    """87 lobes, 10 s, of a speed that wanders: without pulses the mesh had been read 40 % low, and stated to 6 %."""
    without = {one.line: one for one in read_case(Case(seed=6000, lobes=87, seconds=10.0))}
    assert not without["1x"].pulses
    assert {name: one.parted for name, one in without.items()} == {"1x": True, "2x": True, "mesh": False}
    assert without["1x"].held
    assert without["2x"].held
    reported = {one.line: one for one in read_case(Case(seed=6001, lobes=87, seconds=10.0))}
    assert reported["mesh"].pulses
    assert all(one.parted and one.held for one in reported.values())
    assert reported["mesh"].relative_u < 0.05


@pytest.mark.parametrize(("lobes", "seconds"), [(29, 1.0), (59, 2.0), (119, 5.0)])
def test_the_length_that_is_stated_parts_the_lines_where_there_are_pulses(lobes: int, seconds: float) -> None:
    for seed in (500, 501):
        short = read_case(Case(seed=seed, lobes=lobes, seconds=seconds, pulses=True))
        asked = {one.line: one.needs_s for one in short if one.needs_s is not None}
        assert {"1x", "2x"} <= set(asked)
        assert not any(one.parted for one in short if one.line in asked)
        enough = float(ceil(max(asked.values())))
        long = {one.line: one for one in read_case(Case(seed=seed, lobes=lobes, seconds=enough, pulses=True))}
        assert all(long[line].parted and long[line].held for line in asked)
