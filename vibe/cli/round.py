"""``vibe check FOLDER --route``: a round of a route, once or as it comes in."""

from __future__ import annotations

import time
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.cli.shared.exit_status import strictly
from vibe.core.errors import CallError
from vibe.core.route.route import folded

if TYPE_CHECKING:
    from vibe.core.route.round_check import Completeness, FileSeen, Missing, PointSeen
    from vibe.flow.route.round import Round

LOOK_EVERY_S = 1.0
"""A person waits no longer to see a new file, and a look costs next to nothing (our choice)."""
HEADER = ["verdict", "drive", "point", "capture", "why", "remedy"]
ORDER = ("accepted", "twice", "extra", "limited", "retake")
"""What asks for something stands last, next to the prompt."""


def check_round(
    folder: Path,
    route: Path,
    earlier: Path | None,
    *,
    readings: Path | None,
    watch: bool,
    workers: int | None,
    cluster: str | None,
    strict: bool,
) -> None:
    """Print the verdicts of a round, and what is missing."""
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.route.round import Round

    if cluster is not None:
        if watch:
            raise CallError("--watch checks each file here as it arrives: leave --cluster out")
        # Other machines stand in other folders.
        folder, route = folder.absolute(), route.absolute()
        earlier, readings = earlier and earlier.absolute(), readings and readings.absolute()
    round_ = Round.of(route, folder, earlier, readings)
    if watch:
        call = _watched(round_)
    else:
        with Waiting() as waiting:
            call = round_.checked(workers=workers, cluster=cluster, progress=waiting)
        _show_files(call.files, folder, heading=True)
    _show_missing(call.missing)
    output.note(_in_short(call))
    strictly(bool(call.retakes or any(not one.known for one in call.missing)), strict)


def _watched(round_: Round) -> Completeness:
    """Verdicts as files come in, until Ctrl-C or a word from the system to end; then the roll call."""
    from vibe.cli.shared import output, pulse
    from vibe.ingest.read import ASK

    output.note(f"Watching {round_.folder}; Ctrl-C ends it and says what is missing.")
    heading = True
    waiting: tuple[Path, ...] = ()
    closed: tuple[Path, ...] = ()
    call = round_.nothing()
    away, trouble = False, ""
    pulse.rest()  # to wait is no work
    try:
        for look in round_.watched():
            call = look.call
            if look.changed:
                _show_files(look.changed, round_.folder, heading=heading)
                heading = False
                output.note(_in_short(call))
            for path in look.gone:
                output.note(f"gone: {_below(path, round_.folder)}")
            for path in look.waiting:
                if path not in waiting:
                    output.note(f"arriving: {_below(path, round_.folder)}")
            for path in look.closed:
                if path not in closed:
                    output.note(
                        f"{_below(path, round_.folder)}: permission denied for this folder and all in it. {ASK}"
                    )
            if not look.changed:
                closed = look.closed
            waiting = look.waiting
            if look.away != away:
                output.note(_away(round_.folder, call) if look.away else f"{round_.folder} is back; going on.")
            if look.trouble and look.trouble != trouble:
                output.note(f"note: {look.trouble}; the readings of before are kept until it is mended")
            away, trouble = look.away, look.trouble
            time.sleep(LOOK_EVERY_S)
    except KeyboardInterrupt:
        pass
    output.note("Where things stand" + (f", {round_.folder} being away:" if away else ":"))
    if output.for_people():  # for programs each row stood there as it came
        _show_repeats(call, round_.folder)
    return call


def _show_repeats(call: Completeness, folder: Path) -> None:
    """What must be measured again, in one place: its verdicts have scrolled away since they came."""
    from vibe.cli.shared import output

    again = {(one.drive, folded(one.point)) for one in call.missing if one.point is not None and one.cause == "repeat"}
    rows = [
        row
        for file in call.files
        for row in _rows(file, folder)
        if row[0] == "retake" and (not row[2] or (row[1], folded(row[2])) in again)
    ]
    output.show_facts(_facts(rows))


def _away(folder: Path, call: Completeness) -> str:
    count = len(call.files)
    kept = "1 capture was looked at and stays" if count == 1 else f"{count} captures were looked at and stay"
    return f"{folder} is gone (card or stick pulled?); {kept} counted. Put it back to go on."


def _show_files(files: Sequence[FileSeen], folder: Path, *, heading: bool) -> None:
    from vibe.cli.shared import output

    if output.for_people():
        facts = [fact for file in files for fact in _facts(_rows(file, folder))]
        output.show_facts(sorted(facts, key=lambda fact: ORDER.index(fact[0])))
    else:
        output.show_rows(HEADER if heading else [], [row for file in files for row in _rows(file, folder)])
    where: dict[str, list[str]] = {}
    for file in files:
        for remark in file.remarks:
            where.setdefault(remark, []).append(_below(file.path, folder))
    for remark, names in where.items():
        more = f" and {len(names) - 1} more" if len(names) > 1 else ""
        output.note(f"note: {names[0]}{more}: {remark}")


def _facts(rows: Sequence[Sequence[str]]) -> list[tuple[str, str]]:
    """Verdict and sentence; the points of a file of which the same is to be said share one."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for verdict, drive, point, capture, why, remedy in rows:
        alike.setdefault((verdict, drive, capture, why, remedy), []).append(point)
    return [
        (verdict, _sentence(drive, " and ".join(point for point in points if point), why, remedy, capture=capture))
        for (verdict, drive, capture, why, remedy), points in alike.items()
    ]


def _sentence(drive: str, point: str | None, why: str, remedy: str, *, capture: str = "") -> str:
    """``drive, point: why. Remedy (capture)``, as far as there is any of it."""
    place = ", ".join(text for text in (drive, point) if text)
    said = ": ".join(text for text in (place or capture, why) if text)
    return " ".join(
        text
        for text in (f"{said.rstrip('.')}." if why else said, remedy, f"({capture})" if place and capture else "")
        if text
    )


def _rows(file: FileSeen, folder: Path) -> list[list[str]]:
    name = _below(file.path, folder)
    if file.error is not None:
        return [["retake", file.drive or "", file.named_point or "", name, file.error, file.remedy]]
    return [[point.verdict, file.drive or "", point.point, name, *_reasons(point)] for point in file.points]


def _reasons(point: PointSeen) -> tuple[str, str]:
    """Why and what to do; with a verdict other than accepted mere remarks would only bury the cause."""
    said = [reason for reason in point.reasons if point.verdict == "accepted" or reason.verdict != "usable"]
    why = "; ".join(reason.text for reason in said)
    if point.replaced_by is not None:
        return why, f"Nothing to repeat: {point.replaced_by} is a good capture of this point."
    return why, " ".join(dict.fromkeys(reason.remedy for reason in said if reason.remedy))


def _below(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else str(path)


def _show_missing(missing: Sequence[Missing]) -> None:
    from vibe.cli.shared import output

    if not output.for_people():
        rows = [[_word(one), one.drive, one.point or "", "", one.what, one.remedy] for one in missing]
        output.show_rows([], rows)
        return
    alike: dict[tuple[str, str, str, str], list[str]] = {}
    for one in missing:
        if one.point is not None and one.cause not in ("repeat", "unreadable"):
            alike.setdefault((_word(one), one.drive, one.what, one.remedy), []).append(one.point)
    output.show_facts(
        (word, _sentence(drive, " and ".join(points), what, remedy))
        for (word, drive, what, remedy), points in alike.items()
    )
    # What was taken and is no good stands above. Many drives lack the same note: a line for each note.
    notes: dict[str, list[Missing]] = {}
    for one in missing:
        if one.point is None:
            notes.setdefault(one.what, []).append(one)
    output.show_facts(
        ("to write", f"{what} at {', '.join(one.drive for one in where)}. {where[0].remedy}")
        for what, where in notes.items()
    )


def _word(one: Missing) -> str:
    """First word of its line: only what nobody took, and what nobody wrote down, is missing."""
    if one.known:
        return "known"
    return {"no capture": "missing", "repeat": "repeat", "unreadable": "repeat", "unnamed": "unnamed"}[one.cause]


def _in_short(call: Completeness) -> str:
    """One line that says how far the round is; its counts of points add up."""
    counts = call.counts
    parts = [counts.in_words]
    notes = sum(one.point is None for one in call.missing)
    if notes:
        parts.append(f"{notes} note{'' if notes == 1 else 's'} still to write")
    done = not (call.retakes or counts.needed or notes)
    return f"{'; '.join(parts)}." + (" The round is complete." if done else "")
