"""``vibe history``: captures kept over the years."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from vibe.cli.shared.exit_status import DEFECT, WRONG_CALL, plainly, refuse, strictly
from vibe.cli.shared.options import Captures, Cluster, Force, MaybeDrive, Readings, Workers, one_of
from vibe.core.errors import CallError

if TYPE_CHECKING:
    from vibe.history.decision_joining import StoreRemark
    from vibe.history.store.store import Store

app = typer.Typer(
    name="history",
    help="Captures kept over the years: add captures, view them, check that nothing is missing.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

StoreOption = Annotated[Path, typer.Option("--store", metavar="DIR", help="Folder of the history.", show_default=False)]
DriveTag = Annotated[str, typer.Argument(metavar="DRIVE", help="Tag of the drive.", show_default=False)]
TimeZone = Annotated[
    str | None,
    typer.Option("--time-zone", metavar="ZONE", help="Of times without an offset from UTC, for example Europe/Vienna."),
]


def add(
    captures: Captures,
    store: StoreOption,
    drive: MaybeDrive = None,
    drives: Annotated[
        list[str] | None,
        typer.Option("--drives", metavar="FILES", help="Drive files, folders or patterns; captures say their drive."),
    ] = None,
    route: Annotated[
        Path | None,
        typer.Option("--route", metavar="ROUTE.toml", help="The route that the one folder of captures belongs to."),
    ] = None,
    readings: Readings = None,
    time_zone: TimeZone = None,
    workers: Workers = None,
    cluster: Cluster = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit status 3 when a capture was refused or rejected.")
    ] = False,
) -> None:
    """Judge captures and keep them: levels, tones, spectra, report and samples.

    Each is compared with what the history held of its drive, at like speed and load, before this call. What is there
    already changes nothing. A capture that is counted is on the disk. A baseline folder that came with an acceptance
    certificate needs no --drive: it holds the drive's file, its captures are checked against the record, and the
    history notes the new drive.
    """
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import captures_named
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.commissioning.baseline_package import note_new_drive, package_of
    from vibe.flow.history.bulk_import import Delivery, keep_files
    from vibe.history.store.store import Store

    one_of(workers, cluster)
    if route is not None and (len(captures) != 1 or not captures[0].is_dir()):
        raise CallError("with --route give the one folder of the round")
    package = package_of(captures) if drive is None and not drives and route is None else None
    if package is not None:
        drive = package.drive_file
    delivery = Delivery.of(captures[0], drive=drive, drives=drives or (), route=route, time_zone=time_zone,
                           readings=readings)  # fmt: skip
    found = captures_named(captures if package is None else package.captures)
    with Store.open(store, create=True) as opened, Waiting() as waiting:
        outcome = keep_files(found, delivery, opened, workers=workers, cluster=cluster, progress=waiting)
        if package is not None and (outcome.added or outcome.there):
            note_new_drive(package, opened)
    for sentence in outcome.refused:
        output.note(f"refused: {sentence}")
    if outcome.defect or (outcome.refused and not outcome.added and not outcome.there):
        refuse(f"{len(outcome.refused)} of {len(found)} captures were refused: {outcome.refused[0]}",
               DEFECT if outcome.defect else WRONG_CALL)  # fmt: skip
    output.show_rows(["drive", "added"], [[tag, str(count)] for tag, count in sorted(outcome.by_drive.items())])
    output.note(f"{outcome.added} added, {outcome.there} there already, {len(outcome.refused)} refused")
    for what, counts in (("rejected: they say nothing of their drive", outcome.rejected),
                         ("limited: only in part", outcome.limited)):  # fmt: skip
        if counts:
            reasons = "; ".join(f"{count} {why}" for why, count in sorted(counts.items(), key=lambda one: -one[1]))
            output.note(f"{sum(counts.values())} of those added were {what} ({reasons})")
    strictly(bool(outcome.refused or outcome.rejected), strict)


def list_drives(store: StoreOption) -> None:
    """The drives, how many captures of each, from when to when, and what the last one said."""
    from vibe.cli.shared import output

    with _opened(store) as opened:
        rows = [
            [
                drive.tag, str(drive.captures), str(drive.accepted), _time(drive.first), _time(drive.last), drive.state,
            ]
            for drive in opened.drives()
        ]  # fmt: skip
    output.show_rows(["drive", "captures", "accepted", "first", "last", "state"], rows)


def show(
    drive: DriveTag,
    store: StoreOption,
    measure: Annotated[
        str | None, typer.Option("--measure", metavar="MEASURE", help="Only this one, for example velocity_rms.")
    ] = None,
) -> None:
    """The series of a drive: last value, least and greatest."""
    from vibe.cli.shared import output

    with _opened(store) as opened:
        _known(opened, drive)
        latest = {one.key: one for one in opened.latest(drive)}
        extents = opened.extents(drive, measure)
        if measure is not None and not extents:
            known = ", ".join(sorted({key.measure for key in opened.keys(drive)}))
            raise CallError(f"nothing is kept of {measure!r} of {drive}; there are {known}")
    rows = [
        [
            extent.key.point, extent.key.measure, extent.key.subject, extent.unit, str(extent.count),
            f"{latest[extent.key].value:.4g}", _clock(latest[extent.key].time_s), f"{extent.least:.4g}",
            f"{extent.greatest:.4g}",
        ]
        for extent in extents
    ]  # fmt: skip
    output.show_rows(["point", "measure", "subject", "unit", "count", "latest", "at", "least", "greatest"], rows)


def export(
    store: StoreOption,
    out: Annotated[
        Path,
        typer.Option(
            "--out", metavar="DIR|FILE", help="Folder for all tables, or one file (.csv, .parquet) of levels."
        ),
    ],
    form: Annotated[str, typer.Option("--form", metavar="parquet|csv", help="Kind of file.")] = "parquet",
    force: Force = False,
) -> None:
    """Write levels, captures, findings, events and decisions as tables."""
    from vibe.cli.shared import output
    from vibe.history.store.export import export as write

    with _opened(store) as opened:
        output.show_files(write(opened, out, form, force=force))


def verify(store: StoreOption) -> None:
    """Read every file and check every hash. Exit status 2 when something is wrong."""
    from vibe.cli.shared import output
    from vibe.history.store.maintenance import verify as look

    with _opened(store) as opened:
        found = look(opened)
    _show_remarks(found.wrong)
    for remark in found.known:
        output.note(f"known: {remark.where}: {remark.what}")
    if found.wrong:
        count = "1 thing is" if len(found.wrong) == 1 else f"{len(found.wrong)} things are"
        raise CallError(f"{count} wrong in {store}; `vibe history repair --store {store}` repairs what can be repaired")
    output.note(f"{found.captures} captures, nothing wrong")


def repair(store: StoreOption) -> None:
    """Mend what can be mended: sweep up, take lost rows from their files, record what is lost.

    Damaged files are set aside, not thrown away. Where the database is gone or damaged it is built anew, from the
    captures, from what can still be read of it and from the journal of decisions. Exit status 2 while something is lost
    that nobody acknowledged.
    """
    from vibe.cli.shared import output
    from vibe.history.decision_joining import open_losses
    from vibe.history.store.recovery import repaired

    done = repaired(store)
    _show_remarks(done)
    output.note(f"{len(done)} repaired or recorded")
    with _opened(store) as opened:
        losses = open_losses(opened)
    if losses:
        raise CallError(
            f"not all could be given back: {'; '.join(losses)}. This stays said until `vibe history acknowledge "
            f"--store {store} --by NAME`"
        )


def acknowledge(
    store: StoreOption,
    by: Annotated[
        str, typer.Option("--by", metavar="NAME", help="Who takes note; recorded for good.", show_default=False)
    ],
) -> None:
    """Take note of decisions or events that no repair could give back. Until then verify names them as wrong."""
    from vibe.cli.shared import output
    from vibe.history.decision_joining import acknowledge as take_note

    with _opened(store) as opened:
        noted = take_note(opened, by)
    for text in noted:
        output.say(text)
    output.note(f"{len(noted)} noted by {by}" if noted else "nothing was left to note")


def thin(
    store: StoreOption,
    keep_days: Annotated[
        int, typer.Option("--keep-days", min=1, metavar="N", help="Samples younger than this stay.", show_default=False)
    ],
    keep_first: Annotated[
        bool, typer.Option("--keep-first", help="The first accepted capture of each baseline keeps its samples too.")
    ] = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be removed, and change nothing.")] = False,
) -> None:
    """Let old samples go; levels, spectra and reports stay.

    Captures in which something was found, and those that an open alarm names, keep their samples.
    """
    from datetime import UTC, timedelta

    from vibe.cli.shared import output
    from vibe.history.store.maintenance import thin as let_go

    before = datetime.now(UTC) - timedelta(days=keep_days)
    with _opened(store) as opened:
        done = let_go(opened, before=before, keep_first=keep_first, dry=dry_run)
    _show_remarks(done.troubles)
    for why, count in sorted(done.spared.items()):
        output.note(f"spared: {count}, {why}")
    verb = "would lose" if dry_run else "lost"
    output.note(f"{done.captures} captures {verb} their samples, {done.freed_bytes / 1e6:.1f} MB")


def event(
    drive: DriveTag,
    store: StoreOption,
    kind: Annotated[
        str,
        typer.Option(
            "--kind", metavar="KIND", show_default=False,
            help="grease, bearing change, realignment, repair, new drive or other.",
        ),
    ],
    at: Annotated[
        str | None, typer.Option("--at", metavar="TIME", help="Date, or date and time; now unless given.")
    ] = None,
    note: Annotated[str, typer.Option("--note", metavar="TEXT", help="What was done.")] = "",
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who did it, or reports it.")] = "",
    keep_baseline: Annotated[
        bool, typer.Option("--keep-baseline", help="Earlier measurements stay the baseline.")
    ] = False,
    time_zone: TimeZone = None,
) -> None:  # fmt: skip
    """Record what was done to a drive. From then on a new baseline counts."""
    from datetime import UTC

    from vibe.cli.shared import output
    from vibe.core.records.history import Event

    when = datetime.now(UTC) if at is None else _time_said(at, time_zone)
    if when > datetime.now(UTC):
        output.note(f"note: {when:%Y-%m-%d} has not come yet: until then the event changes nothing")
    with _opened(store) as opened:
        _known(opened, drive)
        opened.add_event(
            Event(drive=drive, at=when, kind=kind, note=note, by=by, new_baseline=not keep_baseline)  # type: ignore[arg-type]
        )


def events(
    book: Annotated[
        Path, typer.Argument(metavar="BOOK.toml", help="Entries [[event]]: drive, at, kind.", show_default=False)
    ],
    store: StoreOption,
    time_zone: TimeZone = None,
) -> None:
    """Record a whole maintenance book. What stands there already changes nothing."""
    from vibe.cli.shared import output
    from vibe.ingest.tables.maintenance_log import load_events

    entries = load_events(book, time_zone)
    with _opened(store) as opened:
        for tag in dict.fromkeys(entry.drive for entry in entries):
            _known(opened, tag)
        fresh = opened.add_events(entries, whatever_the_note=True)
    output.say(f"{fresh} recorded, {len(entries) - fresh} were recorded before")


def name(
    store: StoreOption,
    called: Annotated[
        str | None, typer.Argument(metavar="NAME", help="What the site is called from now on.", show_default=False)
    ] = None,
) -> None:
    """Name the site of a history, as the desk, lists and notices call it; without NAME, say how it is called.

    A history that was given no name is called as its folder, or the one above where that is just "history".
    """
    from vibe.cli.shared import output
    from vibe.history.store.layout import name_site, site_name

    _opened(store).close()
    output.say(site_name(store) if called is None else name_site(store, called))


def page(
    drive: DriveTag,
    store: StoreOption,
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder of the page and its scripts.", show_default=False)
    ],
    force: Force = False,
) -> None:
    """Write a drive's page with its history: levels, limits, tones, and spectra to lay over one another."""
    from vibe.cli.shared import output
    from vibe.flow.history.pages import write_history_page

    with _opened(store) as opened:
        _known(opened, drive)
    output.show_files(write_history_page(drive, store, out, force=force))


for _name, _command in (
    ("add", add), ("list", list_drives), ("show", show), ("export", export), ("verify", verify), ("repair", repair),
    ("acknowledge", acknowledge), ("thin", thin), ("event", event), ("events", events), ("name", name), ("page", page),
):  # fmt: skip
    app.command(_name)(plainly(_command))


def _opened(folder: Path) -> Store:
    from vibe.history.store.store import Store

    return Store.open(folder)


def _known(store: Store, tag: str) -> None:
    import difflib

    tags = [drive.tag for drive in store.drives()]
    if tag not in tags:
        near = difflib.get_close_matches(tag, tags, n=1, cutoff=0.5)
        hint = f"the nearest is {near[0]!r}" if near else "`vibe history list` names all there are"
        raise CallError(f"{store.folder} holds nothing of a drive {tag!r}; {hint}")


def _show_remarks(remark: tuple[StoreRemark, ...]) -> None:
    from vibe.cli.shared import output

    if remark:
        output.show_rows(["where", "what"], [[one.where, one.what] for one in remark])


def _time_said(text: str, zone: str | None) -> datetime:
    from vibe.ingest.clock import in_zone

    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        raise CallError(f"--at {text!r} is no time: write it as 2026-03-04 or 2026-03-04T15:30+01:00") from None
    when, _ = in_zone(when, zone)
    if when.utcoffset() is None:
        raise CallError(f"--at {text} has no offset from UTC: add one (2026-03-04T15:30+01:00), or give --time-zone")
    return when


def _time(when: datetime | None) -> str:
    return "" if when is None else when.isoformat(timespec="seconds")


def _clock(time_s: float) -> str:
    from datetime import UTC

    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="seconds")
