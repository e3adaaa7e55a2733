"""Frozen values as bytes and back, equal to the last bit: for what is computed from a store and kept next to it.

JSON packed by zlib; floats are written as Python's ``repr``, which gives back the same float. Values of one class lie
column by column, whatever tuples they are in: a class is named once for all of them, and a column of plain values is
read without a look at each. Nothing is ever executed when it is read.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import datetime
from itertools import chain, islice
from typing import Any

import numpy as np

from vibe.storage.json_text import unpacked_value

_PLAIN = (str, bool, int, float)
_ROWS, _TIMES, _ARRAYS, _MAPS, _TUPLES, _MIXED = "rows", "times", "arrays", "maps", "tuples", "mixed"


class ValueForm:
    """Packs and unpacks values of some frozen dataclasses, and of what their fields hold."""

    def __init__(self, classes: Iterable[type]) -> None:
        self._classes = {one.__name__: (one, tuple(field.name for field in fields(one))) for one in classes}
        self._names = dict(self._classes.values())

    @property
    def stamp(self) -> str:
        """Changes whenever a class gains or loses a field: then what was packed before is not read."""
        said = json.dumps({name: names for name, (_, names) in sorted(self._classes.items())})
        return f"{zlib.crc32(said.encode()):08x}"

    def packed(self, value: Any) -> bytes:
        """A value as bytes. Raises: TypeError: something of a class that is not known."""
        return zlib.compress(json.dumps(self._column([value]), separators=(",", ":")).encode(), 3)

    def unpacked(self, packed: bytes) -> Any:
        """The value again. Raises: ValueError: that is none that was packed in this form."""
        try:
            (found,) = self._values(unpacked_value(packed))
        except (ValueError, KeyError, TypeError, IndexError, StopIteration) as error:
            raise ValueError(f"no value of this form: {error}") from error
        return found

    def _column(self, values: Sequence[Any]) -> list[Any]:
        """Values of one field as JSON: plain ones as they are, others by the word that says what they are."""
        kinds = {_kind(value) for value in values} - {None}
        if len(kinds) > 1:
            return [_MIXED, [self._column([value]) for value in values]]
        kind = next(iter(kinds), _PLAIN)
        if kind is _PLAIN:
            return [value.item() if isinstance(value, np.generic) else value for value in values]
        gaps = [place for place, value in enumerate(values) if value is None]
        there = [value for value in values if value is not None]
        if kind == _TIMES:
            return [{"is": _TIMES, "of": [value.isoformat() for value in there], "gaps": gaps}]
        if kind == _ARRAYS:
            types = {value.dtype.str for value in there}
            if len(types) > 1:
                return [_MIXED, [self._column([value]) for value in values]]
            return [{"is": _ARRAYS, "type": types.pop(), "of": [value.tolist() for value in there], "gaps": gaps}]
        if kind == _MAPS:
            return [{
                "is": _MAPS, "counts": [len(value) for value in there], "gaps": gaps,
                "names": self._column([name for value in there for name in value]),
                "of": self._column([one for value in there for one in value.values()]),
            }]  # fmt: skip
        if kind == _TUPLES:
            return [{"is": _TUPLES, "counts": [len(value) for value in there], "gaps": gaps,
                     "of": self._column(list(chain.from_iterable(there)))}]  # fmt: skip
        if kind not in self._names:
            raise TypeError(f"{type(there[0]).__name__} is no value that is kept")
        columns = [self._column([getattr(value, name) for value in there]) for name in self._names[kind]]
        return [{"is": _ROWS, "class": kind.__name__, "count": len(there), "of": columns, "gaps": gaps}]

    def _values(self, column: list[Any]) -> list[Any]:
        """The values again."""
        if len(column) == 2 and column[0] == _MIXED and isinstance(column[1], list):
            return [value for one in column[1] for value in self._values(one)]
        if len(column) != 1 or not isinstance(column[0], dict):
            return column
        said = column[0]
        kind = said["is"]
        if kind == _TIMES:
            found: list[Any] = [datetime.fromisoformat(one) for one in said["of"]]
        elif kind == _ARRAYS:
            found = [np.array(one, dtype=np.dtype(said["type"])) for one in said["of"]]
        elif kind == _MAPS:
            pairs = zip(self._values(said["names"]), self._values(said["of"]), strict=True)
            found = [dict(islice(pairs, count)) for count in said["counts"]]
        elif kind == _TUPLES:
            each = iter(self._values(said["of"]))
            found = [tuple(islice(each, count)) for count in said["counts"]]
        else:
            made, names = self._classes[said["class"]]
            columns = [self._values(one) for one in said["of"]]
            if any(len(one) != said["count"] for one in columns):
                raise ValueError("no value of this form: columns of unequal length")
            found = [made(**dict(zip(names, row, strict=True))) for row in _across(columns, said["count"])]
        for place in said["gaps"]:
            found.insert(place, None)
        return found


def _across(columns: Sequence[Sequence[Any]], count: int) -> Iterator[Sequence[Any]]:
    return zip(*columns, strict=True) if columns else iter([()] * count)


def _kind(value: Any) -> Any:
    """What a column of such values is; None of what is not there, which may be in any."""
    if value is None:
        return None
    if isinstance(value, (*_PLAIN, np.generic)):
        return _PLAIN
    if isinstance(value, datetime):
        return _TIMES
    if isinstance(value, np.ndarray):
        return _ARRAYS
    if isinstance(value, Mapping):
        return _MAPS
    if isinstance(value, tuple | list):
        return _TUPLES
    if is_dataclass(value):
        return type(value)
    raise TypeError(f"{type(value).__name__} is no value that is kept")
