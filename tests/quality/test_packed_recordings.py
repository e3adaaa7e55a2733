"""Recordings that a coder spoilt are noticed, good ones that look like them are not taken for such."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from tests.quality.packed_recordings import COUNT, recording, samples
from vibe.core.capture import Channel
from vibe.ingest import assess

GENTLE = "few bands are missing, and none for long"
NO_HOLE = "noise or a copy fills what was taken away"
MISSED = {
    **dict.fromkeys((2, 8, 10, 16, 32, 34, 36), GENTLE),
    **dict.fromkeys((18, 20, 24, 54, 56), NO_HOLE),
    42: "the change is read from two samples",
    **dict.fromkeys((48, 50), "nothing is left above 5 kHz, as after an honest filter: a remark says so"),
    52: "two halves of the band, by differences each",
}
"""Harmful ones that are not noticed, by number."""


def codes(channels: dict[str, NDArray[np.float32]], rate_hz: float) -> set[str]:
    return {
        reason.code
        for name, x in channels.items()
        for reason in assess(
            Channel(name=name, quantity="acceleration", recorded_unit="m/s^2", samples=x, sample_rate_hz=rate_hz)
        ).reasons
    }


def codes_of(number: int) -> set[str]:
    _, channels, rate_hz = samples(number)
    return codes(channels, rate_hz)


NOTICED = {"packed", "bands_missing"}


@pytest.mark.parametrize("number", [0, 28, 40], ids=["music", "two points as one", "differences"])
def test_what_a_coder_took_away_is_noticed(number: int) -> None:
    assert codes_of(number) & NOTICED


@pytest.mark.parametrize("number", [13, 51], ids=["steep filter", "rests between strokes"])
def test_meshes_in_step_are_no_slope_that_is_held(number: int) -> None:
    assert "slew_limited" not in codes_of(number)


def test_carriers_that_come_and_go_with_the_load_are_no_packing() -> None:
    """Forty decibels above all else, on for 60 % of the time: bands are missing for moments too."""
    rng, time = np.random.default_rng(1), np.arange(256_000) / 25_600
    on = np.convolve((time * 0.5) % 1 < 0.6, np.hanning(257) / 128, "same")
    tones = sum(5 * np.sin(2 * np.pi * (4_000 + off) * time) for off in (-100, -50, 0, 50, 100))
    quality = assess(
        Channel(
            name="point", quantity="acceleration", recorded_unit="m/s^2", sample_rate_hz=25_600.0,
            samples=(tones * on + rng.normal(0, 0.05, time.size) + np.sin(2 * np.pi * 181.3 * time)).astype(np.float32),
        )
    )  # fmt: skip
    assert "packed" not in {reason.code for reason in quality.reasons}
    assert quality.verdict != "rejected"


@pytest.mark.parametrize("number", [9, 25, 49], ids=["dither", "filled up telemetry", "rests between strokes"])
def test_good_recordings_are_not_called_packed(number: int) -> None:
    assert "packed" not in codes_of(number)


@pytest.mark.parametrize(("cut_hz", "ends"), [(4_000.0, True), (7_600.0, False)])
def test_what_lies_above_a_filters_end_does_not_count_as_seen(cut_hz: float, ends: bool) -> None:
    """At a fifth of the rate, but not where all recorders end."""
    x = np.fft.rfft(np.random.default_rng(6).normal(size=120_000))
    x[np.fft.rfftfreq(120_000, 1 / 20_000) > cut_hz] = 0
    line = 30 * np.sin(2 * np.pi * 181.3 * np.arange(120_000) / 20_000)
    row = np.round((np.fft.irfft(x, 120_000) + line) / 1e-3) * 1e-3
    quality = assess(
        Channel(
            name="point", quantity="acceleration", recorded_unit="m/s^2", samples=row.astype(np.float32),
            sample_rate_hz=20_000.0,
        )
    )  # fmt: skip
    assert ("ends_early" in {reason.code for reason in quality.reasons}) is ends
    assert quality.verdict == "usable"
    assert quality.usable_band_hz is not None
    assert quality.usable_band_hz[1] == pytest.approx(4_000 if ends else 20_000 / 2.56, rel=0.02)


def rounded(widening: float) -> NDArray[np.float32]:
    """Noise in eight bits, whose steps widen by about that factor from the middle to the end."""
    x = np.clip(np.random.default_rng(2).normal(0, 0.3, 65_536), -1, 1)
    whole = np.round(np.arcsinh(widening * x) / np.arcsinh(widening) * 127) / 127
    return np.asarray(np.sinh(whole * np.arcsinh(widening)) / widening, dtype=np.float32)


@pytest.mark.parametrize(("widening", "told"), [(0.1, False), (1.0, False), (10.0, True), (100.0, True)])
def test_eight_bits_that_widen_are_known_from_plain_ones(widening: float, told: bool) -> None:
    assert ("packed" in codes({"point": rounded(widening)}, 8_000.0)) is told


@pytest.mark.parametrize("integrated", [False, True], ids=["low-pass", "integrated"])
def test_a_filter_at_the_end_makes_no_velocity(integrated: bool) -> None:
    """A floor that falls all the way is velocity's, one that ends is a filter's."""
    x = np.random.default_rng(4).normal(size=60_000)
    lines = np.fft.rfft(x)
    hz = np.fft.rfftfreq(x.size, 1 / 20_000)
    lines *= 1 / np.maximum(hz, 5.0) if integrated else 1 / (1 + (hz / 3_000) ** 20) + 1e-4
    row = np.fft.irfft(lines, x.size)
    assert ("quantity" in codes({"point": (row / row.std()).astype(np.float32)}, 20_000.0)) is integrated


@pytest.mark.slow
@pytest.mark.parametrize(
    "number",
    [
        pytest.param(n, marks=pytest.mark.xfail(reason=MISSED[n], strict=True)) if n in MISSED else n
        for n in range(COUNT)
    ],
)
def test_harm_is_noticed_and_what_is_good_accepted(number: int) -> None:
    """What is packed and harmless may be called packed or not."""
    made = recording(number)
    said = codes(made.channels, made.rate_hz)
    if not made.packed:
        assert not made.harmful
        assert "packed" not in said
    elif made.harmful:
        assert said & NOTICED
