"""Options that several commands share, with one wording each."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vibe.core.errors import CallError

DriveFile = Annotated[Path, typer.Argument(metavar="DRIVE.toml", help="The drive's file.", show_default=False)]
DriveOption = Annotated[
    Path, typer.Option("--drive", metavar="DRIVE.toml", help="The drive's file.", show_default=False)
]
MaybeDrive = Annotated[
    Path | None,
    typer.Option("--drive", metavar="DRIVE.toml", help="The drive's file: its speed sharpens the checks."),
]
Captures = Annotated[
    list[Path],
    typer.Argument(metavar="CAPTURE...", help="Captures, or folders that hold captures.", show_default=False),
]
Out = Annotated[Path | None, typer.Option("--out", metavar="DIR", help="Folder for the pages; made if missing.")]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are there already.")]
Strict = Annotated[
    bool,
    typer.Option("--strict", help="Exit status 3 when a capture was rejected or a drive is in state act."),
]
Workers = Annotated[
    int | None,
    typer.Option("--workers", min=1, max=1024, metavar="N", help="Processes to use; as many as cores unless given."),
]
Cluster = Annotated[
    str | None,
    typer.Option(
        "--cluster", metavar="ADDRESS",
        help="Instead of processes here: a Dask cluster, by the address of its scheduler, for example tcp://host:8786.",
    ),
]  # fmt: skip

Readings = Annotated[
    Path | None,
    typer.Option(
        "--readings", metavar="FILE",
        help="What was read at the stops, in one file: speed, load, temperatures. vibe plan writes an empty one.",
    ),
]  # fmt: skip


def one_of(workers: int | None, cluster: str | None) -> None:
    """Refuse both at once. Raises: CallError."""
    if workers is not None and cluster is not None:
        raise CallError(
            "--workers counts processes of this machine, --cluster uses those of a cluster: give one of them"
        )
