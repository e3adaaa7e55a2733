"""Plain values as TOML writes them, for the files next to simulated captures."""

from __future__ import annotations

from datetime import date


def toml_value(value: object) -> str:
    """A text, number, truth value, day, time or list of these."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_value(item) for item in value) + "]"
    return repr(value)
