"""An empty table for the readings of a round: a row for each stop, to be filled in a spreadsheet or by hand."""

from __future__ import annotations

from vibe.core.route.route_plan import RoutePlan
from vibe.storage.csv_table import csv_text

READINGS_FILE = "readings.csv"
COLUMNS = (
    "drive", "name", "expected_rpm", "speed_rpm", "load_percent", "oil_temperature_c", "housing_temperature_c",
    "direction", "note",
)  # fmt: skip


def readings_csv(plan: RoutePlan) -> str:
    """The table, with the speeds that are to be expected."""
    rows = [
        [stop.drive, stop.name, f"{stop.speed_range_rpm[0]:.0f} to {stop.speed_range_rpm[1]:.0f}", *[None] * 6]
        for stop in plan.stops
    ]
    return csv_text(COLUMNS, rows)
