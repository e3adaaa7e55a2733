"""``vibe alarms``: the analyst's queue, and what was decided about it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, cast

import typer

from vibe.cli.alarm_sources import columns, since
from vibe.cli.shared.exit_status import plainly, strictly
from vibe.cli.shared.moments import moment
from vibe.cli.shared.stores import one_store, sites_of
from vibe.core.errors import CallError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from vibe.core.records.alarms import Alarm, LeftOut, Queue
    from vibe.core.records.history import Decision, Verdict
    from vibe.flow.alarms.queue import QueueOutcome

app = typer.Typer(
    name="alarms",
    help="What is beyond its limits, one row per cause, the most urgent first; and what was decided about it.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

StoreOption = Annotated[
    list[Path], typer.Option("--store", metavar="DIR", help="Folder of the history.", show_default=False)
]
StoresOption = Annotated[
    list[Path],
    typer.Option(
        "--store", metavar="DIR", show_default=False,
        help="Folder of a history. May be repeated: one list of several sites.",
    ),
]  # fmt: skip
Exceedances = Annotated[
    Path | None,
    typer.Option("--exceedances", metavar="FILE.csv", help="Another system's alarms, to be explained too."),
]
TimeZone = Annotated[
    str | None,
    typer.Option("--time-zone", metavar="ZONE", help="Of times there without an offset from UTC."),
]
When = Annotated[
    str | None,
    typer.Option(
        "--at",
        metavar="TIME",
        help="Look as of that date: captures, events and decisions of later times do not count. Now unless given.",
    ),
]
Id = Annotated[str, typer.Argument(metavar="ID", help="Name of the alarm, as the list shows it.", show_default=False)]
_VERDICTS = (
    "confirmed, not-a-fault, sensor, operating-condition, recheck-by=DATE, out-of-service-until=DATE or "
    "withdrawn=NUMBER"
)


def list_alarms(
    store: StoresOption,
    exceedances: Exceedances = None,
    time_zone: TimeZone = None,
    at: When = None,
    everything: Annotated[bool, typer.Option("--all", help="Also those that are quiet after a decision.")] = False,
    strict: Annotated[
        bool, typer.Option("--strict", help="Exit status 3 when an alarm is urgent enough to ask for action.")
    ] = False,
) -> None:
    """The queue, most urgent first."""
    from vibe.cli.shared import output

    if exceedances is not None:
        one_store(store, "--exceedances belongs to one history")
    found = [(site, _evaluated([folder], exceedances, time_zone, at)) for site, folder in sites_of(store)]
    _show_queue([(site, outcome.queue) for site, outcome in found], everything=everything)
    for site, outcome in found:
        if len(found) > 1:
            output.note(f"{site}:")
        _notes(outcome.queue)
    strictly(any(outcome.acting for _, outcome in found), strict)


def show(
    alarm: Id, store: StoreOption, exceedances: Exceedances = None, time_zone: TimeZone = None, at: When = None
) -> None:
    """One alarm: its urgency by parts, what explains it, what was decided."""
    from vibe.cli.shared import output

    outcome = _evaluated(store, exceedances, time_zone, at)
    output.show_facts(_facts(_named(outcome.queue, alarm)))


def decide(
    alarm: Id,
    store: StoreOption,
    verdict: Annotated[str, typer.Option("--as", metavar="VERDICT", help=f"{_VERDICTS}.", show_default=False)],
    because: Annotated[str, typer.Option("--because", metavar="TEXT", help="The reason.", show_default=False)],
    by: Annotated[str, typer.Option("--by", metavar="NAME", help="Who decided.", show_default=False)],
    owner: Annotated[str, typer.Option("--owner", metavar="NAME", help="Who has the work in hand.")] = "",
    due: Annotated[
        str | None, typer.Option("--due", metavar="DATE", help="Day by which it is to be done; none that has passed.")
    ] = None,
    work_order: Annotated[str, typer.Option("--work-order", metavar="TEXT", help="Text of the work order.")] = "",
    after: Annotated[
        int | None,
        typer.Option(
            "--after",
            metavar="NUMBER",
            help="Number of the newest decision you have seen; refused if one is newer.",
        ),
    ] = None,
    exceedances: Exceedances = None,
    time_zone: TimeZone = None,
) -> None:
    """Record a decision, for good. Earlier ones are shown and stay.

    What is confirmed stays in sight as in work until a repair is recorded (`vibe history event`); what is no fault, or
    waits for a day, is quiet until that day or until something new happens.
    """
    from vibe.cli.shared import output
    from vibe.flow.alarms.queue import decide as record_decision
    from vibe.history.store.store import Store

    said, day, number = _verdict(verdict)
    with Store.open(one_store(store)) as opened:
        memory = record_decision(
            opened, alarm, said, because=because, by=by, recheck_by=day, owner=owner,
            due=None if due is None else moment(due, "--due"), work_order=work_order, after=after, withdraws=number,
            exceedances=exceedances, time_zone=time_zone,
        )  # fmt: skip
    last = memory.decisions[-1]
    facts = [("alarm", memory.id), ("decided", f"{last.verdict}, {last.at.isoformat(timespec='seconds')}")]
    facts += [("number", str(last.number))]
    facts += [(name, text) for name, text in (("owner", last.owner), ("work order", last.work_order)) if text]
    facts += [("due", f"{last.ask_again:%Y-%m-%d}")] if last.ask_again is not None else []
    facts += [("decided before", _decided(one)) for one in memory.decisions[:-1]]
    output.show_facts(facts)


def measures(store: StoreOption, exceedances: Exceedances = None, time_zone: TimeZone = None, at: When = None) -> None:
    """Queue statistics: share that were no faults, age, time to decision, decisions by rule."""
    from vibe.cli.shared import output

    figures = _evaluated(store, exceedances, time_zone, at).queue.measures

    def days(value: float | None) -> str:
        return "not known" if value is None else f"{value:.1f} days"

    share = figures.not_fault_share
    output.show_facts(
        [
            (
                "alarms",
                f"{figures.alarms} in all, {figures.waiting} waiting, {figures.in_work} in work, "
                f"{figures.quiet} quiet, {figures.decided} decided",
            ),
            ("no faults", "not known" if share is None else f"{100 * share:.0f} % of those decided"),
            ("oldest", days(figures.oldest_days)),
            ("median age", days(figures.median_age_days)),
            ("to decision", f"{days(figures.median_days_to_decision)} (median)"),
        ]
    )
    output.show_rows(
        ["rule", "alarms", "confirmed", "no_faults", "undecided"],
        [[c.rule, str(c.alarms), str(c.confirmed), str(c.not_faults), str(c.undecided)] for c in figures.rules],
    )


for _name, _command in (
    ("list", list_alarms), ("show", show), ("decide", decide), ("measures", measures), ("since", since),
    ("columns", columns),
):  # fmt: skip
    app.command(_name)(plainly(_command))


def run_alarm_recipe(
    recipe: Path, *, captures: Path | None, out: Path | None, earlier: Path | None, force: bool, strict: bool
) -> None:
    """``vibe run`` of a recipe of kind alarms."""
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.alarms.queue import run_alarms

    for option, given in (("--captures", captures), ("--earlier", earlier)):
        if given is not None:
            raise CallError(f"{option} means nothing to a recipe of kind alarms: it takes all from its store")
    with Waiting() as waiting:
        outcome = run_alarms(recipe, out=out, force=force, progress=waiting)
    _show_queue([("", outcome.queue)], everything=False)
    _notes(outcome.queue)
    output.show_files(outcome.files)
    strictly(outcome.acting, strict)


def _evaluated(store: Sequence[Path], exceedances: Path | None, time_zone: str | None, at: str | None) -> QueueOutcome:
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.history.store.store import Store

    with Store.open(one_store(store)) as opened, Waiting() as waiting:
        return evaluate_alarms(
            opened, exceedances=exceedances, time_zone=time_zone, at=None if at is None else moment(at, "--at"),
            progress=waiting,
        )  # fmt: skip


def _show_queue(queues: Sequence[tuple[str, Queue]], *, everything: bool) -> None:
    """Rows of one store, or of several as one list with the site of each."""
    from vibe.cli.shared import output

    found = [
        (site, alarm) for site, queue in queues for alarm in queue.alarms if everything or alarm.status != "quiet"
    ]  # fmt: skip
    header = [
        "id", "drive", "urgency", "status", "kind", "title", "exceedances", "since", "state", "measured", "look_again",
        "owner", "due",
    ]  # fmt: skip
    several = len(queues) > 1
    if several:
        found.sort(key=lambda one: (one[1].status == "quiet", -one[1].urgency.total))
    output.show_rows(
        [*header, "site"] if several else header,
        [
            [
                a.id, " ".join(a.drives), f"{a.urgency.total:.1f}", a.status, a.kind, a.title, str(len(a.exceedances)),
                f"{a.since:%Y-%m-%d}", a.state, _day(a.measured_at), _day(a.look_again), a.owner, _day(a.due),
                *([site] if several else []),
            ]
            for site, a in found
        ],
    )  # fmt: skip


def _notes(queue: Queue) -> None:
    """What is not in the queue: lines that nobody could place, alarms that are quiet."""
    from vibe.cli.shared import output

    for lines, why in _grouped(queue.bad):
        output.note(f"{lines} left out: {why}")
    for lines, why in _grouped(queue.unmatched):
        output.note(f"{lines} not in the history: {why}")
    for remark in queue.remarks:
        output.note(f"note: {remark}")
    quiet = sum(alarm.status == "quiet" for alarm in queue.alarms)
    if quiet:
        output.note(f"{quiet} more are quiet after a decision (--all shows them)")


_LINES_NAMED = 6
"""Numbers of lines that a message lists; more are cut short (our choice)."""


def _grouped(left: Sequence[LeftOut]) -> list[tuple[str, str]]:
    """Lines of one kind in one sentence, with how many they are."""
    groups: dict[str, list[int]] = {}
    for one in left:
        groups.setdefault(one.why, []).append(one.line)
    found = []
    for why, lines in groups.items():
        if len(lines) == 1:
            found.append((f"line {lines[0]} is", why))
            continue
        named = ", ".join(map(str, lines[:_LINES_NAMED])) + (" ..." if len(lines) > _LINES_NAMED else "")
        found.append((f"{len(lines):,} lines ({named}) are", why))
    return found


def _day(when: datetime | None) -> str:
    return "" if when is None else f"{when:%Y-%m-%d}"


def _decided(one: Decision) -> str:
    more = [f"owner {one.owner}"] if one.owner else []
    more += [f"due {one.ask_again:%Y-%m-%d}"] if one.ask_again is not None else []
    more += [f"order: {one.work_order}"] if one.work_order else []
    more += [f"takes back number {one.withdraws}"] if one.withdraws is not None else []
    extra = f" ({'; '.join(more)})" if more else ""
    return f"number {one.number}, {one.at:%Y-%m-%d} {one.by}: {one.verdict}, {one.because}{extra}"


def _named(queue: Queue, name: str) -> Alarm:
    from vibe.flow.alarms.queue import no_such_alarm
    from vibe.health.alarms.cause_names import typed

    wanted = typed(name)
    for alarm in queue.alarms:
        if alarm.id == wanted:
            return alarm
    raise no_such_alarm(wanted, [alarm.id for alarm in queue.alarms])


def _facts(alarm: Alarm) -> list[tuple[str, str]]:
    from vibe.report.history_words import course

    facts = [
        ("alarm", f"{alarm.id}, {' '.join(alarm.drives)}: {alarm.title}"),
        ("in short", alarm.sentence),
        ("what to do", alarm.advice or "Repeat the measurement and compare."),
        ("status", f"{alarm.status}: {alarm.status_why}"),
        ("state", alarm.state),
        ("measured", f"{_day(alarm.measured_at) or 'never'}, accepted {_day(alarm.accepted_at) or 'never'}"),
        *((("look again", f"by {_day(alarm.look_again)}"),) if alarm.look_again is not None else ()),
        ("urgency", f"{alarm.urgency.total:.1f}"),
    ]
    for part in alarm.urgency.parts:
        sign = "+" if part.how == "adds" else "×"
        facts.append(("urgency", f"{sign} {part.amount:.3g} {part.name}: {part.because}"))
    facts += [("explained by" if one.weighs else "for the record", one.words) for one in alarm.explanations]
    for change in alarm.changed:
        facts.append(("what changed", f"{change.point}: {change.explanation.rise_db:+.1f} dB since the baseline"))
        facts += [
            ("what changed", f"{change.point}: {own.owner} explains {own.db:+.1f} dB")
            for own in change.explanation.parts[:4]
        ]
        facts += [("what changed", f"{change.point}: {cause.sentence}") for cause in change.explanation.causes[:3]]
    facts += [
        (
            "sister",
            f"{s.drive}, {s.key.point} {s.key.measure} {s.key.subject}: {s.change_db:+.1f} dB, {course(s.state)}",
        )
        for s in alarm.sisters[:6]
        if s.change_db is not None
    ]
    for e in alarm.exceedances[:12]:
        over = "" if e.over_db is None else f", {e.over_db:+.1f} dB"
        where = " ".join(text for text in (e.key.drive, e.key.point, e.key.measure, e.key.subject) if text)
        line = "" if e.line is None else f", line {e.line}"
        facts.append(("exceeded", f"{e.at:%Y-%m-%d} {where} {e.value:.3g} {e.unit}: {e.source}, {e.kind}{over}{line}"))
    if len(alarm.exceedances) > 12:
        facts.append(("exceeded", f"and {len(alarm.exceedances) - 12} more"))
    facts += [("decided", _decided(one)) for one in alarm.decisions]
    return facts


def _verdict(text: str) -> tuple[Verdict, datetime | None, int | None]:
    """Verdict, the day on which to ask again, the number of the decision that is taken back."""
    name, _, more = text.partition("=")
    if name == "recheck-by":
        return "recheck", moment(more, "--as recheck-by"), None
    if name == "out-of-service-until":
        return "out-of-service", moment(more, "--as out-of-service-until"), None
    if name == "withdrawn":
        if not more.isdecimal():
            raise CallError(f"--as withdrawn={more!r} names no decision: `vibe alarms show ID` has their numbers")
        return "withdrawn", None, int(more)
    if text not in ("confirmed", "not-a-fault", "sensor", "operating-condition"):
        raise CallError(f"--as {text!r} is no decision; there are {_VERDICTS}")
    return cast("Verdict", text), None, None
