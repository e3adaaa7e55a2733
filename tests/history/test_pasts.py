"""What a capture leaves for later ones comes back out of its file as it went in, and outlives its samples."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import h5py
import numpy as np
import pytest

from tests.history.kept_captures import channels, content, record
from vibe.core.comb_history import PLACES, PastCapture, Trace, TraceBand, coded, power_of
from vibe.core.evidence import Level, Line
from vibe.history.store.capture_file import harm, packed, read_past, read_record
from vibe.history.stored_traces import arrays_of, past_from

BANDS = (
    TraceBand(channels=("motor side",), low_hz=500.0, high_hz=1500.0),
    TraceBand(channels=("motor side", "output side"), low_hz=500.0, high_hz=4500.25),
)
PAST = PastCapture(
    sha256=content(1),
    measured_at=datetime(2026, 3, 1, tzinfo=UTC),
    speed_hz=24.3,
    load_percent=None,
    trace=Trace(
        tones=("stage1.lobe", "bearing.ä.cage"),
        bands=BANDS,
        levels=np.random.default_rng(1).integers(0, 256, (2, 2, PLACES), dtype=np.uint8),
        surest=(1, -1),
        scores=(12.5, 3.25),
        turns=243.0,
        quiet_scores=((9.5, None), (8.25, 11.0)),
    ),
    levels=(Level(point="motor side", measure="velocity_rms", value=1.5, unit="mm/s", band_hz=(10.0, 1000.0)),),
    lines=(Line(name="1x", frequency_hz=24.3, velocity_mm_s=0.5, floor_mm_s=0.01, acceleration_m_s2=0.1, channel="a"),),
)


def same(a: PastCapture, b: PastCapture) -> bool:
    assert a.trace is not None
    assert b.trace is not None
    fields = [name for name in PastCapture.__dataclass_fields__ if name != "trace"]
    stated = [name for name in Trace.__dataclass_fields__ if name != "levels"]
    return (
        all(getattr(a, name) == getattr(b, name) for name in fields)
        and all(getattr(a.trace, name) == getattr(b.trace, name) for name in stated)
        and np.array_equal(a.trace.levels, b.trace.levels)
    )


def test_powers_are_kept_to_a_fifth_of_a_decibel_and_nothing_stays_nothing() -> None:
    powers = 10 ** np.random.default_rng(2).uniform(-1.5, 6.0, 500)
    powers[7] = np.nan
    back = power_of(coded(powers))
    assert np.isnan(back[7])
    assert np.nanmax(np.abs(10 * np.log10(back / powers))) <= 0.2 + 1e-9
    assert power_of(coded(np.array([0.0, 1e30]))) == pytest.approx([0.01, 10**8.16])


def test_a_kept_capture_gives_back_what_it_left_with_and_without_samples(tmp_path: Path) -> None:
    for samples in (channels(), ()):
        path = tmp_path / f"{content(1)}.h5"
        path.write_bytes(packed(record(1, past=PAST), samples))
        assert harm(path) == ""
        found, kept = read_past(path), read_record(path).past
        assert found is not None
        assert kept is not None
        assert same(found, PAST)
        assert same(kept, PAST)


def test_a_capture_of_an_older_program_left_nothing(tmp_path: Path) -> None:
    path = tmp_path / f"{content(1)}.h5"
    path.write_bytes(packed(record(1), channels()))
    assert read_past(path) is None
    assert harm(path) == ""


def test_traces_of_another_form_are_not_compared_with() -> None:
    arrays = arrays_of(PAST)
    said = json.loads(arrays["said"].tobytes()) | {"form": 2}
    assert past_from({**arrays, "said": np.frombuffer(json.dumps(said).encode(), np.uint8)}) is None


def test_a_trace_that_was_kept_before_there_were_quiet_looks_has_none() -> None:
    arrays = arrays_of(PAST)
    said = json.loads(arrays["said"].tobytes())
    del said["trace"]["quiet_scores"]
    back = past_from({**arrays, "said": np.frombuffer(json.dumps(said).encode(), np.uint8)})
    assert back is not None
    assert back.trace is not None
    assert back.trace.quiet_scores == ()
    assert back.trace.scores == (12.5, 3.25)


def test_a_capture_without_a_trace_still_leaves_its_levels() -> None:
    back = past_from(arrays_of(replace(PAST, trace=None)))
    assert back is not None
    assert back.trace is None
    assert back.levels == PAST.levels


def test_a_changed_trace_is_harm(tmp_path: Path) -> None:
    path = tmp_path / f"{content(1)}.h5"
    path.write_bytes(packed(record(1, past=PAST), channels()))
    with h5py.File(path, "r+") as file:
        file["past/levels"][0, 0, 0] = file["past/levels"][0, 0, 0] ^ 1
    assert harm(path) == "past/levels is not what was written"


def test_levels_of_another_shape_are_refused() -> None:
    arrays = arrays_of(PAST)
    with pytest.raises(ValueError, match="another shape"):
        past_from({**arrays, "levels": arrays["levels"][:1]})


@pytest.mark.parametrize(
    ("place", "value"),
    [
        (("speed_hz",), "24.3"), (("speed_hz",), 0.0), (("speed_hz",), None), (("load_percent",), [1]),
        (("levels", 0, "value"), "much"), (("levels", 0, "band_hz"), [10.0]), (("lines", 0, "velocity_mm_s"), None),
        (("lines", 0, "name"), 1), (("trace", "turns"), 0.0), (("trace", "scores", 0), "high"),
        (("trace", "surest", 0), 2), (("trace", "surest"), [1]), (("trace", "tones", 0), 7),
        (("trace", "bands", 0, "high_hz"), None), (("trace", "bands"), []), (("sha256",), 10**400),
    ],
)  # fmt: skip
def test_what_is_of_another_kind_than_is_computed_with_is_damage(place: tuple[str | int, ...], value: object) -> None:
    """Also where every hash fits: who hands over a store can sign what it holds."""
    arrays = arrays_of(PAST)
    said = json.loads(arrays["said"].tobytes())
    inside = said
    for step in place[:-1]:
        inside = inside[step]
    inside[place[-1]] = value
    with pytest.raises((ValueError, TypeError)):
        past_from({**arrays, "said": np.frombuffer(json.dumps(said).encode(), np.uint8)})
