"""What is lacking has its own sentence and its own remedy; what is there is not called missing."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.ingest_signals import RATE_HZ, channel, machine
from tests.ingest.test_completeness import ALL, IN, OUT, WANTED, file
from vibe.core.capture import ChannelQuality, Reason
from vibe.core.errors import COPY_AGAIN, CaptureError
from vibe.core.route.round_check import Completeness, Expected, FileSeen
from vibe.ingest import assess, load_model, read_capture, with_drift
from vibe.ingest.route.completeness import completeness
from vibe.ingest.route.field_rules import FieldRules

ROOT = Path(__file__).resolve().parents[2]
ROWS = np.random.default_rng(3).standard_normal(4000)
TIME_S = np.arange(ROWS.size) / 8000.0


@pytest.fixture(scope="module")
def rules() -> FieldRules:
    return load_model(ROOT / "configs" / "on_the_spot.toml", FieldRules)


def csv(folder: Path, header: str, *columns: np.ndarray) -> Path:
    path = folder / "a.csv"
    np.savetxt(path, np.column_stack(columns), fmt="%.7g", delimiter=",", header=header, comments="")
    return path


@pytest.mark.parametrize(
    ("header", "per_s"), [("Zeit [s]", 1.0), ("Temps (ms)", 1e3), ("X [us]", 1e6), ("time_s", 1.0), ("Zeit[ms]", 1e3)]
)
def test_a_column_in_a_unit_of_time_is_the_clock_whatever_its_name(tmp_path: Path, header: str, per_s: float) -> None:
    capture = read_capture(csv(tmp_path, f"{header},housing [m/s^2]", TIME_S * per_s, ROWS))
    assert [channel.name for channel in capture.channels] == ["housing"]
    assert capture.channels[0].sample_rate_hz == pytest.approx(8000.0)


def refused(path: Path) -> CaptureError:
    with pytest.raises(CaptureError) as caught:
        read_capture(path)
    return caught.value


def test_a_time_without_a_unit_is_named(tmp_path: Path) -> None:
    error = refused(csv(tmp_path, "Zeit,housing [m/s^2]", TIME_S, ROWS))
    assert "'Zeit' rises evenly as a time does" in error.plain
    assert "time_s" in error.remedy


def test_a_missing_sample_rate_asks_for_the_rate_and_no_new_capture(tmp_path: Path) -> None:
    error = refused(csv(tmp_path, "housing [m/s^2]", ROWS))
    assert "no sample_rate_hz" in error.plain
    assert "no new capture is needed" in error.remedy
    assert error.remedy != COPY_AGAIN


@pytest.mark.parametrize("header", ["time_s,housing", "0.0,0.1"])
def test_a_missing_unit_or_header_is_no_damage(tmp_path: Path, header: str) -> None:
    error = refused(csv(tmp_path, header, TIME_S, ROWS))
    assert "no new capture is needed" in error.remedy


def test_damage_asks_for_another_copy(tmp_path: Path) -> None:
    path = tmp_path / "a.h5"
    path.write_bytes(b"\x89HDF\r\n\x1a\n" + bytes(200))
    assert refused(path).remedy == COPY_AGAIN


def adds_up(call: Completeness) -> bool:
    one = call.counts
    return one.points == one.accepted + one.repeats + one.unread + one.unnamed + one.without


def test_the_counts_of_a_round_add_up(rules: FieldRules) -> None:
    bad = file("b.h5", "B", IN, verdict="retake")
    broken = FileSeen(path=Path("c.h5"), drive="C", named_point=OUT, error="is cut off")
    call = completeness([ALL[0], bad, broken], WANTED, rules)
    assert adds_up(call)
    assert call.counts.in_words == (
        "2 of 6 points accepted; 4 needed: 1 repeat, 1 whose file cannot be read, 2 without a capture"
    )
    whole = completeness(ALL, WANTED, rules)
    assert adds_up(whole)
    assert whole.counts.in_words == "6 of 6 points accepted"


def test_a_point_whose_file_is_there_is_not_missing(rules: FieldRules) -> None:
    odd = file("b.h5", "B", "ch0", verdict="extra")
    call = completeness([ALL[0], ALL[2], odd], WANTED, rules)
    assert [(one.point, one.cause) for one in call.missing] == [(IN, "unnamed"), (OUT, "unnamed")]
    assert "'ch0'" in call.missing[0].what
    assert "no new capture is needed" in call.missing[0].remedy
    assert adds_up(call)
    both = completeness([file("b.h5", "B", "ch0", "ch1", verdict="extra")], WANTED[2:4], rules)
    assert all("'ch0' and 'ch1', which are no points" in one.what for one in both.missing)


def test_what_was_mended_asks_for_nothing_more(rules: FieldRules) -> None:
    reason = Reason(code="clipped", text="clipped", remedy="Repeat.", verdict="limited")
    bad = file("c.h5", "C", IN, OUT, verdict="retake")
    bad = replace(bad, points=tuple(replace(point, reasons=(reason,)) for point in bad.points))
    assert completeness([*ALL[:2], bad], WANTED, rules).retakes == 2
    call = completeness([*ALL[:2], bad, file("c2.h5", "C", IN, OUT, minutes=50)], WANTED, rules)
    assert call.retakes == 0
    assert {point.replaced_by for point in call.files[2].points} == {"c2.h5"}


def test_after_two_tries_another_way_is_named(rules: FieldRules) -> None:
    wanted = [Expected(drive="A", point=IN)]
    tries = [file(f"{number}.h5", "A", IN, verdict="retake", minutes=number) for number in range(2)]
    (once,) = completeness(tries[:1], wanted, rules).missing
    (twice,) = completeness(tries, wanted, rules).missing
    assert "go on" not in once.remedy
    assert "2 were sent back" in twice.remedy


def _shaken(kind: str, strong: bool) -> ChannelQuality:
    whole = machine(6.0)
    if kind == "stray_shock":
        whole[70_000:70_040] += (600.0 if strong else 30.0) * np.exp(-np.arange(40) / 8)
    elif kind == "missing":
        whole[1000 : 2000 if strong else 1020] = np.nan
    elif kind == "ski_slope":
        drift = np.cumsum(np.random.default_rng(4).standard_normal(whole.size)) / RATE_HZ
        whole = whole + (300.0 if strong else 100.0) * drift
    quality = assess(channel(whole), speed_hz=24.3)
    return with_drift(quality, 0.05 if strong else 0.01) if kind == "speed_not_steady" else quality


@pytest.mark.parametrize("kind", ["stray_shock", "missing", "ski_slope", "speed_not_steady"])
def test_what_is_accepted_does_not_ask_to_be_repeated(kind: str) -> None:
    for strong in (False, True):
        (reason,) = [one for one in _shaken(kind, strong).reasons if one.code == kind]
        assert reason.verdict == ("limited" if strong else "usable")
        assert ("repeat the measurement" in reason.remedy.lower()) == strong
        assert reason.remedy.startswith("Nothing to repeat") != strong
