"""The TOML file beside a capture that says what its format cannot: ``a.wav`` has ``a.wav.toml``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.capture import Quantity
from vibe.core.drive import Positive
from vibe.core.errors import CaptureError, ConfigError
from vibe.ingest.toml_file import load_model

Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False)


class SidecarChannel(_Strict):
    """What one channel means. A value given here replaces the one in the file.

    The recorded number times ``scale`` plus ``offset`` is in ``unit``; ``full_scale`` is the recorder's range in
    ``unit`` and, for a WAV file without ``scale``, what its largest number stands for.
    """

    source: str | Annotated[int, Field(ge=0)] | None = None
    """Column, variable or channel name in the file, or its position from 0; the channel's own name unless given."""
    sample_rate_hz: Positive | None = None
    unit: str | None = None
    quantity: Quantity | None = None
    scale: Finite | None = None
    offset: Finite | None = None
    sensitivity_mv_per_g: Positive | None = None
    pulses_per_rev: Positive | None = None
    axis: str | None = None
    full_scale: Positive | None = None


class Sidecar(_Strict):
    """What a capture's format cannot say."""

    drive: str | None = None
    measured_at: datetime | str | None = None
    speed_rpm: Positive | None = None
    load_percent: Annotated[float, Field(ge=0, le=1000)] | None = None
    channels: dict[str, SidecarChannel] = Field(default_factory=dict)


def sidecar_path(capture: Path) -> Path:
    """Where the sidecar of ``capture`` would be."""
    return capture.with_name(capture.name + ".toml")


def load_sidecar(capture: Path) -> Sidecar | None:
    """The sidecar of ``capture``, None where there is none.

    Raises:
        CaptureError: it is there and wrong; the sentence names its line and field.
    """
    path = sidecar_path(capture)
    if not path.exists():
        return None
    try:
        return load_model(path, Sidecar)
    except ConfigError as error:
        line = "" if error.line is None else f", line {error.line}"
        raise CaptureError(f"its sidecar {path.name}{line} is wrong: {error.reason}", path=capture) from None
