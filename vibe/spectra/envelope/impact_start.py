"""Where on a turn an impact begins, from the shape of its envelope."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from vibe.spectra.envelope.synchronous_average import Turn

DECAYS = (0.3, 0.6, 1.3, 2.8, 6.0)
"""Decay times of an impact's squared envelope that are tried, in inverse band widths: a band can show no shorter
one."""
SHARP = 0.02
"""Decay of an impact that is over within the band's own blur, same unit."""
SUBDIVISION = 4
"""Places tried per fine cell."""


def starts_deg(turn: Turn, cells: Sequence[int], spread: int, *, closely: bool) -> tuple[float, ...]:
    """Angles [deg] of the impacts that stand out at ``cells`` of the turn; ``closely``: from its fine form, if it has
    one.

    An impact's envelope crests after the impact: it rings, and the band blurs it. So a sharp part and a decaying one,
    both starting at one instant, are fitted to the fine turn, and their common start is the place."""
    if not closely or turn.fine is None:
        return tuple(float(turn.angle_deg[cell]) for cell in cells)
    fine = turn.fine - turn.fine.mean()
    n, size = fine.size, fine.size * SUBDIVISION
    near = max(1, round((spread + 0.5) / turn.level.size * size))
    windows = [
        np.arange(
            round((cell + 0.5) / turn.level.size * size) - near, near + 1 + round((cell + 0.5) / turn.level.size * size)
        )
        % size
        for cell in cells
    ]
    spectrum = np.fft.rfft(fine)
    sharp = _impact(n, turn.fine_cell, SHARP)
    a = _matched(spectrum, sharp)
    best, gain = -1.0, a
    for decay in DECAYS:
        ringing = _impact(n, turn.fine_cell, decay)
        b = _matched(spectrum, ringing)
        alike = min(float(sharp @ ringing), 1 - 1e-9)
        first, second = (a - alike * b) / (1 - alike**2), (b - alike * a) / (1 - alike**2)
        explained = np.where((first > 0) & (second > 0), first * a + second * b, np.maximum(np.maximum(a, b), 0.0) ** 2)
        if float(explained[windows[0]].max()) > best:
            best, gain = float(explained[windows[0]].max()), explained
    return tuple(float(window[int(gain[window].argmax())]) * 360.0 / size for window in windows)


@lru_cache(maxsize=64)
def _impact(cells: int, cell: float, decay: float) -> NDArray[np.float64]:
    """Squared envelope (cells,) of an impact at angle zero that decays, seen through a band; zero mean, unit energy.

    ``cell`` and ``decay`` in inverse band widths. The closed form of the transform of a decaying exponential, cut to
    the band, squared, and shared out over cells as a turn's samples are.
    """
    over = 8
    axis = np.fft.fftfreq(cells * over, cell / over)
    seen = np.where(np.abs(axis) < 0.5, 1.0 / (0.5 / decay + 2j * np.pi * axis), 0.0)
    squared = np.abs(np.fft.ifft(seen)) ** 2
    offsets = np.arange(-over + 1, over)
    wide = np.zeros(squared.size)
    wide[offsets] = (1.0 - np.abs(offsets) / over) / over
    row = np.fft.irfft(np.fft.rfft(squared) * np.fft.rfft(wide), squared.size)[over // 2 :: over]
    row -= row.mean()
    shape: NDArray[np.float64] = row / np.sqrt(row @ row)
    return shape


def _matched(spectrum: NDArray[np.complex128], shape: NDArray[np.float64]) -> NDArray[np.float64]:
    """Correlation of a turn, given its transform, with ``shape`` (cells,) at ``SUBDIVISION`` places in each cell."""
    n = shape.size
    product = spectrum * np.conj(np.fft.rfft(shape))
    if n % 2 == 0:
        product[-1] *= 0.5
    padded = np.zeros(n * SUBDIVISION // 2 + 1, dtype=np.complex128)
    padded[: product.size] = product
    result: NDArray[np.float64] = np.fft.irfft(padded, n * SUBDIVISION) * SUBDIVISION
    return result
