"""What pictures share that the plotting library draws: its settings, and the same SVG for the same picture."""

from __future__ import annotations

import io
import logging
import re
import warnings
from typing import TYPE_CHECKING, Any

from matplotlib import rc_context

from vibe.report.drawing.canvas import GREY, INK

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SETTINGS: dict[Any, Any] = {
    "svg.fonttype": "path",
    "svg.hashsalt": "vibe",
    "text.parse_math": False,
    "axes.unicode_minus": True,
    "font.size": 8.5,
    "axes.labelsize": 8.5,
    "xtick.labelsize": 8,
    "ytick.labelsize": 8,
    "axes.edgecolor": GREY,
    "axes.linewidth": 0.6,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "path.simplify": True,
    "path.simplify_threshold": 0.05,
}
"""Sizes in points, as on the other pictures of a page; fixed names make the same SVG each time."""


def svg(figure: Figure) -> str:
    """The figure as SVG text, the same bytes for the same picture."""
    stream = io.StringIO()
    with rc_context(SETTINGS), warnings.catch_warnings():
        # A name in a script that the built-in font lacks is drawn as boxes; the page has it in full next to the
        # picture.
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        logging.getLogger("matplotlib.font_manager").setLevel(logging.ERROR)
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    # Hundredths of a point are finer than any printer; the rest is weight.
    return re.sub(
        r' d="[^"]*"', lambda path: re.sub(r"(\.\d\d)\d+", r"\1", path.group()).replace(".00", ""), stream.getvalue()
    )
