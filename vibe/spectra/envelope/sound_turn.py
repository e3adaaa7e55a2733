"""The law of the cells of a sound turn, by which it is weighed how high one more of them stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr, ndtr

from vibe.spectra.envelope.synchronous_average import Turn


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundCells:
    """The law of one cell of a sound turn, from cells ``away`` from what may be damage: Gaussian noise of standard
    error ``sigma`` on an irregularity that is exponential of mean ``scale``, ``middle`` their mean."""

    middle: float
    sigma: float
    scale: float
    worth: float
    """Independent excesses from which ``scale`` is known."""

    @classmethod
    def of(cls, turn: Turn, away: NDArray[np.bool_]) -> SoundCells:
        level, sigma, n = turn.level, turn.sigma, turn.level.size
        if away.sum() < 6:
            away = level <= np.sort(level)[max(3, n // 2 - 1)]
        rest = level[away]
        middle = float(rest.mean())
        noise = max(median_of(sigma), 1e-9)
        # Neighbouring cells hang together: the variance is known as well as from n / (1 + 2 sum r²) free ones
        # (Bartlett 1946, from memory), and no worse than from the parts, each of which errs on its own: what hangs
        # together over several of them is the load.
        apart = np.where(away, level - middle, 0.0)
        own = float(apart @ apart) / rest.size
        together = 0.0
        # Laid twice in a row, a turn begins again wherever it is cut.
        twice, away_twice = np.concatenate([apart, apart]), np.concatenate([away, away])
        for lag in range(1, max(3, n // 8)):
            pairs = max(1, int(np.count_nonzero(away & away_twice[n - lag : 2 * n - lag])))
            r = float(apart @ twice[n - lag : 2 * n - lag]) / pairs / max(own, 1e-30)
            if r <= 0:
                break
            together += min(r, 1.0) ** 2
        parts = min(turn.parts / n, 1.0) * rest.size
        free = parts if turn.narrow else max(rest.size / (1 + 2 * together), parts)
        cells = max(3.0, free - turn.fitted)
        # One standard error of the variance is what irregularity may hide in, though none be seen.
        hidden = noise**2 * float(np.sqrt(2.0 / cells))
        scale = float(np.sqrt(max(own * cells / (cells - 1) - noise**2, 0.0) + hidden))
        # A scale from a variance is known half as well as one from a mean: the fourth moment of an exponential.
        return cls(middle=middle, sigma=noise, scale=scale, worth=max(2.0, cells / 2))

    def exceedance(self, level: float) -> float:
        """Probability that one more sound cell reaches ``level``.

        Closed form of the sum of a Gaussian and an exponential; the exponential's tail is the predictive one of a
        mean learnt from few excesses, (1 + y / m)^-m.
        """
        height = level - self.middle + self.scale
        y = height / self.scale - 0.5 * (self.sigma / self.scale) ** 2
        tail = float((1 + y / self.worth) ** -self.worth) if y > 0 else float(np.exp(-y))
        reach = float(np.exp(log_ndtr(height / self.sigma - self.sigma / self.scale)))
        return min(1.0, float(ndtr(-height / self.sigma)) + tail * reach)


def any_of(count: int, one: float) -> float:
    """Probability that at least one of ``count`` places does what each does with probability ``one``."""
    return float(-np.expm1(count * np.log1p(-min(one, 1 - 1e-12))))


def median_of(values: NDArray[np.float64]) -> float:
    """That of few values (n,), as ``np.median``, which asks much before it sorts."""
    rising, half = np.sort(values), values.size // 2
    return float(rising[half]) if values.size % 2 else float((rising[half - 1] + rising[half]) / 2)
