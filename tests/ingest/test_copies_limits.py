"""One recording or two: each number is met from both sides of its limit, on polarities made by hand."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.ingest.ingest_signals import channel
from vibe.ingest.quality.recording import noise_print, same_recording
from vibe.ingest.quality.recording.same_recording import ComparedRecordings, Polarity, SameRecording, polarity

Row = NDArray[np.float64]


def noise(size: int, seed: int = 3) -> Row:
    return np.random.default_rng(seed).standard_normal(size)


def density(bits: NDArray[np.uint8], count: int, rate_hz: float, at_hz: float) -> float:
    """Power of polarities within 40 Hz of a frequency."""
    power = np.abs(np.fft.rfft(2.0 * np.unpackbits(bits, count=count) - 1.0)) ** 2
    hz = np.fft.rfftfreq(count, 1 / rate_hz)
    return float(power[np.abs(hz - at_hz) < 40.0].mean())


@pytest.mark.parametrize(
    ("of_print", "inside_hz", "outside_hz"),
    [(False, 300.0, 150.0), (False, 4_000.0, 5_600.0), (True, 300.0, 150.0), (True, 1_300.0, 1_550.0)],
)
def test_of_a_band_polarity_is_kept(of_print: bool, inside_hz: float, outside_hz: float) -> None:
    """200 to 5000 Hz of one round's captures, 200 to 1400 Hz of earlier ones."""
    made = [channel(noise(102_400))]
    rate_hz = 4_000.0 if of_print else 12_800.0
    found = noise_print.noise_print(made) if of_print else polarity(made)[0]
    assert found is not None
    assert found.count == round(102_400 / 25_600.0 * rate_hz)
    inside, outside = (density(found.bits, found.count, rate_hz, hz) for hz in (inside_hz, outside_hz))
    assert inside > 2 * outside


@pytest.mark.parametrize(("size", "enough"), [(4_000, False), (4_200, True)])
def test_four_thousand_samples_are_compared(size: int, enough: bool) -> None:
    assert bool(polarity([channel(noise(size))])) is enough


def test_a_line_is_six_times_the_floor() -> None:
    """Of noise, whose power is exponential, exp(-6 ln 2) = 1.6 % of the bins lie above six times the median."""
    row = same_recording.between_lines(noise(65_536).astype(np.float32), 12_800.0, (200.0, 5_000.0), 12_800.0)
    assert row is not None
    size, hz = np.abs(np.fft.rfft(row)), np.fft.rfftfreq(row.size, 1 / 12_800.0)
    band = size[(hz > 250.0) & (hz < 4_900.0)]
    assert np.mean(band < 1e-3 * np.median(band)) == pytest.approx(0.0156, rel=0.25)


@pytest.mark.parametrize(("off", "another_pace"), [(1.6e-5, False), (2.6e-5, True)])
def test_what_following_leaves_open_is_no_other_pace(off: float, another_pace: bool) -> None:
    assert ("resampled" in SameRecording(pace=1 + off).in_words) is another_pace


def kept(signs: NDArray[np.bool_]) -> tuple[Polarity, ...]:
    nothing = np.zeros(128, dtype=np.float32)
    return (
        Polarity(
            channel="a", bits=np.packbits(signs), count=signs.size, sample_rate_hz=12_800.0, head=nothing,
            tail=nothing, weights=np.empty(0), error=1.0, mean=0.0,
        ),
    )  # fmt: skip


def is_copy(share: float, size: int, second: float = 0.0, lag: int = 3_000) -> bool:
    """Whether two are one of which a share agrees, all else being chance, and a second one ``lag`` samples later."""
    draw = np.random.default_rng(6)
    one = draw.random(size) < 0.5
    # Of what does not agree by design, half agrees by chance: every other one, here.
    order = draw.permutation(size)
    first, then = round(share * size), round((share + second) * size)
    other = one.copy()
    other[order[first:then]] = np.roll(one, lag)[order[first:then]]
    rest = order[then:]
    other[rest[::2]] = ~one[rest[::2]]
    return ComparedRecordings([kept(one), kept(other)]).same(0, 1) is not None


@pytest.mark.parametrize(("share", "copy"), [(0.17, False), (0.25, True)])
def test_copies_agree_by_a_fifth(share: float, copy: bool) -> None:
    assert is_copy(share, 20_000) is copy


@pytest.mark.parametrize(("size", "copy"), [(600, False), (2_000, True)])
def test_and_by_ten_deviations(size: int, copy: bool) -> None:
    """0.3 x sqrt(600) = 7, 0.3 x sqrt(2000) = 13."""
    assert is_copy(0.3, size) is copy


@pytest.mark.parametrize(("second", "copy"), [(0.2, False), (0.13, True)])
def test_and_three_times_as_much_as_elsewhere(second: float, copy: bool) -> None:
    assert is_copy(0.5, 20_000, second) is copy


@pytest.mark.parametrize(("lag", "copy"), [(200, True), (320, False)])
def test_elsewhere_is_a_fiftieth_of_a_second_away(lag: int, copy: bool) -> None:
    assert is_copy(0.5, 20_000, 0.3, lag) is copy


def test_windows_of_five_milliseconds_are_loud_from_half_as_much_energy_again() -> None:
    """Twenty samples at 4000 Hz."""
    row = np.ones(400, dtype=np.float32)
    row[40:60], row[100:120] = np.sqrt(1.3), np.sqrt(1.7)
    assert np.flatnonzero(~noise_print._quiet(row)).tolist() == [5]
    assert noise_print._quiet(row).size == 20


@pytest.mark.parametrize(
    ("share", "elsewhere", "seconds", "copy"),
    [
        (0.23, 0.0, 60.0, True), (0.17, 0.0, 60.0, False), (0.6, 0.11, 60.0, True), (0.6, 0.13, 60.0, False),
        (0.25, 0.0, 0.75, True), (0.25, 0.0, 0.6, False),
    ],
)  # fmt: skip
def test_prints_of_one_recording_agree_by_a_fifth_and_five_times_as_much_as_elsewhere(
    share: float, elsewhere: float, seconds: float, copy: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And by ten standard deviations: 2400 values a second make 10.6 = 0.25 x sqrt(1800) and 9.5."""
    followed = np.array([[0.0, 0.0, 1.0], [1_000.0, 1_000.0, 1.0]])
    monkeypatch.setattr(noise_print, "_place", lambda one, other: (0.0, 0.0, 1.0))
    monkeypatch.setattr(noise_print, "_followed", lambda one, other, *place: followed)
    monkeypatch.setattr(noise_print, "_agreement", lambda one, other, middles, line: (share, elsewhere, seconds))
    nothing: Any = SimpleNamespace()
    assert (noise_print.ComparedPrints([])._found(nothing, nothing) is not None) is copy


def test_pieces_are_sought_at_paces_within_three_per_cent() -> None:
    """At the beginning and the end, in steps of 1.1 thousandths."""
    made = noise_print.noise_print([channel(noise(102_400))])
    assert made is not None
    lines, places = noise_print._Prepared(made).pieces
    paces = sorted({pace for _, pace in places})
    assert (paces[0], paces[-1]) == pytest.approx((1 - 0.0297, 1 + 0.0297))
    assert np.diff(paces) == pytest.approx(0.0011)
    assert len({middle for middle, _ in places}) == 2
    assert len(lines) == len(places)


@pytest.mark.parametrize(("height", "stands_out"), [(5.0, False), (7.0, True)])
def test_a_piece_stands_out_by_six_deviations(height: float, stands_out: bool) -> None:
    """Of correlations by chance, and one that is so many of their deviations high."""
    block, length = noise_print.BLOCK, noise_print._bins().stop - noise_print._bins().start
    draw = np.random.default_rng(7)
    size = draw.standard_normal(length) + 1j * draw.standard_normal(length)
    size[0] = height
    one: Any = SimpleNamespace(pieces=(np.ones((1, length), dtype=np.complex64), [(0.0, 1.0)]))
    other: Any = SimpleNamespace(blocks=[np.fft.fft(size).astype(np.complex64)], count=block)
    assert (noise_print._place(one, other) is not None) is stands_out


def test_a_recording_runs_at_its_own_pace_unless_another_is_known() -> None:
    assert SameRecording().pace == 1.0
    assert SameRecording(lag_s=2.0).turned_about() == SameRecording(lag_s=-2.0)
