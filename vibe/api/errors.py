"""What can go wrong by whoever calls: one tree, under ``VibeError``; every message is one sentence to act on.

Example:
    >>> import vibe
    >>> try:
    ...     vibe.read("nowhere.h5")
    ... except vibe.VibeError as error:
    ...     print(type(error).__name__, error, sep=": ")
    CaptureError: nowhere.h5: there is no such file
"""

from __future__ import annotations

from vibe.core.errors import CallError, CaptureError, ConfigError, OutputError, VibeError

__all__ = ["CallError", "CaptureError", "ConfigError", "OutputError", "VibeError"]
