"""Outputs appear whole or not at all."""

from __future__ import annotations

import errno
import hashlib
import os
import re
import secrets
import shutil
import stat
from collections.abc import Collection, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from vibe.core.errors import OutputError
from vibe.storage.locks import hold


def write_whole(path: Path, content: bytes | str, *, force: bool = False, private: bool = False) -> Path:
    """Write ``content`` to ``path`` through a file next to it that then takes the name.

    Without ``force`` nothing is ever replaced, not even what another process puts there at the same moment; with it a
    link is replaced itself and not what it leads to. What a process that was ended had begun for the same ``path`` is
    removed. Others may read the file as the user's umask says; ``private``: nobody else may.

    Raises:
        OutputError: something is there and ``force`` is not given, or it is no plain file, or it cannot be written.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        _refuse_taken(path, force=force)
        path.parent.mkdir(parents=True, exist_ok=True)
        part, stream = _begun(path)
        try:
            with stream:
                if private and os.name == "posix":  # before anything is in it
                    os.fchmod(stream.fileno(), stat.S_IRUSR | stat.S_IWUSR)
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
                if os.name != "nt":  # named while it is still held, so that nobody takes it for abandoned
                    _name(part, path, force=force)
            if os.name == "nt":
                _name(part, path, force=force)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        check_folder(path.parent)
        raise OutputError(f"cannot write {path}: {error.strerror or error}") from error
    return path


def file_sha256(path: Path) -> str:
    """SHA-256 of the file's bytes, read in pieces. Raises: OSError where it cannot be read."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def remove_older(path: Path) -> None:
    """Remove an output of an earlier run that this one does not make.

    Raises:
        OutputError: it is a folder, or may not be removed.
    """
    try:
        path.unlink(missing_ok=True)
    except OSError as error:
        raise OutputError(f"cannot remove {path}: {error.strerror or error}; name another --out") from error


def _refuse_taken(path: Path, *, force: bool) -> None:
    if not force and os.path.lexists(path):
        raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    if path.exists() and not path.is_file():  # a folder; or a device, which a rename would take from everybody
        raise OutputError(f"{path} is there and is no plain file; name another --out")


def _begun(path: Path) -> tuple[Path, IO[bytes]]:
    """A new file next to ``path``, held while it is written. Its name follows from that of ``path``: so what an ended
    process left is in the way of the next one, which removes it."""
    sign = hashlib.sha256(path.name.encode("utf-8", "surrogateescape")).hexdigest()[:8]
    while True:
        part = path.with_name(f".{_short(path.name)}.{sign}.part")
        try:
            stream = part.open("xb")
        except FileExistsError:
            if not removed_if_abandoned(part):
                sign = secrets.token_hex(4)  # another process is writing the same file just now
            continue
        if hold(stream) and _is_same(stream, part):
            return part, stream
        stream.close()  # another process took it for abandoned before it was held


def removed_if_abandoned(part: Path) -> bool:
    """Remove a file that a process had begun, unless that process still lives; whether it is gone."""
    try:
        if not stat.S_ISREG(part.lstat().st_mode):
            return False
        with part.open("rb") as stream:
            if not (hold(stream, surely=True) and _is_same(stream, part)):
                return False
            if os.name != "nt":
                part.unlink(missing_ok=True)
        if os.name == "nt":  # an open file cannot be removed there
            part.unlink(missing_ok=True)
    except FileNotFoundError:
        return True
    except OSError:
        return False
    return True


@contextmanager
def staged(folder: Path, name: str) -> Iterator[Path]:
    """A hidden folder in ``folder``, for files that are made first and take their places afterwards; gone at the end.

    Those that ended processes left there are removed first. Raises: OSError where it cannot be made. An OutputError of
    what is done inside names the place that was meant, and a folder that was made for it goes again.
    """
    fresh = not folder.exists()
    for left in folder.glob(f".{name}.????????.stage"):
        if removed_if_abandoned(left / _LOCK) and not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
    while True:
        stage = folder / f".{name}.{secrets.token_hex(4)}.stage"
        stage.mkdir(parents=True)
        try:
            lock = (stage / _LOCK).open("xb")
        except FileNotFoundError:
            continue  # another process took it for abandoned before it was held
        if hold(lock) and _is_same(lock, stage / _LOCK):
            break
        lock.close()
    try:
        yield stage
    except OutputError as error:
        raise OutputError(str(error).replace(str(stage), str(folder))) from None
    finally:
        lock.close()
        shutil.rmtree(stage, ignore_errors=True)
        if fresh:
            with suppress(OSError):  # what was made is in it
                folder.rmdir()


_LOCK = ".lock"


def _is_same(stream: IO[bytes], path: Path) -> bool:
    try:
        return os.path.samestat(os.fstat(stream.fileno()), path.lstat())
    except OSError:
        return False


def _name(part: Path, path: Path, *, force: bool) -> None:
    """Give a whole file its name; without ``force`` only if nobody has taken it meanwhile."""
    if force:
        part.replace(path)
        return
    try:
        if os.name == "nt":
            part.rename(path)  # refuses by itself there
        else:
            os.link(part, path)
    except FileExistsError:
        _refuse_taken(path, force=False)
        raise
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        _refuse_taken(path, force=False)
        part.replace(path)


_NO_LINKS = {errno.EPERM, errno.EACCES, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EMLINK, errno.EXDEV}
"""A file system that knows no second name for a file, such as those of memory cards."""


def _short(name: str) -> str:
    """As much of ``name`` as leaves room for the rest of a part's name: 255 bytes are the most that is usual."""
    return os.fsdecode(os.fsencode(name[:80])[:232]) if len(os.fsencode(name[:80])) > 232 else name[:80]


def is_part_of(part: str, names: Collection[str]) -> bool:
    """Whether ``part`` is the name of a file that ``write_whole`` had begun for one of ``names`` and never ended."""
    found = re.fullmatch(r"\.(.+)\.[a-z0-9_]{8}\.part", part)
    return found is not None and found[1] in {_short(name) for name in names}


def check_folder(folder: Path) -> None:
    """Refuse, before long work is done for it, a folder that can never be written.

    Raises:
        OutputError: it, or something above it, is a file, or may not be written.
    """
    for place in (folder, *folder.parents):
        try:
            is_folder, is_taken = place.is_dir(), os.path.lexists(place)
        except OSError as error:
            raise OutputError(
                f"{place} cannot be read ({(error.strerror or str(error)).lower()}); name another --out"
            ) from error
        if is_folder:
            if not os.access(place, os.W_OK | os.X_OK):
                where = "" if place == folder else f"{folder}: "
                # A path that begins nowhere ends at ".": people know the folder where they stand by its name.
                shown = place.resolve() if place == Path() else place
                raise OutputError(f"{where}{shown} may not be written; name another --out")
            return
        if is_taken:
            where = "" if place == folder else f"{folder}: "
            nowhere = place.is_symlink() and not place.exists()
            what = "a link that leads nowhere" if nowhere else "a file"
            raise OutputError(f"{where}{place} is {what} where a folder is needed")


_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)
JOURNAL = "run.journal"
"""What a run keeps next to its drives until it has ended."""
_OWN = {"assets", "index.html", "drives.csv", "run.json", JOURNAL}


def writable(text: str) -> str:
    """``text`` with what UTF-8 cannot hold replaced: the name of a file need not be text at all."""
    return re.sub("[\ud800-\udfff]", "\ufffd", text)


def safe_name(tag: str) -> str:
    """A file name made of ``tag``: no separators, no control characters, never hidden, empty or like an option, no
    name of a device and none of the files that a run writes next to its drives.

    Two different tags never share a name: whatever had to be replaced is distinguished by a short digest.
    """
    plain = re.sub(r"[^A-Za-z0-9._-]+", "_", tag).lstrip("._-").rstrip("._")[:80]
    if _DEVICES.fullmatch(plain) or plain.lower() in _OWN:
        plain = f"drive_{plain}"
    if plain and plain == tag:
        return plain
    digest = hashlib.sha256(tag.encode("utf-8", "surrogatepass")).hexdigest()[:8]
    return f"{plain}-{digest}" if plain else digest
