"""The constants by which elements are known are those of the fit to measured records, and mean what they say: the short
version of ``measured.py``, on its table of signs."""

from __future__ import annotations

import csv
from dataclasses import replace

import numpy as np
import pytest

from tests.studies.fleet import settings
from tests.studies.measured import (
    PRIORS,
    Reported,
    as_stated,
    disputed,
    fit,
    left_out,
    records_of,
    reliability,
    stated_of,
)
from tests.studies.page import RESULTS
from vibe.diagnosis.bearing_elements import PARTS, Signs, odds, ways


@pytest.fixture(scope="module")
def reported() -> list[Reported]:
    with (RESULTS / "measured.csv").open(encoding="utf-8", newline="") as stream:
        return [stated_of(row) for row in csv.DictReader(stream)]


def test_the_constants_are_those_of_the_fit(reported: list[Reported]) -> None:
    base = settings().diagnosis.element
    fitted = fit(records_of(reported), base)
    for name in PRIORS:
        assert getattr(base, name) == pytest.approx(getattr(fitted, name), abs=0.03), name


def test_without_records_the_fit_is_its_prior() -> None:
    base = settings().diagnosis.element
    for name, (mean, _) in PRIORS.items():
        assert getattr(fit([], base), name) == pytest.approx(mean, abs=1e-3)


def test_a_fit_finds_again_the_constants_by_which_elements_were_drawn(reported: list[Reported]) -> None:
    """Elements drawn by the stated odds, many times over: then the records outweigh the priors."""
    base = settings().diagnosis.element
    rng = np.random.default_rng(5)
    records: list[tuple[Signs, str]] = []
    for one in reported:
        if one.signs is not None:
            shares = odds(ways(one.signs, base))
            records += [(one.signs, str(part)) for part in rng.choice(PARTS, 4, p=[shares[part] for part in PARTS])]
    assert fit(records, base).slope_per_db == pytest.approx(base.slope_per_db, abs=0.15)


def test_each_rig_left_out_no_element_is_wrong_from_nine_in_ten_and_three_of_four_are_named_right(
    reported: list[Reported],
) -> None:
    base = settings().diagnosis.element
    stated = left_out(reported, base)
    rows = {row["from"]: row for row in reliability(stated)}
    for low in (0.99, 0.9):
        assert rows[low]["named"] == rows[low]["right"] > 0
    faulty = [one for one in reported if one.defect in PARTS]
    assert sum(one.named == one.defect for one in stated) >= 0.75 * len(faulty)
    # Below, what is stated is what comes true, but for twice the scatter of so few.
    lower = [one for one in stated if one.named and one.probability < 0.9]
    right, expected = (
        sum(one.named == one.defect for one in lower), sum(one.probability for one in lower)
    )  # fmt: skip
    scatter = sum(one.probability * (1 - one.probability) for one in lower) ** 0.5
    assert abs(right - expected) < 2 * scatter
    assert {one.file for one in reported if disputed(one.file)} & {one.file for one in stated}


def test_the_table_says_what_the_program_says(reported: list[Reported]) -> None:
    """The table is of today's constants: the odds of its signs are those that it states."""
    base = settings().diagnosis.element
    for one in (one for one in as_stated(reported) if one.named):
        (source,) = [record for record in reported if record.file == one.file]
        if source.signs is None or source.others:
            continue
        share = odds(ways(source.signs, base))[one.named]
        assert one.probability == pytest.approx(share * (source.component_probability or 0.0), abs=2e-3), one.file


def test_what_a_record_says_survives_the_table() -> None:
    detected = Signs(outer_db=1.5, inner_db=-2.0, element_db=-9.0, cage_db=0.5, carried=0.25, even_cage=True)
    from tests.studies.measured import row_of

    one = Reported(
        file="a/b.h5", rig="uestc", defect="outer_race", grade="", named="outer_race", verdict="right", probability=0.9,
        component_probability=0.99, others="", speed_hz=20.0, uncertainty_hz=None, method="signal", signs=detected,
    )  # fmt: skip
    texts = {name: "" if value is None else str(value) for name, value in row_of(one).items()}
    assert stated_of(texts) == replace(one, speed_hz=None)
    silent = replace(one, signs=None, named="", verdict="silent", probability=None, component_probability=None)
    texts = {name: "" if value is None else str(value) for name, value in row_of(silent).items()}
    assert stated_of(texts).signs is None
