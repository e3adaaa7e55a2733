"""The sheet of a route for a phone or tablet: one page that needs no network, with boxes to tick and fields to fill.

What is typed stays in the browser and is saved as the file that ``--readings`` takes; the table that waits for whoever
prefers a spreadsheet has the same columns.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

from markupsafe import Markup

from vibe.core.route.route_plan import RoutePlan
from vibe.report.pages import shell
from vibe.report.pages.route_sheet_data import route_sheet
from vibe.storage.csv_table import csv_text

READINGS_FILE = "readings.csv"
"""The empty table, for whoever prefers a spreadsheet."""
COLUMNS = (
    "drive", "name", "speed_rpm", "load_percent", "oil_temperature_c", "housing_temperature_c", "direction", "taken",
    "note",
)  # fmt: skip
_TABLE = (
    "drive", "name", "expected_rpm", "speed_rpm", "load_percent", "oil_temperature_c", "housing_temperature_c",
    "direction", "note",
)  # fmt: skip
MOST_BOXES = 24
"""Boxes at one point; there is room for more than on paper."""


def phone_html(plan: RoutePlan, cautions: Sequence[str]) -> str:
    """The page, with its one script inside."""
    return shell.render(
        "phone.html.j2",
        sheet=route_sheet(plan, cautions),
        columns=COLUMNS,
        most_boxes=MOST_BOXES,
        keep=_keep(plan),
        own_script=Markup((shell.TEMPLATES / "phone.js").read_text(encoding="utf-8")),
    )


def _keep(plan: RoutePlan) -> str:
    """Under what a browser keeps a round: other stops or points are another round."""
    parts = [
        plan.title,
        *(f"{stop.drive}\n{point.name}\n{point.captures}" for stop in plan.stops for point in stop.points),
    ]
    return hashlib.sha256("\n".join(parts).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def readings_csv(plan: RoutePlan) -> str:
    """The table, with the speeds that are to be expected."""
    rows = [
        [stop.drive, stop.name, f"{stop.speed_range_rpm[0]:.0f} to {stop.speed_range_rpm[1]:.0f}", *[None] * 6]
        for stop in plan.stops
    ]
    return csv_text(_TABLE, rows)
