"""A file held by one process at a time. The system lets go of it when that process ends, however it ends."""

from __future__ import annotations

import errno
import sys
from typing import IO, Any

_NO_LOCKS = {errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP, errno.EINVAL}
"""A file system that knows no locks: better to work unguarded than not at all."""
_FAR = 1 << 30
"""Windows bars others from a locked byte; this one lies behind all that is ever written."""


def hold(stream: IO[Any], *, surely: bool = False) -> bool:
    """Take hold of an open file without waiting; False when another process holds it.

    Where the file system knows no locks the answer is True, and with ``surely`` False: what may be another's must not
    be swept away on a guess.
    """
    if sys.platform == "win32":
        import msvcrt

        place = stream.tell()
        try:
            stream.seek(_FAR)
            msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            stream.seek(place)
        return True
    import fcntl

    try:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        return not surely and error.errno in _NO_LOCKS
    return True
