"""The drive that tests use where any will do, as the text of its file."""

from __future__ import annotations


def drive_text(
    tag: str = "A-1",
    *,
    name: str = "",
    highest_rpm: int = 1480,
    power_kw: float | None = None,
    output_pins: int | None = None,
    more: str = "",
) -> str:
    """One cycloidal stage of ratio 11 at 1450 r/min; ``more`` are further tables, as they stand in a file."""
    lines = [
        f'tag = "{tag}"',
        *([f'name = "{name}"'] if name else []),
        "",
        "[input]",
        "speed_rpm = 1450",
        f"speed_range_rpm = [1430, {highest_rpm}]",
        *([f"power_kw = {power_kw}"] if power_kw is not None else []),
        "",
        "[[stage]]",
        'kind = "cycloidal"',
        "lobes = 11",
        "ring_pins = 12",
        *([f"output_pins = {output_pins}"] if output_pins is not None else []),
    ]
    return "\n".join(lines) + f"\n{more}"
