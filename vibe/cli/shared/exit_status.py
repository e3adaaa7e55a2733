"""How a command ends: every error one sentence on standard error, every exit status one that scripts can rely on."""

from __future__ import annotations

import errno
import functools
import os
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import NoReturn, ParamSpec

import typer

from vibe.cli.shared.interrupts import status as interrupt_status
from vibe.cli.shared.interrupts import terms_heeded
from vibe.cli.shared.pulse import beating
from vibe.cli.shared.shipped import with_shipped
from vibe.core.errors import VibeError, defect

P = ParamSpec("P")

WRONG_CALL = 2
"""The call or an input file is wrong."""
NEEDS_ACTION = 3
"""With --strict: a capture was rejected, or a drive is in state act."""
DEFECT = 1
"""Our own mistake, as Python ends after an error that nobody caught."""
NO_READER = 141
"""128 and the number of SIGPIPE, 13, as shells report it."""

_CIRCUMSTANCES = {
    errno.EACCES, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EMFILE, errno.ENAMETOOLONG, errno.ENFILE, errno.ENOSPC,
    errno.EPERM, errno.EROFS,
}  # fmt: skip
"""What the machine or the user's rights refuse: nobody's defect."""


def debugging() -> bool:
    """Whether tracebacks are wanted."""
    return os.environ.get("VIBE_DEBUG", "") not in ("", "0")


def plainly(command: Callable[P, None]) -> Callable[P, None]:
    """``command`` with its errors turned into one sentence and an exit status."""

    @functools.wraps(command)
    def answer(*args: P.args, **kwargs: P.kwargs) -> None:
        try:
            with terms_heeded(), beating(command.__name__):
                given, note = with_shipped(kwargs)
                if note:
                    print(one_line(note), file=sys.stderr)
                command(*args, **given)  # type: ignore[arg-type]
        except VibeError as error:
            refuse(str(error), WRONG_CALL)
        except KeyboardInterrupt as stop:
            if str(stop):  # what the one who was interrupted knows of it
                print(one_line(str(stop)), file=sys.stderr)
            raise typer.Exit(interrupt_status(stop)) from None
        except BrokenPipeError:
            raise typer.Exit(NO_READER) from None
        except (typer.Exit, typer.Abort):
            raise
        except MemoryError:
            refuse("this needs more memory than there is; try fewer or shorter captures, or --workers 1", WRONG_CALL)
        except OSError as error:
            if error.errno not in _CIRCUMSTANCES:
                refuse(defect(error), DEFECT)
            where = "" if error.filename is None else f"{error.filename}: "
            refuse(f"{where}{(error.strerror or str(error)).lower()}", WRONG_CALL)
        except Exception as error:
            # Usage errors of the option parser know how to show themselves.
            if hasattr(error, "show") and hasattr(error, "exit_code"):
                raise
            refuse(defect(error), DEFECT)

    return answer


def strictly(needs_action: bool, strict: bool) -> None:
    """Leave with status 3 when that was asked for."""
    if strict and needs_action:
        raise typer.Exit(NEEDS_ACTION)


def reported(failures: Sequence[str], drives: int, *, is_defect: bool) -> None:
    """Leave when some drives of a run could not be reported, after all that could be has been."""
    if failures:
        count = "1 drive" if len(failures) == 1 else f"{len(failures)} drives"
        refuse(f"{count} of {drives} could not be reported: {failures[0]}", DEFECT if is_defect else WRONG_CALL)


def one_line(text: str) -> str:
    """``text`` without line breaks and control characters: it may quote a hostile file."""
    from vibe.report.words import printable

    return printable(" ".join(text.split()))


def refuse(sentence: str, status: int) -> NoReturn:
    """Leave with one sentence on standard error and ``status``."""
    if debugging() and sys.exc_info()[0] is not None:
        traceback.print_exc()
    print(f"error: {one_line(sentence)}", file=sys.stderr)
    raise typer.Exit(status) from None
