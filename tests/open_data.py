"""Where measured captures that nobody here made are read: where the environment says, and nowhere else."""

from __future__ import annotations

import os
from pathlib import Path

OPEN_DATA = Path(os.environ.get("VIBE_OPEN_DATA", "VIBE_OPEN_DATA-is-not-set"))
"""Their folder; where it is not there, what needs it skips and says so."""
