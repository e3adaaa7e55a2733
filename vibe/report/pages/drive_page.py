"""One drive's report: health.json, health.html and health.pdf in a folder of its own."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from itertools import count
from pathlib import Path
from typing import Any

from markupsafe import Markup

from vibe.core.drive_report import DriveReport
from vibe.core.errors import OutputError
from vibe.core.evidence import PlotData, PolarPlot, SpectrumPlot, WaveformPlot
from vibe.core.health import Health, NotObservable
from vibe.core.tones import Tone, ToneTable
from vibe.report import words
from vibe.report.drawing import charts, interactive
from vibe.report.health_text import health_json, level_rows
from vibe.report.pages import shell
from vibe.report.printing.pdf import make_pdf
from vibe.report.run_rows import DriveFiles as DriveFiles
from vibe.storage.files import remove_older, safe_name, write_whole
from vibe.storage.regular import refuse_links_out

ASSETS = "assets"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A plot as a page shows it."""

    kind: str
    title: str
    caption: str
    notes: str
    alt: str
    still: str
    live: Markup | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ToneRow:
    """A tone as the table shows it."""

    tone: Tone
    order: float
    """At the speed of the capture: the supply's tones do not follow the shaft."""
    hz: float | None
    coincides: tuple[str, ...]
    unseen: NotObservable | None
    limit: str


def write_drive(
    drive_report: DriveReport, folder: Path, *, force: bool, pdf: bool = True, listed: bool = True
) -> DriveFiles:
    """Write ``<folder>/<safe tag>/health.json``, ``.html`` and ``.pdf``, and the shared scripts in ``assets``.

    Everything is made before anything is written, and each file appears whole. A PDF that cannot be made is a remark,
    not an error; an older one is then removed, so that a folder never mixes two runs. The page leads to that of all
    drives where it is ``listed`` there.

    Raises:
        OutputError: a file is there already and ``force`` is not given, the drive's folder is a link that leads
            elsewhere, or it cannot be written.
    """
    own = folder / safe_name(drive_report.health.drive)
    json_path, html_path, pdf_path = own / "health.json", own / "health.html", own / "health.pdf"
    refuse_links_out(folder, own.name, ASSETS)
    if not force:
        refuse_existing(folder, drive_report.health.drive)
    remarks: list[str] = []
    view = _view(drive_report)
    printed = make_pdf(render_drive(view, live=False)) if pdf else None
    if printed is not None and printed.remark:
        remarks.append(printed.remark)
    has_pdf = printed is not None and printed.content is not None
    names = {"pdf_name": "health.pdf" if has_pdf else None} | ({} if listed else {"index_name": None})
    page = render_drive(view | names, live=True)

    interactive.write_scripts(folder / ASSETS)
    write_whole(json_path, health_json(drive_report.health), force=force)
    write_whole(html_path, page, force=force)
    if printed is not None and printed.content is not None:
        write_whole(pdf_path, printed.content, force=force)
    else:
        remove_older(pdf_path)
    return DriveFiles(
        folder=own, json=json_path, html=html_path, pdf=pdf_path if has_pdf else None, remarks=tuple(remarks)
    )


def write_alone(
    drive_report: DriveReport, folder: Path, *, force: bool, html: bool = True, pdf: bool = True
) -> DriveFiles:
    """Write ``health.json``, and as asked ``health.html`` (with its scripts in ``assets``) and ``health.pdf``, straight
    into ``folder``: for one drive that belongs to no run.

    Of a page that is not written ``folder`` keeps no older one. A PDF that cannot be made is a remark.

    Raises:
        OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
    """
    json_path, html_path, pdf_path = (folder / f"health.{kind}" for kind in ("json", "html", "pdf"))
    taken = next((path for path in (json_path, html_path, pdf_path) if path.exists()), None)
    if taken is not None and not force:
        raise OutputError(f"{taken} exists already; give force=True to replace it, or another folder")
    view = _view(drive_report) if html or pdf else {}
    printed = make_pdf(render_drive(view, live=False)) if pdf else None
    drawn = None if printed is None else printed.content
    if html:
        scripts = [script.removeprefix("../") for script in view["scripts"]]
        names = {"scripts": scripts, "index_name": None, "pdf_name": None if drawn is None else pdf_path.name}
        page = render_drive(view | names, live=True)
        if scripts:
            interactive.write_scripts(folder / ASSETS)
    write_whole(json_path, health_json(drive_report.health), force=force)
    for path, content in ((html_path, page if html else None), (pdf_path, drawn)):
        if content is None:
            remove_older(path)
        else:
            write_whole(path, content, force=force)
    return DriveFiles(
        folder=folder,
        json=json_path,
        html=html_path,
        pdf=None if drawn is None else pdf_path,
        remarks=(printed.remark,) if printed is not None and printed.remark else (),
    )


def refuse_existing(folder: Path, tag: str) -> None:
    """Refuse, before the work is done, to replace a drive's report.

    Raises:
        OutputError: one of its files is in ``folder`` already.
    """
    for kind in ("json", "html", "pdf"):
        path = folder / safe_name(tag) / f"health.{kind}"
        if path.exists():
            raise OutputError(f"{path} exists already; give --force to replace it, or another --out")


def render_drive(view: dict[str, Any], *, live: bool) -> str:
    """The page; without ``live`` it holds no script and no data for one (what a printer needs)."""
    scripts = view["scripts"] if live else ()
    return shell.render("drive.html.j2", **(view | {"live": live, "scripts": scripts}))


def _view(drive_report: DriveReport) -> dict[str, Any]:
    """All that the template shows, each picture drawn once."""
    health, table = drive_report.health, drive_report.tones
    in_findings = [e for group in drive_report.finding_plots for e in group]
    # A picture that a finding shows already is not shown again.
    overview = [e for e in drive_report.overview_plots if not any(e is shown for shown in in_findings)]
    every = in_findings + overview
    zooming = sum(interactive.can_be_live(e) for e in every)
    points = interactive.points_each(zooming)
    plots = list(drive_report.finding_plots) + [()] * (len(health.findings) - len(drive_report.finding_plots))
    numbers = count(1)
    speed_hz = health.speed.input_hz
    return {
        "health": health,
        "drive": drive_report.drive,
        "findings": [
            (finding, [picture(e, points, next(numbers)) for e in shown])
            for finding, shown in zip(health.findings, plots, strict=False)
            if not finding.too_faint_for_words
        ],
        "unsaid": sum(finding.too_faint_for_words for finding in health.findings),
        "overview": [picture(e, points, next(numbers)) for e in overview],
        "facts": drive_facts(drive_report),
        "bodies": [(b, None if speed_hz is None else abs(float(b.order)) * speed_hz * 60) for b in table.bodies],
        "tones": tone_rows(table, health),
        "unseen": health.not_observable,
        "judged": speed_hz is not None and any(c.quality != "rejected" for f in health.captures for c in f.channels),
        "levels": level_rows([level for level in health.levels if level.zone]),
        "more_levels": level_rows([level for level in health.levels if not level.zone]),
        "plan": drive_report.plan,
        "plan_unseen": [] if drive_report.plan is None else [v for v in drive_report.plan.visibility if not v.seen],
        "scripts": [f"../{ASSETS}/{name}" for name in interactive.scripts()] if zooming else [],
        "pdf_name": None,
        "index_name": "../index.html",
    }


def picture(plot: PlotData, points: int, number: int) -> Picture:
    """Draw the page's plot ``number``, and pack its data for zooming if it is of a kind that zooms."""
    live = None
    if isinstance(plot, SpectrumPlot | WaveformPlot):
        live = Markup(interactive.page_json(plot, points, number))  # escaped there, for an element that holds data
    return Picture(
        kind="map" if isinstance(plot, PolarPlot) else "trace",
        title=plot.title,
        notes=charts.notes(plot),
        caption=plot.caption,
        alt=charts.describe(plot),
        still=shell.data_uri(charts.svg(plot)),
        live=live,
    )


def drive_facts(drive_report: DriveReport) -> list[tuple[str, str, str]]:
    """What a reader checks first to see that this is the right drive and the right time: (name, value, note)."""
    health, table, drive = drive_report.health, drive_report.tones, drive_report.drive
    speed = health.speed
    methods = {
        "tachometer": "from the tachometer",
        "signal": "found in the signal",
        "nominal": "nameplate, not measured",
    }
    note = methods[speed.method] if speed.method else ""
    if speed.input_hz is not None:
        hertz = with_hz(speed.input_hz, speed.uncertainty_hz)
        note = f"{hertz}, {note}" if note else hertz
    if speed.note:
        note = f"{note}; {speed.note}" if note else speed.note
    per_minute = None if speed.uncertainty_hz is None else 60 * speed.uncertainty_hz
    rpm = None if speed.input_hz is None else 60 * speed.input_hz
    facts = [("Input speed", words.with_uncertainty(rpm, per_minute, "r/min"), note)]
    if table.ratio is not None:
        facts.append(("Ratio", words.ratio_text(table.ratio), _output_speed(table.ratio, rpm)))
    if drive.input.power_kw is not None:
        facts.append(("Rated power", f"{drive.input.power_kw:g} kW", ""))
    times = [words.when(c.measured_at) for c in health.captures]
    if not times:
        facts.append(("Measured", "no capture", ""))
    else:
        more = f"and {len(times) - 1} more, see capture quality" if len(times) > 1 else ""
        facts.append(("Measured", times[0], more))
    length = [c.duration_s for c in health.captures if c.duration_s is not None]
    if length:
        facts.append(("Signal length analysed", words.seconds(sum(length)), ""))
    if health.false_alarm_rate is not None:
        facts.append(("False-alarm rate", words.odds(health.false_alarm_rate), "sound drives"))
    return facts


def with_hz(value: float, uncertainty: float | None) -> str:
    """A speed in Hz with its uncertainty."""
    return words.with_uncertainty(value, uncertainty, "Hz")


def _output_speed(ratio: Fraction, rpm: float | None) -> str:
    way = "output turns with the input" if ratio > 0 else "output turns against the input"
    return way if rpm is None else f"{way}, at {words.number(rpm / abs(float(ratio)), 4)} r/min"


def tone_rows(table: ToneTable, health: Health) -> list[ToneRow]:
    """The tone table with what this capture could show of each."""
    unseen = {entry.tone: entry for entry in health.not_observable}
    limits = {entry.tone: entry for entry in health.detection_limits}
    speed_hz = health.speed.input_hz
    rows = []
    for tone in table.tones:
        limit = limits.get(tone.id)
        text = ""
        if limit is not None and limit.hit_m_s2 is not None:
            text = f"{words.number(limit.hit_m_s2, 2)} m/s²"
        elif limit is not None and limit.over_floor_db is not None:
            text = f"{words.number(limit.over_floor_db, 2)} dB over the floor"
        elif tone.damage:
            text = words.NOT_KNOWN
        rows.append(
            ToneRow(
                tone=tone,
                order=tone.order_at(speed_hz),
                hz=None if speed_hz is None else tone.hz_at(speed_hz),
                coincides=words.coincidences_of(table, tone.id),
                unseen=unseen.get(tone.id),
                limit=text,
            )
        )
    return rows
