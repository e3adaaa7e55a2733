"""The TOML files that say what a capture's format cannot: ``a.wav`` has ``a.wav.toml``, a folder ``folder.toml``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field

from vibe.core.capture import TURNING, Quantity
from vibe.core.errors import CaptureError, ConfigError
from vibe.core.route.route import FileChannel, folded
from vibe.core.strict import Positive
from vibe.core.units import plain_unit
from vibe.ingest.config.toml_file import load_model
from vibe.storage.regular import leads_out

if TYPE_CHECKING:
    from vibe.ingest.raw_rows import RawChannel

Finite = Annotated[float, Field(allow_inf_nan=False)]


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)


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

    @property
    def describes_channels(self) -> bool:
        return bool(self.channels)


class FolderSidecar(_Strict):
    """What holds for every capture of one folder. Time and channels belong to each file by itself."""

    drive: str | None = None
    speed_rpm: Positive | None = None
    load_percent: Annotated[float, Field(ge=0, le=1000)] | None = None


class RouteSidecar(Sidecar):
    """A sidecar, and what a route knows of the file: taken only where file and sidecar leave something open.

    It is made by the program, never read from a file.
    """

    fill: FileChannel = Field(default_factory=FileChannel)
    tachometers: frozenset[str] = frozenset()
    """Folded names, as ``folded`` makes them, of channels that are pulse sensors."""
    time_zone: str | None = None

    @property
    def describes_channels(self) -> bool:
        return bool(self.channels) or self.fill != FileChannel()

    def filled(self, name: str, raw: RawChannel, stated: SidecarChannel, remarks: list[str]) -> SidecarChannel:
        """``stated`` with what ``fill`` knows of the channel ``raw``, finally called ``name``."""
        given: dict[str, object] = {}
        fill, rate = self.fill, stated.sample_rate_hz or raw.sample_rate_hz
        if rate is None:
            given["sample_rate_hz"] = fill.sample_rate_hz
        elif fill.sample_rate_hz is not None and abs(fill.sample_rate_hz - rate) > 1e-4 * rate:
            remarks.append(
                f"channel {name!r}: recorded at {rate:g} Hz, the route says {fill.sample_rate_hz:g} Hz: check the "
                "settings of the logger"
            )
        quantity = stated.quantity or raw.quantity
        if quantity is None and not self.tachometers.isdisjoint({folded(name), folded(raw.name)}):
            quantity = given["quantity"] = "tachometer"
        if quantity not in TURNING:
            given |= self._calibration(name, raw, stated, remarks)
        return stated.model_copy(update={key: value for key, value in given.items() if value is not None})

    def _calibration(self, name: str, raw: RawChannel, stated: SidecarChannel, remarks: list[str]) -> dict[str, object]:
        """Unit and what belongs to it. A scale meant for one unit must never be laid on numbers in another."""
        fill, unit = self.fill, stated.unit or raw.unit
        given: dict[str, object] = {}
        if not unit:
            given["unit"] = fill.unit
        elif fill.unit is not None and plain_unit(unit) != plain_unit(fill.unit):
            remarks.append(
                f"channel {name!r}: recorded in {unit}, the route says {fill.unit}: nothing is taken from the route"
            )
            return given
        if stated.sensitivity_mv_per_g is None and raw.sensitivity_mv_per_g is None:
            given["sensitivity_mv_per_g"] = fill.sensitivity_mv_per_g
        if stated.scale is None and stated.full_scale is None:
            # Either may set what a count stands for, so that the two of the sidecar are not mixed with the route's.
            given["scale"] = fill.scale if raw.scale is None else None
            given["full_scale"] = fill.full_scale if raw.full_scale is None else None
        return given


def sidecar_path(capture: Path) -> Path:
    """Where the sidecar of ``capture`` would be."""
    return capture.with_name(capture.name + ".toml")


_M = TypeVar("_M", Sidecar, FolderSidecar)

FOLDER_FILE = "folder.toml"
"""Holds for all captures that lie in the same folder."""


def load_sidecar(capture: Path) -> Sidecar | None:
    """The sidecar of ``capture``, filled up with what its folder says; None where neither is there.

    Raises:
        CaptureError: one is there and wrong; the sentence names its line and field.
    """
    folder, own = folder_sidecar(capture), own_sidecar(capture)
    if folder is None or own is None:
        return own or folder
    return own.model_copy(
        update={name: value for name, value in folder if value is not None and getattr(own, name) is None}
    )


def own_sidecar(capture: Path) -> Sidecar | None:
    """What ``<capture>.toml`` alone says; None where it is not there.

    Raises:
        CaptureError: it is wrong; the sentence names its line and field.
    """
    path = sidecar_path(capture)
    return _load(path, Sidecar, capture) if path.exists() else None


def sidecar_paths(capture: Path) -> tuple[Path, Path]:
    """The files that may show for ``capture``, there or not: its sidecar and that of its folder."""
    return sidecar_path(capture), capture.with_name(FOLDER_FILE)


def folder_sidecar(capture: Path) -> Sidecar | None:
    """What ``folder.toml`` next to ``capture`` says of every capture there; None where it says nothing.

    Raises:
        CaptureError: it is wrong; the sentence names its line and field.
    """
    own, path = sidecar_paths(capture)
    if not path.is_file() or path == own:
        return None
    said = _load(path, FolderSidecar, capture)
    if said == FolderSidecar():
        return None
    return Sidecar(drive=said.drive, speed_rpm=said.speed_rpm, load_percent=said.load_percent)


def _may_be_read(path: Path) -> bool:
    try:
        with path.open("rb"):
            return True
    except PermissionError:
        return False
    except OSError:
        return True


def _load(path: Path, model: type[_M], capture: Path) -> _M:
    # As with captures: what a link brings from elsewhere is not of this folder.
    if path.is_symlink() and leads_out(path, capture.parent):
        raise CaptureError(
            f"its sidecar {path.name} is a link that leads out of its folder: put the file itself there", path=capture
        )
    try:
        return load_model(path, model)
    except ConfigError as error:
        if not _may_be_read(path):
            raise CaptureError(
                f"its sidecar {path.name} cannot be read: permission denied", path=capture,
                remedy="Ask for read access to the sidecar; no new capture is needed.",
            ) from None  # fmt: skip
        line = "" if error.line is None else f", line {error.line}"
        raise CaptureError(
            f"its sidecar {path.name}{line} is wrong: {error.reason}", path=capture,
            remedy="Correct the sidecar; no new capture is needed.",
        ) from None  # fmt: skip
