"""Words, numbers, units and times in other systems' lists of alarms."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime

from vibe.core.records.history import MEASURES as MEASURES
from vibe.core.units import TO_SI, plain_unit

_COLUMNS = {
    "tag": ("tag", "drive", "machine", "asset", "equipment", "unit tag", "machine tag", "drive tag", "antrieb"),
    "point": (
        "point", "location", "position", "sensor", "channel", "measuring point", "measurement point", "messstelle",
    ),
    "time": (
        "time", "timestamp", "date", "datetime", "date time", "measured at", "when", "time stamp", "alarm time", "zeit",
    ),
    "measure": ("measure", "measurement", "parameter", "quantity", "variable", "alarm type", "kind", "messgroesse"),
    "value": ("value", "reading", "level", "actual", "actual value", "wert"),
    "limit": ("limit", "threshold", "alarm limit", "alarm level", "alarm value", "setpoint", "set point", "grenzwert"),
    "unit": ("unit", "units", "einheit"),
}  # fmt: skip
_COLUMN_OF = {word: name for name, words in _COLUMNS.items() for word in words}
_BRACKETS = re.compile(r"^(?P<name>.*?)\s*[\[(]\s*(?P<unit>[^\])]*?)\s*[\])]\s*$")
_KINDS = (
    # Words that must all be there, and the measure that they name; the first that fits.
    (({"crest", "crestfactor"},), "crest_factor"),
    (({"kurtosis", "kurt"},), "kurtosis"),
    (
        ({"velocity", "vel", "v", "vrms", "veff"}, {"rms", "eff", "effective", "overall", "vrms", "veff"}),
        "velocity_rms",
    ),
    (
        ({"acceleration", "acc", "accel", "a", "arms", "aeff"}, {"rms", "eff", "effective", "arms", "aeff"}),
        "acceleration_rms",
    ),
    (
        ({"acceleration", "acc", "accel", "a", "apeak", "apk"}, {"peak", "pk", "max", "apeak", "apk"}),
        "acceleration_peak",
    ),
)
LONGEST_CELL = 300
"""Signs of a cell that is looked into: the patterns take the square of it."""
_INCH_M = 0.0254
"""Exact by definition (1959)."""
_TIMES = (
    "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M", "%d.%m.%Y", "%Y/%m/%d %H:%M:%S", "%Y/%m/%d %H:%M", "%Y/%m/%d",
)  # fmt: skip


def column_of(header: str) -> tuple[str | None, str]:
    """What a column holds, None where that is nothing of ours; and the unit its header names."""
    unit = ""
    if len(header) > LONGEST_CELL:
        return None, ""
    found = _BRACKETS.match(header.strip())
    if found and found["name"]:
        header, unit = found["name"], found["unit"]
    return _COLUMN_OF.get(_words(header)), unit


def _words(text: str) -> str:
    return " ".join(re.findall(r"[a-z0-9]+", text.lower().replace("ö", "oe").replace("ß", "ss")))


def measure_of(text: str) -> tuple[str, str]:
    """A measure by the name that it has in a store, and a unit in brackets; an unknown one by its own name."""
    unit = ""
    found = _BRACKETS.match(text.strip())
    if found and found["name"] and (_known_unit(found["unit"]) or not found["unit"].isalpha()):
        text, unit = found["name"], found["unit"]
    plain = text.strip().lower().replace(" ", "_")
    if plain in MEASURES:
        return plain, unit
    words = set(_words(re.sub(r"([a-z])([A-Z])", r"\1 \2", text)).split())
    for needed, measure in _KINDS:
        if all(words & any_of for any_of in needed):
            return measure, unit
    return "_".join(_words(text).split()) or plain, unit


def number_of(text: str, what: str) -> tuple[float, str]:
    """A number and the unit behind it. A decimal comma is one where no point says that it parts thousands.

    Raises:
        ValueError: it is no number, or one sign may part thousands or decimals.
    """
    found = re.fullmatch(r"\s*([+-]?[\d.,\u00a0\u202f' ]*\d(?:[.,]?[eE][+-]?\d+)?)\s*([^\d\s].*)?", text)
    if found is None:
        raise ValueError(f"the {what} {text[:40]!r} is no number")
    digits = re.sub(r"[\s\u00a0\u202f']", "", found[1])
    points, commas = digits.count("."), digits.count(",")
    if points and commas:
        decimal = max(digits.rfind("."), digits.rfind(","))
        thousands = "." if digits[decimal] == "," else ","
        digits = digits.replace(thousands, "")
    elif max(points, commas) > 1:
        digits = digits.replace(".", "").replace(",", "")
    elif re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", digits):
        raise ValueError(f"the {what} {text[:40]!r} may be {digits.replace(',', '.')} or {digits.replace(',', '')}")
    try:
        return float(digits.replace(",", ".")), (found[2] or "").strip()
    except ValueError:
        raise ValueError(f"the {what} {text[:40]!r} is no number") from None


def _known_unit(text: str) -> bool:
    return bool(text) and (plain_unit(text.split(" ")[0]) in TO_SI or text.split(" ")[0] in ("in/s", "ips"))


def in_unit_of_store(value: float, unit: str, measure: str) -> tuple[float, str]:
    """``value`` in the unit that the store has for a measure. Without a unit it is taken to be in that one already.

    Raises:
        ValueError: the unit is not known, or not one of this measure.
    """
    kept = MEASURES.get(measure)
    plain = plain_unit(unit.split(" ")[0]) if unit.strip() else ""
    if kept is None or not plain or plain in ("-", "1"):
        return value, kept if kept is not None else unit.strip()
    if plain in ("in/s", "ips"):
        quantity, factor = "velocity", _INCH_M
    elif plain in TO_SI:
        quantity, factor = TO_SI[plain]
    else:
        raise ValueError(f"the unit {unit[:20]!r} is not known")
    own = TO_SI.get(plain_unit(kept))
    if own is None or own[0] != quantity:
        raise ValueError(f"{unit[:20]!r} is no unit of {measure}")
    return value * factor / own[1], kept


def slashes_of(times: Iterable[str]) -> str | None:
    """Whether dates such as 11/04/2024 have the day first ("%d/%m/%Y") or the month; None where no row shows."""
    day, month = False, False
    for text in times:
        found = re.match(r"\s*(\d{1,2})/(\d{1,2})/\d{4}", text)
        if found is not None:
            day, month = day or int(found[1]) > 12, month or int(found[2]) > 12
    return None if day == month else "%d/%m/%Y" if day else "%m/%d/%Y"


def time_of(text: str, order: str | None) -> datetime:
    """A time as systems write it: ISO 8601, day.month.year, seconds or milliseconds since 1970.

    Raises:
        ValueError: it is no time, or may be two.
    """
    text = text.strip()
    if re.fullmatch(r"\d{9,10}(\.\d+)?|\d{12,13}", text):
        seconds = float(text)
        return datetime.fromtimestamp(seconds / 1000 if seconds > 1e11 else seconds, UTC)
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        pass
    slashed = re.match(r"\d{1,2}/\d{1,2}/\d{4}", text)
    if slashed and order is None:
        raise ValueError(f"the time {text[:40]!r} may have the day or the month first: write it as 2024-11-04 10:02")
    patterns = (
        [f"{order}{clock}" for clock in (" %H:%M:%S", " %H:%M", " %I:%M:%S %p", " %I:%M %p", "")] if slashed else _TIMES
    )
    for pattern in patterns:
        try:
            return datetime.strptime(text, pattern)
        except ValueError:
            continue
    raise ValueError(f"the time {text[:40]!r} cannot be read: write it as 2024-11-04 10:02")
