"""Any file -> capture, and the captures of a folder."""

from __future__ import annotations

import os
import stat
import warnings
from pathlib import Path

from vibe.core.capture import Capture
from vibe.core.errors import CallError, CaptureError, VibeError
from vibe.ingest.config.other_file import CAPTURE, instead, kind_of_file
from vibe.ingest.config.sidecar import Sidecar, load_sidecar
from vibe.ingest.formats.registry import HEAD_BYTES, SUFFIXES, known_formats, pick

ELSEWHERE = "Check it on a machine with more memory; no new capture is needed."
ASK = "Ask for read access; no new capture is needed."
COME_BACK = "Put the card or stick back, or copy the file again."


def read_capture(path: Path, sidecar: Sidecar | None = None) -> Capture:
    """Read one file of any known format, with its sidecar ``<file>.toml`` if there is one.

    ``sidecar`` is taken in place of that file.

    Raises:
        CaptureError: always this one, whatever a library underneath raised; one sentence that says why.
    """
    head = _head(path)
    form = pick(head, path.suffix.lower())
    if form is None:
        if said := instead(kind_of_file(path), CAPTURE.name):
            raise CaptureError(said, path=path, remedy="Give the capture itself; no new capture is needed.")
        raise CaptureError(
            f"unsupported format; supported are {known_formats()}", path=path,
            remedy="Export it from the logger in one of these formats; no new capture is needed.",
        )  # fmt: skip
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return form.read(path, load_sidecar(path) if sidecar is None else sidecar)
    except CaptureError as error:
        if error.path is not None:
            raise
        raise CaptureError(error.plain, path=path, detail=error.detail, remedy=error.remedy) from None
    except MemoryError:
        raise CaptureError("needs more memory than there is", path=path, remedy=ELSEWHERE) from None
    except PermissionError:
        raise CaptureError("permission denied: ask for read access", path=path, remedy=ASK) from None
    except VibeError as error:
        raise CaptureError(str(error), path=path) from error
    except Exception as error:
        detail = " ".join(str(error).split())[:160]
        reason = f"cannot be read as {_name(form)}, it may be damaged or cut off"
        raise CaptureError(reason, path=path, detail=detail) from error


def _name(form: object) -> str:
    from vibe.ingest.formats.registry import FORMATS

    return next(name for name, known in FORMATS.items() if known is form)


def _head(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            if _is_closed(path):
                raise CaptureError("permission denied for this folder and all in it", path=path, remedy=ASK)
            raise CaptureError("is a folder where a capture is needed", path=path)
        if not stat.S_ISREG(status.st_mode):
            raise CaptureError("is not an ordinary file", path=path)
        if status.st_size == 0:
            raise CaptureError("is empty", path=path)
        with path.open("rb") as stream:
            return stream.read(HEAD_BYTES)
    except FileNotFoundError:
        raise CaptureError("there is no such file", path=path, remedy=COME_BACK) from None
    except PermissionError:
        raise CaptureError("permission denied: ask for read access", path=path, remedy=ASK) from None
    except (OSError, ValueError) as error:
        raise CaptureError(f"cannot be read: {getattr(error, 'strerror', None) or error}", path=path) from None


def _is_closed(folder: Path) -> bool:
    """Whether a folder may not be looked into; modes do not say so for everybody."""
    try:
        for inside in folder.iterdir():
            inside.lstat()
    except PermissionError:
        return True
    except OSError:
        return False
    return False


def find_captures(folder: Path) -> tuple[Path, ...]:
    """Captures in ``folder`` and below, sorted: files of known suffix, not hidden, and in truth inside the folder. One
    of its folders that cannot be read stands for what is in it, and is refused when it is read.

    Raises:
        CallError: there is no such folder.
    """
    if not folder.is_dir():
        what = "is a file where a folder of captures is needed" if folder.is_file() else "is no folder of captures"
        raise CallError(f"{folder} {what}")
    inside = folder.resolve()
    found: list[Path] = []

    def closed(error: OSError) -> None:
        if isinstance(error, PermissionError):
            found.append(Path(error.filename))

    for base, folders, files in os.walk(folder, onerror=closed, followlinks=False):
        folders[:] = [name for name in folders if not name.startswith(".")]
        try:
            found += [Path(base) / name for name in files if _is_capture(Path(base) / name, inside)]
        except PermissionError:
            found.append(Path(base))
            folders.clear()
    return tuple(sorted(found))


def _is_capture(path: Path, inside: Path) -> bool:
    """Raises: PermissionError."""
    if path.name.startswith(".") or path.suffix.lower() not in SUFFIXES:
        return False
    # A link may point anywhere; only what lies inside the folder is a capture of it.
    return (not path.is_symlink() or _leads_into(path, inside)) and path.is_file()


def _leads_into(link: Path, folder: Path) -> bool:
    try:
        return link.resolve(strict=True).is_relative_to(folder)
    except (OSError, RuntimeError):  # nowhere, or round in a ring
        return False
