"""What can go wrong by whoever calls: one tree, under ``VibeError``; every message is one sentence to act on."""

from __future__ import annotations

from vibe.core.errors import CallError, CaptureError, ConfigError, OutputError, VibeError

__all__ = ["CallError", "CaptureError", "ConfigError", "OutputError", "VibeError"]
