"""Numbers that the judgement does not hang on, each with the reason: the mutation study does not move them.

A key is a file and a name. ``test_mutants.py`` holds that each is still there.
"""

from __future__ import annotations

UNJUDGED: dict[str, str] = {}
