"""What was worked out lately, kept within a limit of bytes; several threads may ask."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Any, TypeVar

T = TypeVar("T")

LIMIT_BYTES = 64 << 20
"""Samples of some ten captures and as many pictures as anybody looks at in a morning."""
_EACH_BYTES = 512
"""What an entry takes besides its arrays, about."""


class ByteCache:
    """Values by key, the least recently asked thrown out first. What is larger than half the limit is not kept."""

    def __init__(self, limit_bytes: int = LIMIT_BYTES) -> None:
        self._limit = limit_bytes
        self._lock = threading.Lock()
        self._kept: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._bytes = 0

    @property
    def bytes(self) -> int:
        """What is held at this moment."""
        return self._bytes

    def get(self, key: Hashable, make: Callable[[], T], size: Callable[[T], int]) -> T:
        """The value of ``key``; made where it is not there. Two threads may make the same one: both are right."""
        with self._lock:
            if key in self._kept:
                self._kept.move_to_end(key)
                return self._kept[key][0]  # type: ignore[no-any-return]
        value = make()
        weight = size(value) + _EACH_BYTES
        if weight <= self._limit // 2:
            with self._lock:
                if key in self._kept:
                    self._bytes -= self._kept.pop(key)[1]
                self._kept[key] = (value, weight)
                self._bytes += weight
                while self._bytes > self._limit:
                    self._bytes -= self._kept.popitem(last=False)[1][1]
        return value

    def clear(self) -> None:
        """Forget all."""
        with self._lock:
            self._kept.clear()
            self._bytes = 0
