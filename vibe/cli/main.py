"""The command ``vibe``: puts the commands together, and sees to it that every end is a plain one."""

from __future__ import annotations

import gc
import logging
import os
import sys
import warnings
from collections.abc import Sequence
from typing import Annotated

import typer

from vibe import __version__
from vibe.cli.alarms import app as alarms
from vibe.cli.certificate import app as certificate
from vibe.cli.check import check
from vibe.cli.demo import demo
from vibe.cli.desk import desk
from vibe.cli.diagnose import diagnose
from vibe.cli.guide import guide
from vibe.cli.history import app as history
from vibe.cli.identify import identify
from vibe.cli.inbox import inbox
from vibe.cli.plan import plan
from vibe.cli.population import population
from vibe.cli.practice import practice
from vibe.cli.promise import promise
from vibe.cli.run import run
from vibe.cli.schema import schema
from vibe.cli.shared.exit_status import debugging, plainly
from vibe.cli.shared.once import once_only
from vibe.cli.simulate import simulate
from vibe.cli.tones import tones
from vibe.cli.years import years

app = typer.Typer(
    name="vibe",
    help="Condition monitoring of cycloidal speed reducers by vibration.",
    epilog="Exit status: 0 done; 2 the call or an input file is wrong; 3 with --strict, when a capture was rejected "
    "or a drive is in state act. VIBE_DEBUG=1 shows tracebacks.",
    add_completion=True,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
)

_SHORT = {
    "desk": "The analyst's desk, in a browser.",
    "practice": "Make a practice round with faults of collecting.",
    "years": "Make a sample history of two years.",
    "inbox": "Watch a folder: captures are judged as they come.",
    "population": "Compare the drives of a type.",
    "promise": "What hours and failures prove about a promise.",
    "history": "Captures kept over the years.",
    "alarms": "What is beyond its limits, the most urgent first.",
    "certificate": "Certificates of new drives: check and show them.",
}
"""One line each for the list of commands, where a command's own first sentence is longer than a line of a terminal."""
for _command in (
    demo,
    run,
    diagnose,
    identify,
    tones,
    plan,
    check,
    practice,
    simulate,
    years,
    desk,
    inbox,
    population,
    promise,
    schema,
    guide,
):
    app.command(_command.__name__, short_help=_SHORT.get(_command.__name__))(plainly(_command))
for _group, _short in ((history, _SHORT["history"]), (alarms, _SHORT["alarms"]), (certificate, _SHORT["certificate"])):
    app.add_typer(_group, short_help=_short)
once_only(app)


_LOOK_AFTER = 10_000
"""New objects after which those that hold one another are looked for; Python's own choice is 700."""


def _version(wanted: bool) -> None:
    if wanted:
        print(f"vibe {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    pass


def main(argv: Sequence[str] | None = None) -> None:
    """Run the command line ``argv`` (the process's own unless given) and leave by ``SystemExit``."""
    if argv is None and not sys.warnoptions and not debugging():
        _hush()
    # What libraries bring stays to the end: looking through it for what can go costs a tenth of the start.
    gc.set_threshold(_LOOK_AFTER)
    # Matrices here are small: shared among threads their arithmetic costs several times as much, and no time is won.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        # A sign that the terminal's code page lacks must not end the command; files and programs get UTF-8.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding=None if stream.isatty() else "utf-8", errors="backslashreplace")
    try:
        app(args=None if argv is None else list(argv), prog_name="vibe")
    except SystemExit as end:
        sys.exit(_flushed(end.code))


def _hush() -> None:
    """What libraries mutter to programmers helps no user: not here, not in worker processes."""
    warnings.simplefilter("ignore")
    os.environ.setdefault("PYTHONWARNINGS", "ignore")
    logging.getLogger().addHandler(logging.NullHandler())


def _flushed(status: str | int | None) -> str | int | None:
    """``status``, or that of a broken pipe when what is still to be written finds no reader."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except BrokenPipeError:
        # The interpreter flushes once more on its way out; let it flush into nothing.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 141
    return status


if __name__ == "__main__":
    main()
