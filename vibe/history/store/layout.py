"""What lies where in a store, in the words that stand in the store itself."""

from __future__ import annotations

from pathlib import Path

from vibe.core.errors import CallError
from vibe.history.decision_journal import JOURNAL
from vibe.history.store.incoming import settle
from vibe.storage.files import write_whole
from vibe.storage.regular import read_regular

CAPTURES = "captures"
README = "README.txt"
DAMAGED = "damaged"
ROWS = "judged-rows.z"
SITE = "site.txt"
EXPENDABLE = {JOURNAL, f"{JOURNAL}.part", ROWS, SITE, "imports", "inbox", "import_columns.json", "exceedances"}
"""What else may lie in a store: it can be lost, and means nothing to a new database."""
README_TEXT = """\
A history of captures, kept by vibe. One folder is one site. Copy it as a whole, while nobody adds to it.

store.sqlite            SQLite 3: what is asked for. store.sqlite-wal and -shm next to it belong to it. Keep it on a
                        disk of the machine, not on a network share: several processes may add and read at once, all of
                        them on this machine.
decisions.jsonl         events and decisions once more, one JSON object a line, only ever added to; hash is the SHA-256
                        of the line's own [number, what, says, last, previous] as JSON with sorted keys and no spaces,
                        previous the hash of the line before. vibe history verify compares, vibe history repair joins.
captures/ab/<hash>.h5   HDF5, one file per capture; <hash> is the SHA-256 of the file that was delivered, ab its first
                        two signs. Each file alone can give back all rows of its capture: vibe history repair.
incoming/               what is being added at this moment. What a process that was ended left there is swept away by
                        the next one.
judged.sqlite           what was computed of each drive, and the queue as it was judged last, so that neither need be
                        computed again; it may be deleted.
site.txt                what the site is called, one line (vibe history name); without it, as this folder.
damaged/                files that vibe history repair found damaged and set aside.
exceedances/            lists of another system that were taken in, JSON; the name is the SHA-256 of the list.
imports/                files that were dropped and are not taken in yet.  import_columns.json: which column is what.
inbox/                  which files of watched folders are done: only so that none is read twice.
store.format<n>.sqlite  the database as it was before a newer program brought it to its own format.

An HDF5 file: root attributes content (the hash), drive, measured_at (with offset from UTC), speed_rpm, load_percent.
  channels/<point>   samples as recorded: integers with attribute scale where they lie on the recorder's steps, else
                     float32; sample_rate_hz, unit, quantity, ...; sha256 of the numbers as stored, least byte first.
                     Missing after thinning.
  spectra/<nnn>      greatest value in each cell of equal width; attributes point, kind, axis, step, sha256.
  past/levels, said  how high the lines of every tone stood, for comparison with later captures; JSON next to it.
                     Missing in files of older programs.
  record             JSON in UTF-8: values, health report, speed, and what else was kept; attribute sha256.
Any program that reads the native form of captures of vibe reads these files.

Tables of store.sqlite (PRAGMA user_version is the number of the format):
  capture      one row per capture; waveform: its samples are kept, thinned away or lost; time_s: UTC since 1970
  series       drive, point, measure, subject (tone, line or owner), unit
  value        series, time_s, capture, value
  health       report of a capture alone, JSON packed by zlib
  finding      its findings, gravest first; weak_sign 1: too improbable to set the state
  drive_file   text of each drive file that was used; kind is equal for sister drives
  event, decision   written once; the database refuses to change or remove a row
  alarm        alarms with their facts in JSON; closed_at is null while open
  touched      number of the latest change of each drive; whoever keeps what is computed from a store begins there
"""


_GENERIC = ("history", "store", "stores")
_LONGEST = 60
"""Characters of a site's name: as many as a line of a page takes (our choice)."""


def site_name(folder: Path) -> str:
    """What the site of a store is called: as it was named, else its folder, or the one above where that says more."""
    try:
        said = read_regular(folder / SITE, 4 * _LONGEST + 1).decode("utf-8").strip()
    except (OSError, ValueError):
        said = ""
    if not _wrong_with(said):
        return said
    real = folder.resolve()
    return (real.parent.name if real.name in _GENERIC and real.parent.name else real.name) or "site"


def name_site(folder: Path, name: str) -> str:
    """Name the site of a store, in the place of what it was called.

    Raises:
        CallError: that is no name. OutputError: it cannot be written.
    """
    name = name.strip()
    wrong = _wrong_with(name)
    if wrong:
        raise CallError(f"{name[:80]!r} names no site: {wrong}")
    write_whole(folder / SITE, f"{name}\n", force=True)
    settle(folder)
    return name


def _wrong_with(name: str) -> str:
    """Why something cannot be the name of a site, which stands in addresses and names folders; "" where it can."""
    if not name:
        return "it is empty"
    if len(name) > _LONGEST:
        return f"it is longer than {_LONGEST} characters"
    if not name.isprintable():
        return "it holds a character that cannot be printed"
    if any(sign in name for sign in "/\\") or name.startswith("."):
        return "it begins with a dot or holds a slash"
    return ""
