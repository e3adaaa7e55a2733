"""Where a pass phrase comes from: a file, the environment, or the person at the terminal. Never the command line."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from vibe.core.errors import CallError

VARIABLE, FILE_VARIABLE = "VIBE_PASS_PHRASE", "VIBE_PASS_PHRASE_FILE"


def pass_phrase(file: Path | None, *, new: bool = False) -> str:
    """The pass phrase of the signing keys; a ``new`` one is asked for twice.

    Raises:
        CallError: the file cannot be read, or nobody can be asked.
    """
    named = file or (Path(os.environ[FILE_VARIABLE]) if os.environ.get(FILE_VARIABLE) else None)
    if named is not None:
        try:
            return (named.read_text(encoding="utf-8").splitlines() or [""])[0]
        except (OSError, UnicodeDecodeError) as error:
            raise CallError(f"the pass phrase cannot be read from {named}: {error}") from None
    if VARIABLE in os.environ:
        return os.environ[VARIABLE]
    if not sys.stdin.isatty():
        raise CallError(f"nobody can be asked for the pass phrase: give --pass-phrase-file, or set {VARIABLE}")
    import typer

    return str(typer.prompt("Pass phrase of the signing keys", hide_input=True, confirmation_prompt=new, err=True))
