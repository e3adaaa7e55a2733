"""Acceptance sets of a bench, made by code of its own, run as the command runs them: figures, counts, damage."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.worlds.bench import LATER, SETS, Built, Truth, make, sisters
from vibe.core.records.acceptance import Acceptance, Outcome
from vibe.flow.commissioning import shown_sizes
from vibe.flow.commissioning.acceptance import run_commissioning

RECIPE = 'kind = "commissioning"\ntitle = "t"\ncaptures = "sets"\npdf = false\n'


@pytest.fixture(autouse=True)
def few_trials() -> Iterator[None]:
    """Of each part one impact is tried, a large one."""
    with pytest.MonkeyPatch.context() as patch:
        for name, value in (("TRIALS", 1), ("MOST_STEPS", 1), ("FIRST", 64.0)):
            patch.setattr(shown_sizes, name, value)
        yield


def run(folder: Path, place: str, every: list[Built], out: str) -> tuple[dict[str, Acceptance], dict[str, Truth]]:
    (folder / "recipe.toml").write_text(RECIPE, encoding="utf-8")
    truths = {one.name: make(one, folder / place / one.name) for one in every}
    done = run_commissioning(folder / "recipe.toml", captures=folder / place, out=folder / out, workers=1)
    return {one.acceptance.serial: one.acceptance for one in done}, truths


def outcome(acceptance: Acceptance, name: str) -> Outcome:
    return next(one for one in acceptance.outcomes if one.requirement.id == name)


def holds(one: Outcome, true: float) -> None:
    assert one.measured is not None
    assert one.measured.expanded is not None
    assert abs(one.measured.value - true) <= one.measured.expanded


@pytest.mark.slow
def test_sets_of_an_outside_bench_come_out_as_they_are(tmp_path: Path) -> None:
    found, truths = run(tmp_path, "sets", [one for one in SETS if one.name != "minute59"], "out")
    for name, truth in truths.items():
        holds(outcome(found[name], "velocity"), max(truth.velocity_mm_s)) if name != "slow" else None
        if name != "other":
            holds(outcome(found[name], "shaft"), max(truth.shaft_mm_s))
    answers = {name: {one.requirement.id: one.answer for one in own.outcomes} for name, own in found.items()}
    assert [name for name, own in answers.items() if "fail" in own.values()] == ["loud", "other", "pin"]
    assert answers["loud"]["shaft"] == answers["other"]["counts"] == answers["pin"]["sound"] == "fail"
    assert {answers[name]["counts"] for name in ("ratio59", "sweeps", "loud")} == {"pass"}
    assert answers["sweeps"]["run-up"] == "pass"
    stated = outcome(found["twostage"], "counts")
    assert (stated.answer, stated.settles) == ("undetermined", "Open it and count.")


@pytest.mark.slow
def test_drives_like_and_unlike_the_golden_one_and_their_sisters(tmp_path: Path) -> None:
    done, _ = run(tmp_path, "types", list(sisters(6)), "done")
    assert {one.answer for one in done.values()} <= {"pass", "undetermined"}
    golden = tmp_path / "done" / "T1" / "acceptance.json"
    later = [replace(one, golden=golden.as_posix() if one.golden else "") for one in LATER]
    found, _ = run(tmp_path, "later", later, "more")
    assert outcome(found["like"], "like the first").answer == "pass"
    assert outcome(found["unlike"], "like the first").answer == "fail"
    assert outcome(found["sister"], "like its sisters").answer == "pass"
    assert outcome(found["apart"], "like its sisters").answer == "fail"
