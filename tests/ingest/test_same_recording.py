"""One recording under several names is seen whatever was done to it; repeats of one machine are not taken for one."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from vibe.core.capture import Channel
from vibe.ingest.quality.recording.same_recording import ComparedRecordings, Polarity, SameRecording, polarity

RATE_HZ = 25_600.0
SECONDS = 3
Rows = NDArray[np.float64]


def measured(seed: int, speed_hz: float = 24.31) -> Rows:
    """(2, n) two points of one machine: lines of its shaft and mesh in any phase, impacts that ring, and noise."""
    draw = np.random.default_rng(seed)
    t = np.arange(int(SECONDS * RATE_HZ)) / RATE_HZ
    start = draw.uniform()
    lines = sum(
        np.cos(2 * np.pi * (order * (speed_hz * t + start)) + order) * 2.0 / (1 + order % 5)
        for order in (1, 2, 13, 13 + 1 / 12, 26, 39, 52)
    )
    impacts = np.zeros((2, t.size))
    impacts[:, (np.arange(start, speed_hz * SECONDS, 1.0833) / speed_hz * RATE_HZ).astype(int)] = 3.0
    noise = draw.normal(size=(2, t.size))
    # Two resonances that ring, as a casing does.
    rung = lfilter([1.0], np.convolve([1, -1.9, 0.98], [1, -1.2, 0.97]), 0.2 * noise + impacts)
    return np.asarray(lines + rung + 0.02 * draw.normal(size=rung.shape))


def kept(rows: Rows, rate_hz: float = RATE_HZ) -> tuple[Polarity, ...]:
    return polarity([
        Channel(name=f"p{number}", samples=row.astype(np.float32), sample_rate_hz=rate_hz, recorded_unit="m/s^2",
                quantity="acceleration")
        for number, row in enumerate(rows)
    ])  # fmt: skip


@pytest.fixture(scope="module")
def first() -> Rows:
    return measured(1)


def found(one: Rows, other: Rows) -> SameRecording | None:
    return ComparedRecordings([kept(one), kept(other)]).same(0, 1)


@pytest.mark.parametrize("what", ["moved", "noise", "backwards", "turned over", "one turned over", "all of it"])
def test_a_recording_is_known_again_whatever_was_done_to_it(first: Rows, what: str) -> None:
    draw = np.random.default_rng(9)
    noise = 0.1 * first.std() * draw.normal(size=first.shape)
    other = {
        "moved": first[:, 7_770:],
        "noise": first + noise,
        "backwards": first[:, ::-1],
        "turned over": -first,
        "one turned over": first * np.array([[1.0], [-1.0]]),
        "all of it": -1.01 * np.roll(first[::-1, ::-1], 9_000, axis=1) + noise,
    }[what]
    same = found(first, other)
    assert same is not None
    assert not same.joined
    assert same.turned == (what in ("backwards", "all of it"))
    if what == "moved":
        assert same.lag_s == pytest.approx(7_770 / RATE_HZ, abs=1e-4)
        assert "moved by 0.304 s" in same.in_words


def test_it_is_known_again_at_another_rate(first: Rows) -> None:
    from scipy.signal import resample

    slower = resample(first, int(SECONDS * 20_000), axis=1)
    assert ComparedRecordings([kept(first), kept(slower, 20_000.0)]).same(0, 1) is not None


def test_pieces_of_one_recording_are_seen_to_run_on_in_either_order(first: Rows) -> None:
    half = first.shape[1] // 2
    for one, other, said in (
        (first[:, :half], first[:, half:], "the second begins with the sample after the last of the first"),
        (first[:, half:], first[:, :half], "the first begins with the sample after the last of the second"),
    ):
        same = found(one, other)
        assert same is not None
        assert same.joined
        assert said in same.in_words


def test_repeats_of_one_machine_are_as_many_recordings(first: Rows) -> None:
    """At the very same speed, at another, and one that is a second later of the same run."""
    repeats = [first, measured(2), measured(3), measured(4, speed_hz=24.4), measured(5)[:, : int(RATE_HZ)]]
    compared = ComparedRecordings([kept(rows) for rows in repeats])
    assert [(a, b) for a in range(5) for b in range(a) if compared.same(b, a) is not None] == []
    third = first.shape[1] // 3
    assert found(first[:, :third], first[:, third + 2_000 :]) is None


def test_what_holds_nothing_is_not_compared() -> None:
    assert kept(np.zeros((1, 9_000))) == ()
    assert kept(np.random.default_rng(1).normal(size=(1, 500))) == ()
    assert ComparedRecordings([(), kept(measured(1))]).same(0, 1) is None
