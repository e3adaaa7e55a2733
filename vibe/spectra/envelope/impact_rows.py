"""How the impacts at one place of a turn differ from one turn to the next: in strength, in instant, and in a fixed way
by where a slower shaft stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

STRAY_SHARE = 0.02
"""Share of the turns, the loudest in each cell, that may be a stray shock's."""
FEWEST_TURNS_CUT = 20
"""With fewer turns one of them is too large a share of what there is."""
MOST_BLUR_CELLS = 1.0
"""Standard deviation of one impact's instant by noise alone, in cells, up to which instants that differ by no more say
that they are alike: a place is a cell or two wide."""
FEWEST_ROUNDS = 3
"""Impacts at every stand of the slower shaft, so that their mean and what each errs by are known."""
SWELLS = 2
"""Times per turn of the slower shaft up to which a load that goes round makes impacts swell: once, and twice where it
is met on both sides (common practice)."""
FEWEST_STANDS = 8
"""Stands of the slower shaft of which three at least are left once the swells are fitted, five constants."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Differences:
    """What is None was not measured.

    ``scatter``: relative standard deviation of the impacts' energy from one turn to the next. ``play_deg``: standard
    deviation of their instants, from one to the next too. ``uneven``: relative standard deviation of the energies that
    they have at the stands of a slower shaft, what swells once and twice round it taken off. All are beyond what noise
    may stand for.
    """

    scatter: float | None = None
    play_deg: float | None = None
    uneven: float | None = None


def differences(
    passes: Sequence[NDArray[np.float32]], top: int, spread: int, *, way: int = 1, meetings: int = 1, stands: int = 0
) -> Differences:
    """Of the impacts at the cell ``top`` of a turn. Of several channels the one that shows them clearest.

    Args:
        passes: of each channel the squared envelope of every turn by itself (turns, cells), relative to its mean; not a
            number where nothing was seen.
        top: the cell in which impacts are highest.
        spread: cells by which a place may reach to either side.
        way: 1 where time goes from low cells to high ones, else -1.
        meetings: equally spaced places at which the same part may strike.
        stands: turns after which a slower shaft stands as it did; 0 where none is of interest.

    Half the mean square of differences of successive turns is the variance whatever the strength does slowly (von
    Neumann et al. 1941, from memory). A squared envelope of mean ``b``, noise of variance ``v``, on which an impact of
    energy ``x`` comes, scatters by v (1 + 2 x / b).
    """
    best, clearest = Differences(), 0.0
    for each in passes:
        n = each.shape[1]
        # The first and the last turn are not whole.
        inner = each[1:-1]
        seen = np.isfinite(inner).all(axis=1)
        known = inner[seen]
        window, elsewhere = _windows(n, top, spread, way)
        if known.shape[0] < FEWEST_TURNS_CUT or not elsewhere:
            continue
        rest = [_without_strays(known[:, cells].sum(axis=1)) for cells in elsewhere]
        quiet = float(np.median([row.mean() for row in rest]))
        noise = float(np.median([_successive(row) for row in rest]))
        energy = _without_strays(known[:, window].sum(axis=1)) - quiet
        mean = float(energy.mean())
        if mean <= 0 or quiet <= 0:
            continue
        own_noise = noise * (1 + 2 * mean / quiet)
        clear = mean / np.sqrt(max(noise, 1e-30))
        if clear <= clearest:
            continue
        clearest = clear
        best = Differences(
            scatter=_beyond(_successive(energy) / mean**2, own_noise / mean**2, energy.size),
            play_deg=_play_deg(known, top, spread, way, meetings),
            uneven=_uneven(energy / mean, np.flatnonzero(seen) % stands, stands) if stands >= FEWEST_STANDS else None,
        )
    return best


def _windows(n: int, top: int, spread: int, way: int) -> tuple[NDArray[np.intp], list[NDArray[np.intp]]]:
    """Cells that an impact reaches, in the order of time, and others of as many cells each."""
    length = 3 * spread + 1
    window = (top + way * np.arange(-spread, 2 * spread + 1)) % n
    starts = range(3 * spread + 1, n - 3 * spread - length + 1, length)
    return window, [(top + way * (start + np.arange(length))) % n for start in starts]


def _beyond(found: float, noise: float, count: int) -> float:
    """Standard deviation, of a variance ``found`` from differences of ``count`` values, beyond that of noise and one
    standard error: of a variance known so (3 / n)^0.5 is the relative one."""
    beyond = found - noise
    error = float(np.sqrt(3.0 / count)) * (noise + max(beyond, 0.0))
    return float(np.sqrt(max(beyond - error, 0.0)))


def _play_deg(known: NDArray[np.float32], top: int, spread: int, way: int, meetings: int) -> float | None:
    """By how much the instants of impacts differ [deg], of whole turns (turns, cells).

    An impact that comes late by a little is the mean one less its slope times the lateness: each turn is laid against
    the slope, freed of what a stronger impact or a louder turn would give (least squares). Noise is what the same
    weights give where nothing strikes; where something does, more noise comes with it.
    """
    n = known.shape[1]
    turn = known.mean(axis=0, dtype=np.float64)
    offsets = np.arange(-spread, 2 * spread + 1)
    window = (top + way * offsets) % n
    base = float(np.median(turn))
    height = turn[window] - base
    slope = (turn[(window - way) % n] - turn[(window + way) % n]) / 2
    others = np.stack([height, np.ones(window.size)], axis=1)
    weights = slope - others @ np.linalg.lstsq(others, slope, rcond=None)[0]
    strength = float(weights @ slope)
    if strength <= 0 or base <= 0:
        return None
    weights /= strength
    # Other discs may strike the same part: there is no quiet there.
    struck = {int(cell) for k in range(meetings) for cell in (top + round(k * n / meetings) + way * offsets) % n}
    starts = range(2 * spread + 1, n - spread - window.size, max(1, window.size // 2))
    places = [(top + way * (start + np.arange(window.size))) % n for start in starts]
    quiet = [_successive(known[:, cells] @ weights) for cells in places if not struck.intersection(cells.tolist())]
    if not quiet:
        return None
    louder = float(weights**2 @ np.maximum(turn[window], base)) / (float(weights @ weights) * base)
    noise = float(np.median(quiet)) * (2 * louder - 1)
    beyond = _beyond(_successive(known[:, window] @ weights), noise, known.shape[0])
    return None if beyond <= 0 and noise > MOST_BLUR_CELLS**2 else 360.0 / n * beyond


def _uneven(energy: NDArray[np.floating], at: NDArray[np.intp], stands: int) -> float | None:
    """By how much energies (impacts,), relative, differ between the ``stands`` of a slower shaft ``at`` which they
    fall, beyond its swells and what each mean errs by."""
    count = np.bincount(at, minlength=stands)
    if count.min() < FEWEST_ROUNDS:
        return None
    mean = np.bincount(at, energy, stands) / count
    within = float(np.sum((energy - mean[at]) ** 2)) / (energy.size - stands)
    angle = 2 * np.pi * np.arange(stands) / stands
    swells = [part(k * angle) for k in range(1, SWELLS + 1) for part in (np.cos, np.sin)]
    fitted = np.stack([np.ones(stands), *swells], axis=1)
    left = mean - fitted @ np.linalg.lstsq(fitted, mean, rcond=None)[0]
    free = stands - fitted.shape[1]
    noise = within * float(np.mean(1.0 / count))
    # A variance of so many free values is known to (2 / n)^0.5.
    return float(np.sqrt(max(float(left @ left) / free - noise * (1 + np.sqrt(2.0 / free)), 0.0)))


def _without_strays(energy: NDArray[np.float32]) -> NDArray[np.float32]:
    """Energies of all turns, the loudest few cut to the next: a stray shock strikes once."""
    stray = int(np.ceil(STRAY_SHARE * energy.size))
    ceiling = np.partition(energy, energy.size - 1 - stray)[energy.size - 1 - stray]
    return np.asarray(np.minimum(energy, ceiling), dtype=np.float32)


def _successive(values: NDArray[np.floating]) -> float:
    """Variance by the differences of successive values."""
    return float(np.mean(np.diff(values.astype(np.float64)) ** 2)) / 2
