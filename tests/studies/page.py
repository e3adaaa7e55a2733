"""A study's table and figure, next to one another in ``tests/studies/results``."""

from __future__ import annotations

import argparse
import csv
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

RESULTS = Path(__file__).resolve().parent / "results"


def options(what: str, *, count: int, counts: str, only: str = "") -> argparse.Namespace:
    """The command line that all studies share: how many cases, from which seed on, on how many processes, where to.

    ``only``: what ``--only`` narrows the study to, whole numbers; where none is given there is no such option.
    """
    parser = argparse.ArgumentParser(description=what)
    parser.add_argument("--count", type=int, default=count, help=f"{counts} (default {count})")
    parser.add_argument("--seed", type=int, default=1000, help="first seed (default 1000)")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--out", type=Path, default=RESULTS, help="folder for table and figure")
    if only:
        parser.add_argument("--only", type=int, nargs="*", default=[], help=f"{only} (default all)")
    return parser.parse_args()


def write_table(folder: Path, name: str, rows: Sequence[Mapping[str, Any]]) -> Path:
    """``rows`` as CSV; all must have the keys of the first."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.csv"
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return path


def write_figure(folder: Path, name: str, figure: Figure) -> Path:
    """``figure`` as PNG."""
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}.png"
    figure.savefig(path, dpi=110)
    return path


def new_figure(width: float = 8.0, height: float = 5.0) -> tuple[Figure, Any]:
    """A figure with one pair of axes, without a window."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), layout="constrained")
    return figure, figure.subplots()


class Clock:
    """Tells how long a study took."""

    def __init__(self) -> None:
        self._start = time.monotonic()

    def __str__(self) -> str:
        return f"{(time.monotonic() - self._start) / 60:.1f} min"
