"""Statements of a history's pages that cannot both be true, read from the pages as a browser gets them.

What is checked: time order (what is called now is not older than what is called before, nothing begins after the page's
day), sign (what rose did not fall), one series (a picture shows the part that its page is about, a chart and a sentence
name one course), limits that could ever be met, and words for what is not on the page.
"""

from __future__ import annotations

import html
import json
import re
from collections.abc import Iterator
from datetime import datetime
from typing import Any

_DATA = re.compile(r'<script type="application/json" class="data">(.*?)</script>', re.S)
_TAGS = re.compile(r"<[^>]+>")
_DB = re.compile(r"([+−-])(\d+(?:\.\d+)?) dB")
_INTERVAL = re.compile(r"\(([+−-]?\d+(?:\.\d+)?) to ([+−-]?\d+(?:\.\d+)?)(?: dB)?\)")
_DAY = r"(\d{1,2} [A-Z][a-z]{2} \d{4})"
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_UP = re.compile(r"\b(?:grew|grows|growing|grown|rose|risen|stepped up)\b", re.I)
_DOWN = re.compile(r"\b(?:fell|falling|fallen|stepped down)\b", re.I)
_STILL = re.compile(r"^Steady\b", re.I)
STEADY_DB = 6.0
"""A course that is called steady next to such a change needs a word on how it came there."""
LIMIT_DB = 20.0
"""Ten times what is usual: a level that far is an advanced fault, and no limit waits for it."""
ROUNDED_DB = 0.05


def contradictions(page: str) -> list[str]:
    """All contradictions of a page; none of a page that may be shown."""
    found: list[str] = []
    visible = _text(page)
    for data in _documents(page):
        if "captures" in data:
            found += _order_of_captures(data)
        if "series" in data:
            found += [trouble for series in data["series"] for trouble in _of_series(series)]
            found += _part_of_page(page, data["series"])
    found += [trouble for sentence in _sentences(visible) for trouble in _of_sentence(sentence)]
    found += _days(visible)
    if "where the map shows" in visible and 'class="map' not in page:
        found.append("the page speaks of a map and has none")
    if "a capture with a once-per-turn pulse" in visible and "under load at the pulse" in visible:
        found.append("asks for a pulse that the capture had")
    return found


def _documents(page: str) -> Iterator[dict[str, Any]]:
    for found in _DATA.findall(page):
        read = json.loads(found)
        if isinstance(read, dict):
            yield read


def _text(page: str) -> str:
    page = re.sub(r"<(script|style)\b.*?</\1>", " ", page, flags=re.S)
    page = re.sub(r"</(?:p|td|th|li|h\d|dd|dt|caption|option)>", ". ", page)
    return " ".join(html.unescape(_TAGS.sub(" ", page)).split())


def _sentences(text: str) -> list[str]:
    return re.split(r"(?<=[a-z)])[.;] ", text)


def _number(sign: str, digits: str) -> float:
    return float(digits) if sign == "+" else -float(digits)


def _of_sentence(sentence: str) -> list[str]:
    found = []
    for first, second in _INTERVAL.findall(sentence):
        if first == second and "dB" in sentence:
            found.append(f"an interval from a number to itself: {sentence}")
    changes = [_number(*pair) for pair in _DB.findall(sentence)]
    if len(changes) == 1:
        if _UP.search(sentence) and not _DOWN.search(sentence) and changes[0] < -ROUNDED_DB:
            found.append(f"it rose, by less than nothing: {sentence}")
        if _DOWN.search(sentence) and not _UP.search(sentence) and changes[0] > ROUNDED_DB:
            found.append(f"it fell, by more than nothing: {sentence}")
    if re.search(r"\d+(?:\.\d+)? days \(\d", sentence):
        found.append(f"days until a limit are stated: {sentence}")
    return found


def _of_series(series: dict[str, Any]) -> list[str]:
    """A series whose words, course and limits do not go together."""
    found, name, words = [], series["name"], series["words"]
    found += [f"{name}: {trouble}" for sentence in _sentences(words) for trouble in _of_sentence(sentence)]
    changes = [_number(*pair) for pair in _DB.findall(words.partition(" since the baseline")[0])]
    if _STILL.match(words) and changes and abs(changes[0]) > STEADY_DB + ROUNDED_DB:
        found.append(f"{name}: steady, and far from what is usual: {words}")
    if _STILL.match(words) and "dB a month" in words:
        found.append(f"{name}: steady, with a rate: {words}")
    usual, decibels = series.get("usual"), series["unit"] == "dB"
    most = None if usual is None else usual + LIMIT_DB if decibels else usual * 10 ** (LIMIT_DB / 20)
    for row in series.get("limit_rows", []):
        value = re.match(r"(-?[\d.]+)", row["value"])
        if row["source"] == "ISO rules" or not row["name"].startswith("alarm"):
            continue
        if most is not None and value and float(value[1]) > 1.01 * most:
            found.append(f"{name}: a limit of {row['value']} where {usual:.3g} is usual")
    times = series["x"]
    if times != sorted(times):
        found.append(f"{name}: captures out of order")
    return found


def _order_of_captures(data: dict[str, Any]) -> list[str]:
    captures, start = data["captures"], data["start"]
    times = [one["at"] for one in captures]
    found = [] if times == sorted(times) else ["captures of the viewer are out of order"]
    before = [one["at"] for one in captures if one["why"] in ("before", "first of all")]
    found += [
        f"what is called {one['why']} is older than what is called before"
        for one in captures if one["why"] in ("now", "latest") and before and one["at"] < max(before)
    ]  # fmt: skip
    latest = [one["at"] for one in captures if one["why"] in ("now", "latest")]
    if latest and max(latest) < times[-1]:
        found.append("what is called now is not the youngest")
    if start["b"] >= 0 and times[start["a"]] <= times[start["b"]]:
        found.append("A is shown over a B that is younger")
    return found


def _part_of_page(page: str, series: list[dict[str, Any]]) -> list[str]:
    """The first picture of an alarm's page is of the tone that was found, where that has a history."""
    tone = re.search(r'data-tone="([^"]+)"', page)
    if tone is None or not series:
        return []
    name, own = html.unescape(tone[1]), [one for one in series if one["subject"] == html.unescape(tone[1])]
    first = series[0]["subject"]
    return [f"a finding of {name} is pictured by {first}"] if own and first and first != name else []


def _days(text: str) -> list[str]:
    """Days of one page in the order in which they must come."""

    def day(words: str) -> datetime:
        number, month, year = words.split()
        return datetime(int(year), _MONTHS.index(month) + 1, int(number))

    found = []
    as_of = re.search(rf"As of {_DAY}", text)
    for began, opened in re.findall(rf"Began {_DAY}, in the queue since {_DAY}", text):
        if day(began) > day(opened):
            found.append(f"in the queue since {opened}, before it began on {began}")
    if as_of is not None:
        said = re.findall(rf"(?:since|last on|measured) {_DAY}", text)
        late = [words for words in said if day(words) > day(as_of[1])]
        found += [f"{words} lies after the day of the page, {as_of[1]}" for words in late]
    return found
