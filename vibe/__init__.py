"""vibe: the health of cycloidal speed reducers, read from vibration.

Data run left to right; every room imports ``core`` and no room imports another. Only ``flow`` knows them all.

    file   ──ingest──────► Capture, Drive
    Drive  ──kinematics──► ToneTable          (never sees a sample)
    Capture──spectra─────► Evidence           (never knows what a drive is)
    Tones + Evidence ──diagnosis──► Findings  (never touches a sample array)
    Findings + levels ──health────► Health    (state, urgency, advice)
    Health ──report──────► JSON, HTML, PDF    (decides nothing)

In Python, ``import vibe`` gives the names of ``__all__``; each is loaded when it is first used.

    drive = vibe.read_drive("TH-02.toml")
    result = vibe.diagnose("TH-02.h5", drive)
    result.state, result.findings.to_frame(), result.envelope_spectrum().plot()
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from vibe.api.captures import Capture, check, identify, read, simulate
    from vibe.api.drives import Drive, plan, read_drive, tones
    from vibe.api.errors import CallError, CaptureError, ConfigError, OutputError, VibeError
    from vibe.api.results import Result, diagnose
    from vibe.api.stores import Store, open_store

__version__ = "0.1.0"

__all__ = [
    "CallError",
    "Capture",
    "CaptureError",
    "ConfigError",
    "Drive",
    "OutputError",
    "Result",
    "Store",
    "VibeError",
    "check",
    "diagnose",
    "identify",
    "open_store",
    "plan",
    "read",
    "read_drive",
    "simulate",
    "tones",
]

_HOME = {
    **dict.fromkeys(("Capture", "check", "identify", "read", "simulate"), "captures"),
    **dict.fromkeys(("Drive", "plan", "read_drive", "tones"), "drives"),
    **dict.fromkeys(("CallError", "CaptureError", "ConfigError", "OutputError", "VibeError"), "errors"),
    **dict.fromkeys(("Result", "diagnose"), "results"),
    **dict.fromkeys(("Store", "open_store"), "stores"),
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    value = getattr(import_module(f"{__name__}.api.{_HOME[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
