"""Phase and coherence of single lines between channels that were sampled together, from spectra that are there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from vibe.core.evidence import CrossLine
from vibe.spectra.basic.lines import HALF_BINS


def cross_lines(
    transforms: Mapping[str, NDArray[np.complex64]],
    bin_hz: float,
    wanted: Sequence[tuple[str, float]],
    *,
    spread: float = 0.0,
) -> tuple[CrossLine, ...]:
    """Every pair of channels at the lines ``wanted`` (name, frequency [Hz]).

    The cross-spectrum under a Hann window is summed over a line's main lobe, as its power is (``read_lines``), at the
    place where all channels together are strongest. Of white noise the seven bins are worth some four and a half that
    are independent, of which a coherence of 0.9 comes by chance about once in four hundred:
    ``(1 - c²) ** (n - 1)`` (Carter, Knapp & Nuttall, IEEE Trans. Audio Electroacoust. 21, 1973, from memory).

    Args:
        transforms: by channel, (n,) each: plain transforms of rows of one rate and length.
        bin_hz: spacing of their bins [Hz].
        wanted: names and frequencies; those off the axis are left out.
        spread: relative uncertainty of the frequencies.
    """
    names = list(transforms)
    if len(names) < 2:
        return ()
    last = min(row.size for row in transforms.values())
    found: list[CrossLine] = []
    for name, frequency in wanted:
        middle = frequency / bin_hz
        reach = int(np.ceil(spread * middle)) + 1
        a, b = int(middle) - reach - HALF_BINS, int(middle) + reach + 2 + HALF_BINS
        if a < 1 or b > last - 1:
            continue
        plain = np.array([transforms[channel][a - 1 : b + 1] for channel in names], dtype=np.complex128)
        # A periodic Hann window is three neighbouring bins (Harris, Proc. IEEE 66, 1978).
        rows = 0.5 * plain[:, 1:-1] - 0.25 * (plain[:, :-2] + plain[:, 2:])
        inner = np.sum(np.abs(rows[:, HALF_BINS : rows.shape[1] - HALF_BINS]) ** 2, axis=0)
        spot = HALF_BINS + int(inner.argmax())
        lobe = rows[:, spot - HALF_BINS : spot + HALF_BINS + 1]
        cross = lobe.conj() @ lobe.T
        power = np.maximum(np.diag(cross).real, 1e-30)
        found += [
            CrossLine(
                name=name,
                first=names[i],
                second=names[j],
                phase_deg=float(np.degrees(np.angle(cross[i, j]))),
                coherence=float(min(1.0, abs(cross[i, j]) / np.sqrt(power[i] * power[j]))),
                amplitude_ratio=float(np.sqrt(power[j] / power[i])),
            )
            for i, j in combinations(range(len(names)), 2)
        ]
    return tuple(found)


def joined_cross_lines(of_segments: Sequence[tuple[CrossLine, ...]]) -> tuple[CrossLine, ...]:
    """The lines of all segments together: directions weighted by coherence are averaged, ratios geometrically. A phase
    that is another in every segment has little coherence left."""
    by_pair: dict[tuple[str, str, str], list[CrossLine]] = {}
    for lines in of_segments:
        for line in lines:
            by_pair.setdefault((line.name, line.first, line.second), []).append(line)
    joined = []
    for (name, first, second), lines_of_pair in by_pair.items():
        mean = np.mean([line.coherence * np.exp(1j * np.radians(line.phase_deg)) for line in lines_of_pair])
        ratio = np.exp(np.mean([np.log(max(line.amplitude_ratio, 1e-15)) for line in lines_of_pair]))
        joined.append(
            CrossLine(
                name=name,
                first=first,
                second=second,
                phase_deg=float(np.degrees(np.angle(mean))),
                coherence=float(abs(mean)),
                amplitude_ratio=float(ratio),
            )
        )
    return tuple(joined)
