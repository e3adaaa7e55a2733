"""Where in a TOML file a value stands: for messages only, the meaning is always taken from ``tomllib``."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

Place = tuple[str | int, ...]

_PART = re.compile(r"""\s*("(?:[^"\\]|\\.)*"|'[^']*'|[A-Za-z0-9_-]+)\s*(\.|$|(?=[=\]]))""")
_MULTILINE = re.compile(r'"""|\'\'\'')
_STRING = re.compile(r'"(?:[^"\\]|\\.)*"|\'[^\']*\'')


def _key(text: str) -> tuple[list[str], str] | None:
    """Dotted key at the start of ``text`` and what follows it, None where there is no key."""
    parts: list[str] = []
    rest = text
    while match := _PART.match(rest):
        word = match[1]
        parts.append(word[1:-1] if word[0] in "\"'" else word)
        rest = rest[match.end() :]
        if match[2] != ".":
            return parts, rest
    return None


def line_table(text: str) -> dict[Place, int]:
    """Line (from 1) of every table header and key of a valid TOML text, by place, e.g. ``("bearing", 0, "inner")``."""
    lines: dict[Place, int] = {(): 1}
    counts: dict[Place, int] = {}
    table: Place = ()
    until: str | None = None
    depth = 0
    for number, line in enumerate(text.split("\n"), start=1):
        if until is not None:
            # Inside a text of several lines nothing is a key.
            end = line.find(until)
            if end < 0:
                continue
            line, until = line[end + 3 :], None
            depth += _opened(line)
            continue
        if depth > 0:
            quote = _MULTILINE.search(_STRING.sub('""', line))
            depth += _opened(line)
            if quote and line.count(quote[0]) % 2:
                until = quote[0]
            continue
        bare = line.strip()
        if bare.startswith("[") and (header := _key(bare.lstrip("["))) and header[1].lstrip().startswith("]"):
            table = _open(header[0], counts, array=bare.startswith("[["))
            lines.setdefault(table, number)
            continue
        named = _key(line)
        if named is None or not named[1].lstrip().startswith("="):
            continue
        place = (*_open(named[0][:-1], counts, array=False, base=table), named[0][-1])
        for length in range(len(table), len(place) + 1):
            lines.setdefault(place[:length], number)
        value = named[1].lstrip()[1:].strip()
        quote = _MULTILINE.match(value)
        if quote and quote[0] not in value[3:]:
            until = quote[0]
        elif quote is None:
            depth = max(0, _opened(value))
            _inside_inline_table(value, place, number, lines)
    return lines


def _open(names: Sequence[str], counts: dict[Place, int], *, array: bool, base: Place = ()) -> Place:
    """Place of the table that ``names`` opens; in an array of tables the last one made so far."""
    place = base
    for position, name in enumerate(names):
        place = (*place, name)
        if array and position == len(names) - 1:
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place = (*place, counts[place])
    return place


def _opened(text: str) -> int:
    """Brackets opened less brackets closed, texts and comments left out."""
    bare = _STRING.sub("", text).split("#", 1)[0]
    return bare.count("[") + bare.count("{") - bare.count("]") - bare.count("}")


def _inside_inline_table(value: str, place: Place, number: int, lines: dict[Place, int]) -> None:
    if value.startswith("{"):
        for name in re.findall(r"[{,]\s*([A-Za-z0-9_-]+)\s*=", _STRING.sub('""', value)):
            lines.setdefault((*place, name), number)


def real_place(data: object, loc: Sequence[str | int], *, last_may_be_missing: bool) -> Place:
    """``loc`` of a validation error as a place in ``data``.

    A union's branch (the kind of a stage) stands in ``loc`` but not in the file: a name that is not a key of the
    table at hand is passed over, unless it ends ``loc`` (then it is a key that is missing).
    """
    place: list[str | int] = []
    here = data
    for position, part in enumerate(loc):
        in_list = isinstance(here, list) and isinstance(part, int) and part < len(here)
        if in_list or (isinstance(here, Mapping) and part in here):
            here = here[part]  # type: ignore[index]
        elif position < len(loc) - 1 or not last_may_be_missing:
            continue
        place.append(part)
    return tuple(place)


def line_of(lines: Mapping[Place, int], place: Place) -> int:
    """Line of ``place``, else of the nearest table around it."""
    while place and place not in lines:
        place = place[:-1]
    return lines.get(place, 1)
