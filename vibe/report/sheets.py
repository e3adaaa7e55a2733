"""Tables as CSV; where they are made is ``core/sheets.py``, because the history writes such tables too."""

from __future__ import annotations

from vibe.core.sheets import Cell as Cell
from vibe.core.sheets import csv_text as csv_text
from vibe.core.sheets import guarded as guarded
