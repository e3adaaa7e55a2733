"""Spectra, waveforms and maps as plain arrays with axes and units, that draw themselves on matplotlib axes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from vibe.core.evidence import Mark

MOST_LABELS = 12
"""Marks that get a label: more would lie on one another."""
_SHAPES = {"comb": "v", "sideband": "d", "owner": "o", "limit": "x"}


def axes(ax: Axes | None, *, polar: bool = False) -> Axes:
    """The axes given, else those of a new figure (by pyplot, so that a notebook shows it)."""
    if ax is not None:
        return ax
    import matplotlib.pyplot as plt

    return plt.subplots(layout="constrained", subplot_kw={"projection": "polar"} if polar else None)[1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """Values ``y`` (n,) at ``x`` (n,), both float64 and read-only, with names and units of both axes.

    ``floor`` (n,) is the local floor in the unit of ``y``, None where there is none; ``marks`` are places on the x axis
    that mean something: harmonics of a comb, predicted sidebands, running speed.
    """

    title: str
    channel: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    x_name: str
    x_unit: str
    y_name: str
    y_unit: str
    columns: tuple[str, str]
    """Names of the columns of a frame, units in them."""
    floor: NDArray[np.float64] | None = None
    marks: tuple[Mark, ...] = ()
    log_y: bool = False

    def __post_init__(self) -> None:
        if self.x.shape != self.y.shape or self.x.ndim != 1:
            raise ValueError(f"a curve needs two rows of one length, not {self.x.shape} and {self.y.shape}")
        for row in (self.x, self.y, self.floor):
            if row is not None:
                row.flags.writeable = False

    @property
    def x_label(self) -> str:
        return f"{self.x_name} [{self.x_unit}]" if self.x_unit else self.x_name

    @property
    def y_label(self) -> str:
        return f"{self.y_name} [{self.y_unit}]" if self.y_unit else self.y_name

    def to_frame(self) -> pd.DataFrame:
        """Columns x, y and, where there is one, ``floor``; shape (n, 2) or (n, 3)."""
        import pandas as pd

        rows = dict(zip(self.columns, (self.x, self.y), strict=True))
        return pd.DataFrame(rows if self.floor is None else {**rows, "floor": self.floor})

    def plot(self, ax: Axes | None = None, **line: Any) -> Axes:
        """Draw the curve, its floor and its marks; returns the axes.

        Args:
            ax: matplotlib axes to draw on; a new figure unless given.
            line: what ``Axes.plot`` takes for the curve, such as ``color`` or ``label``.
        """
        ax = axes(ax)
        ax.plot(self.x, self.y, **{"linewidth": 0.8, **line})
        if self.floor is not None:
            ax.plot(self.x, self.floor, color="0.6", linewidth=0.8)
        inside = [mark for mark in self.marks if self.x.size and self.x[0] <= mark.at <= self.x[-1]]
        for number, mark in enumerate(inside):
            height = float(self.y[max(0, np.searchsorted(self.x, mark.at) - 2) :][:5].max())
            ax.plot([mark.at], [height], _SHAPES[mark.kind], color="#d55e00", markersize=5)
            if mark.label and number < MOST_LABELS:
                ax.annotate(mark.label, (mark.at, height), (0, 5), textcoords="offset points", ha="center", fontsize=8)
        if self.log_y:
            ax.set_yscale("log")
        if self.x.size > 1:
            ax.set_xlim(float(self.x[0]), float(self.x[-1]))
        ax.set_xlabel(self.x_label)
        ax.set_ylabel(self.y_label)
        ax.set_title(self.title)
        return ax

    def __repr__(self) -> str:
        return f"{self.title}: {self.x.size} points, {self.y_label} against {self.x_label}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TurnMap:
    """The mean envelope laid on one turn of a body that carries ``count`` equal parts (pins, lobes).

    ``angle_deg`` (n,) from 0 up to 360; ``level`` (n,) has no unit: the power of the envelope at that place less the
    turn's median, over the largest such difference. ``marked`` are the parts (from 0) that stand
    out. ``absolute``: part 0 is where a once-per-turn pulse is; otherwise angles count from an arbitrary start.
    """

    title: str
    tone: str
    part: str
    count: int
    angle_deg: NDArray[np.float64]
    level: NDArray[np.float64]
    marked: tuple[int, ...]
    absolute: bool
    turns: float
    """Turns of the body that were averaged."""

    def to_frame(self) -> pd.DataFrame:
        """Columns ``angle_deg``, ``level`` and ``part`` (the nearest one, from 0); shape (n, 3)."""
        import pandas as pd

        part = np.rint(self.angle_deg / 360.0 * self.count).astype(int) % self.count
        return pd.DataFrame({"angle_deg": self.angle_deg, "level": self.level, "part": part})

    def plot(self, ax: Axes | None = None, **line: Any) -> Axes:
        """Draw the turn; returns the axes.

        Args:
            ax: polar axes (angle round the circle) or plain ones (angle in degrees along x); a new polar figure
                unless given.
            line: what ``Axes.plot`` takes for the curve.
        """
        ax = axes(ax, polar=True)
        polar = ax.name == "polar"
        turn = np.append(self.angle_deg, 360.0)
        along = np.deg2rad(turn) if polar else turn
        ax.plot(along, np.append(self.level, self.level[0]), **{"linewidth": 1.0, **line})
        places = np.arange(self.count) * 360.0 / self.count
        ticks = places[:: max(1, self.count // 24)]
        ax.set_xticks(list(np.deg2rad(ticks) if polar else ticks), [f"{round(a / 360 * self.count)}" for a in ticks])
        for part in self.marked:
            at = places[part]
            ax.axvline(float(np.deg2rad(at) if polar else at), color="#d55e00", linewidth=0.8, linestyle="--")
        if not polar:
            ax.set_xlabel(f"{self.part}, counted from 0")
            ax.set_ylabel("envelope, relative")
        ax.set_title(self.title)
        return ax

    def __repr__(self) -> str:
        return f"{self.title}: {self.angle_deg.size} points on one turn of {self.count} {self.part}s"


def nearest(names: Sequence[str]) -> str:
    """Names for a sentence."""
    return ", ".join(repr(name) for name in names) or "none"
