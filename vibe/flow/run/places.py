"""Where things lie on this machine is nobody's business who is handed a page: paths in sentences are cut short."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

_ABSOLUTE = re.compile(r"(?<![\w/.:~%])(?:[A-Za-z]:[\\/]|/)(?:[^\s/\\:;,'\"<>|]+[\\/])+(?=[^\s/\\:;,'\"<>|])")
"""The way to a file, as absolute paths of any system have it."""


def without_places(text: str, folders: Iterable[Path]) -> str:
    """``text`` with paths inside ``folders`` as seen from there, and of any other absolute path the name alone."""
    known = {str(one) for folder in folders for one in (folder.absolute(), folder.resolve())}
    for folder in sorted(known, key=len, reverse=True):
        if len(folder) > 1:  # the root says nothing of this machine
            text = re.sub(re.escape(folder) + r"[\\/]", "", text)
    return _ABSOLUTE.sub("", text)
