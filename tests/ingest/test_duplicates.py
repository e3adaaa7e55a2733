"""The same delivery twice, and its twins that only look alike."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from vibe.core.capture import Channel
from vibe.ingest import find_captures, read_capture, same_content, samples_hash

ROOT = Path(__file__).parents[2]
NOISE = np.random.default_rng(11).normal(0, 3, 30_000)


def channel(samples: np.ndarray, rate_hz: float = 12_800) -> Channel:
    return Channel(name="a", samples=samples, sample_rate_hz=rate_hz, quantity="acceleration", recorded_unit="m/s^2")


def test_files_of_the_same_bytes_are_found_whatever_they_are_called(tmp_path: Path) -> None:
    contents = {
        "a.wav": b"1" * 900,
        "b.h5": b"2" * 900,
        "sub/c.csv": b"1" * 900,
        "d.wav": b"1" * 901,
        "e.wav": b"",
        "f.wav": b"",
    }
    for name, content in contents.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(content)
    paths = [tmp_path / name for name in ("b.h5", "sub/c.csv", "d.wav", "a.wav", "e.wav", "f.wav", "gone.wav")]
    assert same_content(paths) == ((tmp_path / "sub/c.csv", tmp_path / "a.wav"),)
    assert same_content([paths[0], paths[0]]) == ()
    assert same_content([]) == ()


def test_what_cannot_be_read_is_in_no_group(tmp_path: Path) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
    assert same_content([tmp_path / "a", tmp_path / "b"]) == ()


def test_samples_are_known_again_in_another_unit_scale_and_rounding() -> None:
    own = samples_hash(channel(NOISE))
    counts = np.rint(NOISE / 3e-4)
    assert len(own) == 64
    for same in (NOISE / 9.80665, NOISE * 1e-3 + 0.25, np.array([float(f"{v:.6g}") for v in NOISE])):
        assert samples_hash(channel(same)) == own
    assert samples_hash(channel(NOISE, rate_hz=25_600)) == own
    assert samples_hash(channel(counts * 3e-4)) == samples_hash(channel(counts / 32_768 * 9.81))


def test_samples_that_differ_are_not_confused() -> None:
    own = samples_hash(channel(NOISE))
    other = np.random.default_rng(12).normal(0, 3, NOISE.size)
    same_tops = np.where(NOISE > 0, NOISE, -np.abs(other))
    for different in (other, NOISE[:-1], NOISE[1:], np.roll(NOISE, 1), -NOISE, NOISE + 0.3 * other, same_tops):
        assert samples_hash(channel(different)) != own


def test_the_same_machine_running_on_is_another_recording() -> None:
    """A line spectrum repeats itself; noise does not."""
    time_s = np.arange(60_000) / 12_800
    tone = np.sin(2 * np.pi * 24.3 * time_s) + 0.01 * np.random.default_rng(1).normal(0, 1, time_s.size)
    assert samples_hash(channel(tone[:30_000])) != samples_hash(channel(tone[30_000:]))


def test_what_stands_still_has_no_hash_and_holes_do_no_harm() -> None:
    quiet = np.zeros(30_000)
    assert samples_hash(channel(quiet)) == ""
    assert samples_hash(channel(quiet + np.where(np.arange(30_000) == 7, 1.0, 0.0))) == ""
    assert samples_hash(channel(np.full(30_000, np.nan))) == ""
    assert samples_hash(channel(NOISE[:200])) == ""
    hole = NOISE.copy()
    hole[np.argsort(np.abs(NOISE))[:20]] = np.nan
    assert samples_hash(channel(hole)) == samples_hash(channel(NOISE))
    gap = NOISE.copy()
    gap[5_000:9_000] = np.nan
    assert samples_hash(channel(gap)) not in ("", samples_hash(channel(NOISE)))


def test_no_two_channels_of_the_samples_are_the_same_but_each_is_itself() -> None:
    folder = ROOT / "sample_signals"
    channels = [one for path in find_captures(folder)[:8] for one in read_capture(path).channels]
    hashes = [samples_hash(one) for one in channels]
    assert len(set(hashes)) == len(hashes) > 8
    assert "" not in hashes
    assert [samples_hash(replace(one, samples=one.samples / np.float32(9.80665))) for one in channels] == hashes
