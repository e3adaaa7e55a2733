"""No second machine is seen next to a drive that stands alone: a few captures of ``alone.py``."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.studies.alone import Seen, rows, trial


@pytest.mark.parametrize("number", [4003, 4008])
def test_own_lines_are_no_second_machine(number: int) -> None:
    """Of 4003 the multiples of the damaged lobe, 36 per mesh, lie where the mesh of a drive 36/35 as fast would."""
    seen = trial(("twins, alone", number))
    assert seen is not None
    assert seen.damaged
    assert not seen.searched
    assert not seen.either


def test_rows_count_each_source_and_all() -> None:
    plain = Seen(source="fleet", damaged=True, searched=False, by_damage=False, either=False)
    some = [plain, replace(plain, source="harbour", searched=True, either=True)]
    table = {row["source"]: row for row in rows(some)}
    assert (table["fleet"]["captures"], table["fleet"]["by its lines"]) == (1, 0)
    assert (table["harbour"]["by its lines"], table["harbour"]["either drive"]) == (1, 1)
    assert (table["all"]["captures"], table["all"]["damaged"], table["all"]["by its lines"]) == (2, 2, 1)
