"""Frozen values as bytes and back, equal to the last bit: for what is computed from a store and kept next to it.

JSON packed by zlib: a value is a list that begins with the name of its class; floats are written as Python's ``repr``,
which gives back the same float. Nothing is ever executed when it is read.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import fields, is_dataclass
from datetime import datetime
from typing import Any

import numpy as np

_TIME, _ARRAY, _MAP, _TUPLE = "t", "a", "m", "l"


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
        return zlib.compress(json.dumps(self._plain(value), separators=(",", ":")).encode(), 3)

    def unpacked(self, packed: bytes) -> Any:
        """The value again. Raises: ValueError: that is none that was packed in this form."""
        try:
            return self._value(json.loads(zlib.decompress(packed)))
        except (zlib.error, KeyError, TypeError, IndexError) as error:
            raise ValueError(f"no value of this form: {error}") from error

    def _plain(self, value: Any) -> Any:
        if value is None or isinstance(value, str | bool | int):
            return value
        if isinstance(value, float):
            return float(value)
        if isinstance(value, datetime):
            return [_TIME, value.isoformat()]
        if isinstance(value, np.ndarray):
            return [_ARRAY, value.dtype.str, value.tolist()]
        if isinstance(value, np.generic):
            return value.item()
        if isinstance(value, Mapping):
            return [_MAP, [[self._plain(name), self._plain(one)] for name, one in value.items()]]
        if isinstance(value, tuple | list):
            return [_TUPLE, *map(self._plain, value)]
        if is_dataclass(value) and type(value) in self._names:
            return [
                f"!{type(value).__name__}",
                *(self._plain(getattr(value, name)) for name in self._names[type(value)]),
            ]
        raise TypeError(f"{type(value).__name__} is no value that is kept")

    def _value(self, plain: Any) -> Any:
        if not isinstance(plain, list):
            return plain
        kind, rest = plain[0], plain[1:]
        if kind == _TUPLE:
            return tuple(map(self._value, rest))
        if kind == _TIME:
            return datetime.fromisoformat(rest[0])
        if kind == _ARRAY:
            return np.array(rest[1], dtype=np.dtype(rest[0]))
        if kind == _MAP:
            return {self._value(name): self._value(one) for name, one in rest[0]}
        made, names = self._classes[kind[1:]]
        return made(**dict(zip(names, map(self._value, rest), strict=True)))
