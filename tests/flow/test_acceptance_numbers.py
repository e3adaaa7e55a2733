"""Numbers of acceptance: which are derived, and which are met from both sides."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from tests.diagnosis.conftest import DRIVE
from vibe.core.capture import Channel
from vibe.core.drive import Drive
from vibe.flow.commissioning import acceptance, measured_figures, shown_sizes
from vibe.flow.commissioning.line_values import MOST_PHASE_RAD, SHAFTS_OWN
from vibe.flow.diagnose.tone_requests import analysis_request_of
from vibe.kinematics.tone_table import tone_table
from vibe.report.certificate.accuracy import risk_text
from vibe.spectra.basic.levels import levels

ONE = Drive.model_validate(DRIVE)


def test_a_phase_that_would_cost_an_eighth_of_a_line_is_not_read() -> None:
    """Of a phase that scatters normally exp(-s² / 2) of the line is left."""
    assert 1 - np.exp(-(MOST_PHASE_RAD**2) / 2) == pytest.approx(1 / 8, rel=0.1)


def test_the_inputs_own_lines_are_those_that_are_read_by_name() -> None:
    lines = dict(analysis_request_of(ONE, tone_table(ONE), set(), noted_hz=None).lines)
    assert set(SHAFTS_OWN) == {order for name, order in lines.items() if name == f"{order:g}x" and order % 1 == 0}


def test_velocity_and_displacement_are_acceleration_over_powers_of_the_angular_frequency() -> None:
    time_s = np.arange(40_960) / 8192.0
    row = (10 * np.sin(2 * np.pi * 100.0 * time_s)).astype(np.float32)
    channel = Channel(
        name="a", samples=row, sample_rate_hz=8192.0, quantity="acceleration", recorded_unit="m/s^2"
    )  # fmt: skip
    found = {one.measure: one.value for one in levels(channel, input_hz=24.0)}
    for measure, scale in (("velocity_rms", 1e3), ("displacement_rms", 1e6), ("acceleration_rms", 1.0)):
        power = measured_figures.OMEGA_POWER[measure]
        assert scale * 10 / np.sqrt(2) * (2 * np.pi * 100.0) ** power == pytest.approx(found[measure], rel=2e-3)


@pytest.mark.parametrize(
    ("low_hz", "high_hz", "whole"),
    [(10.0, 1000.0, True), (10.4, 960.0, True), (10.0, 930.0, False), (10.8, 1000.0, False)],
)
def test_a_band_may_end_a_twentieth_early(low_hz: float, high_hz: float, whole: bool) -> None:
    band: Any = SimpleNamespace(for_speed=lambda rpm: (10.0, 1000.0))
    job: Any = SimpleNamespace(settings=SimpleNamespace(limits=SimpleNamespace(velocity_band=band)), drive=ONE)
    level: Any = SimpleNamespace(measure="velocity_rms", band_hz=(low_hz, high_hz), point="in")
    assert (measured_figures._short_of(level, job) == "") is whole


def planted(monkeypatch: pytest.MonkeyPatch, shown_from: float) -> tuple[float | None, list[tuple[float, int]]]:
    """The size that is stated where impacts are found from a size on, and what was tried."""
    tried: list[tuple[float, int]] = []

    def shows(capture: Any, look: Any, job: Any, tone: str, size: float, seed: int, third: int) -> bool:
        tried.append((size, third))
        return size >= shown_from

    monkeypatch.setattr(shown_sizes, "shows", shows)
    job: Any = SimpleNamespace(seed=0)
    none: Any = None
    shown = shown_sizes._smallest(none, none, job, "a", 4.0)
    return None if shown is None else shown * shown_sizes.MARGIN, tried


def test_sizes_rise_by_three_and_a_half_decibels_and_each_is_tried_in_every_third_of_the_resonances(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    stated, tried = planted(monkeypatch, 5.0)
    step = 10 ** (3.52 / 20)
    assert [third for size, third in tried if size > 5] == [0, 1, 2]
    assert tried[-1][0] == pytest.approx(4 * step, rel=1e-3)
    # By half as much again as was found: so 94 % of other captures show it.
    assert stated == pytest.approx(4 * step * 1.5, rel=1e-3)


def test_a_factor_of_seventeen_is_tried(monkeypatch: pytest.MonkeyPatch) -> None:
    stated, tried = planted(monkeypatch, 1e9)
    assert stated is None
    assert max(size for size, _ in tried) / 4.0 == pytest.approx(17, rel=0.05)


@pytest.mark.parametrize(("risk", "said"), [(7e-5, ""), (1.4e-4, "risk 1 in 7100")])
def test_a_risk_of_less_than_one_in_ten_thousand_is_not_stated(risk: float, said: str) -> None:
    outcome: Any = SimpleNamespace(answer="pass", risk_of_false_acceptance=risk)
    assert risk_text(outcome) == said


@pytest.mark.parametrize(("sigmas", "contends"), [(2.5, True), (3.5, False)])
def test_another_point_might_be_the_highest_within_three_deviations_of_the_difference(
    sigmas: float, contends: bool
) -> None:
    from vibe.core.records.acceptance import Contribution, Quantity
    from vibe.health.acceptance.several_points import contest

    own = Contribution(name="own", relative=0.01, type="B", because="each point's own")

    def point(value: float) -> Quantity:
        return Quantity(
            value=value, unit="mm/s", standard_uncertainty=0.01 * value, expanded=None, coverage=0.95, budget=(own,)
        )

    highest, other = point(1.0), point(1 - sigmas * 0.01 * np.sqrt(2))
    assert (contest(highest, [highest, other]).count == 2) is contends


@pytest.mark.parametrize(("ratio", "said"), [(17.25, False), (17.5, True), (16.5, True)])
def test_a_plate_may_round_by_two_per_cent(ratio: float, said: bool) -> None:
    from vibe.flow.commissioning.set_checks import plate_remarks

    given: Any = SimpleNamespace(plate=SimpleNamespace(ratio=ratio, input_speed_rpm=None, power_kw=None))
    assert bool(plate_remarks(given, ONE, tone_table(ONE))) is said


@pytest.mark.parametrize(("gap_s", "overlaps"), [(-0.7, False), (-1.4, True), (3.0, False)])
def test_times_are_noted_to_the_second(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, gap_s: float, overlaps: bool
) -> None:
    from datetime import UTC, datetime

    from vibe.core.errors import ConfigError
    from vibe.flow.commissioning import set_checks

    at = datetime(2026, 4, 14, 9, tzinfo=UTC)
    one, other = (SimpleNamespace(file=name, run=0, duration_s=10.0, measured_at=at) for name in ("a.h5", "b.h5"))
    monkeypatch.setattr(set_checks, "_followers", lambda looked: [(one, other, gap_s)])
    nobody: Any = []
    path = tmp_path / "set.toml"
    path.write_text("run = []\n", encoding="utf-8")
    if overlaps:
        with pytest.raises(ConfigError, match="still runs"):
            set_checks._check_repeats(nobody, path)
    else:
        set_checks._check_repeats(nobody, path)


class Executor:
    """Keeps the jobs that it is given and does none."""

    def __init__(self) -> None:
        self.jobs: list[Any] = []

    def each(self, work: Any, jobs: Any, done: Any) -> list[Any]:
        self.jobs += jobs
        return []


def set_of(tmp_path: Path, captures: int) -> Any:
    """A commissioning set of one loaded run."""
    paths = [tmp_path / f"{number}.h5" for number in range(captures)]
    for path in paths:
        path.write_bytes(b"")
    given = SimpleNamespace(run=[SimpleNamespace(kind="rated load")], mounting="stud", serial="1")
    table = tone_table(ONE)
    needed = SimpleNamespace(requirement=[SimpleNamespace(kind="no damage")])
    return SimpleNamespace(given=given, runs=[paths], requirements=needed, drive=ONE, table=table)


def test_counts_are_found_from_three_captures(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Two may differ by chance, and a third says which; each takes some seconds."""
    executor: Any = Executor()
    monkeypatch.setattr(acceptance, "_rate", lambda requirements: None)
    monkeypatch.setattr(acceptance, "_shared", lambda settings, rate: settings)
    monkeypatch.setattr(acceptance, "lines_asked", lambda *asked: ())
    settings: Any = None
    monkeypatch.setattr(acceptance, "_during", lambda requirements, kind: [])
    acceptance._figures_of_captures(set_of(tmp_path, 8), settings, executor, None)
    assert sum(job.identify for job in executor.jobs) == 3


def test_trials_begin_at_four_times_what_lines_would_show(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Impacts ring beyond the one band for which that is stated: 12 dB."""
    executor: Any = Executor()
    read = set_of(tmp_path, 3)
    looked = [
        SimpleNamespace(file=path.name, detection_limits={"a": limit})
        for path, limit in zip(read.runs[0], (0.1, 0.5, 0.9), strict=True)
    ]
    evidence: Any = SimpleNamespace(looked=looked, counted=[], rate=None)
    for name, answer in (
        ("searched_captures", looked), ("damage_found", False), ("damage_tones", ["stage1.lobe"]), ("unseen_tones", []),
    ):  # fmt: skip
        monkeypatch.setattr(acceptance, name, lambda *asked, answer=answer: answer)
    monkeypatch.setattr(acceptance, "_shared", lambda settings, rate: settings)
    settings: Any = None
    acceptance._shown(read, settings, evidence, executor, None)
    assert [job.first for job in executor.jobs] == [pytest.approx(4 * 0.5)]
