"""Every kind of page that the project writes, made of values whose every text is hostile."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Literal

from tests.report import certificates
from tests.report.drive_reports import damaged_drive_report, make_plan, unknown_drive_report
from tests.report.history_cases import alarm, decision, queue, shown_drive
from tests.report.poison import EVIL, poisoned
from tests.report.test_report_index import changed
from tests.report.test_route_sheet import point, route, stop
from vibe.core.records.history_view import ShownAlarm
from vibe.core.records.population import Drift, FigureKey, FigureSpread, Outlier, Population
from vibe.core.records.reliability import Interval, Life, MeanTime, RatingLife, ReliabilityStatement, Weibull
from vibe.core.route.round_check import Missing
from vibe.core.route.run_notes import Retake
from vibe.report.certificate.certificate import write_certificate
from vibe.report.certificate.list_page import ListedCertificate, write_list
from vibe.report.pages.drive_page import write_drive
from vibe.report.pages.history_page import write_history
from vibe.report.pages.index_page import index_row, write_index
from vibe.report.pages.phone_sheet import phone_html
from vibe.report.pages.plan_sheet import write_plan_sheet
from vibe.report.pages.population_page import write_population
from vibe.report.pages.queue_page import write_queue_pages
from vibe.report.pages.reliability_page import write_reliability
from vibe.report.pages.route_sheet import write_route_plan


def report(out: Path) -> Path:
    return write_drive(poisoned(damaged_drive_report()), out, force=False, pdf=False).html


def report_of_nothing(out: Path) -> Path:
    return write_drive(poisoned(unknown_drive_report()), out, force=False, pdf=False).html


def index(out: Path) -> Path:
    drive_report = poisoned(damaged_drive_report())
    row = replace(
        index_row(drive_report, write_drive(drive_report, out, force=False, pdf=False)), changes=poisoned(changed())
    )
    verdicts: tuple[tuple[str | None, Literal["unreadable", "rejected", "limited"]], ...] = (
        (EVIL, "rejected"), (None, "unreadable"), (EVIL, "limited"),
    )  # fmt: skip
    again = [
        Retake(drive=EVIL, point=spot, file=EVIL, verdict=verdict, reason=EVIL, remedy=EVIL)
        for spot, verdict in verdicts
    ]
    missed = [Missing(drive=EVIL, point=spot, what=EVIL, remedy=EVIL) for spot in (None, EVIL)]
    return write_index(
        [row, replace(row, state="unknown", noticed=(EVIL,))], out, title=EVIL, captures_without_drive=[EVIL],
        drives_without_capture=[EVIL], force=False, on_route=True, not_visited=missed, retakes=again, remarks=[EVIL],
    ).html  # fmt: skip


def plan(out: Path) -> Path:
    return write_plan_sheet(
        [poisoned(make_plan())], out, force=False, names={EVIL: EVIL}, cautions=[EVIL], title=EVIL, pdf=False
    ).html


def sheet(out: Path) -> Path:
    walk = route(stop("A", point("in"), point("out", mounting="probe", better_mounting="stud", loses=("stage1.lobe",))))
    return write_route_plan(poisoned(walk), out, force=False, cautions=[EVIL], pdf=False).html


def phone(out: Path) -> Path:
    walk = route(stop("A", point("in"), point("out", mounting="probe", better_mounting="stud", loses=("stage1.lobe",))))
    page = phone_html(poisoned(walk), [EVIL])
    return write_route_plan(walk, out, force=False, cautions=[], pdf=False, further={"phone.html": page}).further[0]


def history(out: Path) -> Path:
    shown = poisoned(replace(shown_drive(), alarms=(alarm(decisions=(decision("abc-def"),)),), remarks=("x",)))
    return write_history(shown, out, queue="../queue.html")[0]


def queued(out: Path) -> tuple[Path, ...]:
    one = alarm(decisions=(decision("abc-def"),))
    quiet = alarm("ghi-jkl", status="quiet", decisions=(decision("ghi-jkl"),))
    whole = poisoned(replace(queue(one, quiet), remarks=("x",)))
    whole = replace(whole, alarms=(whole.alarms[0], replace(whole.alarms[1], id="another")))
    shown = {EVIL: ShownAlarm(alarm=whole.alarms[0], pictures=poisoned(shown_drive()))}
    return write_queue_pages(whole, out, shown=shown, drive_pages=[EVIL], title=EVIL)


def certificate(out: Path) -> Path:
    whole = certificates.issued()
    evil = poisoned(whole, EVIL[:180] + EVIL[-100:])  # the record has a form, and its texts a length
    outcomes = tuple(
        replace(bad, requirement=bad.requirement.model_copy(update={"id": good.requirement.id}))
        for bad, good in zip(evil.outcomes, whole.outcomes, strict=True)
    )
    return write_certificate(replace(evil, outcomes=outcomes), out, force=False, pdf=False).html


def certificate_list(out: Path) -> Path:
    evil = poisoned(certificates.issued(), EVIL[:180] + EVIL[-100:])
    listed = ListedCertificate(acceptance=evil, seal="0" * 64, places=(("page", "one/certificate.html"),))
    return write_list(EVIL, [listed], [EVIL], out, force=False)


def population(out: Path) -> Path:
    key = FigureKey(measure="velocity_rms", point="in", subject="stage1.mesh", unit="mm/s")
    drift = Drift(state="growing", note="x", per_month=0.1, low=0.05, high=0.2, changes=((3e8, "step", 1.0),))
    figure = FigureSpread(
        figure=key, scale="dB", n=9, tolerance=(1.0, 2.0), method="normal", note="x",
        quantiles=(1.0, 1.1, 1.3, 1.5, 1.7, 1.9, 2.0), spread=0.1, drift=drift, outliers=1,
        strip=((1e8, 1.0), (2e8, 1.5), (4e8, 2.0)),
    )  # fmt: skip
    outlier = Outlier(
        serial="x", file="x", figure=key, value=9.0, expected=1.5, spreads=7.0, chance=1e-6, points_to="x"
    )
    found = Population(
        title="x", drives=9, records=9, figures=(figure,), outliers=(outlier,), false_alarm_rate=0.05, content=0.95,
        confidence=0.95, left_out=(("x", "x"),), remarks=("x",), first_s=1e8, last_s=4e8, software="x",
    )  # fmt: skip
    return write_population(poisoned(found), out)[0]


def promise(out: Path) -> Path:
    interval = Interval(value=2.0, low=1.0, high=3.0)
    rating = RatingLife(
        drive="x", bearing="x", type="ball", dynamic_rating_kn=9.0, equivalent_load_kn=1.0, relative_order=1.0,
        relative_speed_rpm=1450.0, l10_million=700.0, l10_hours=8000.0, note="cannot",
    )  # fmt: skip
    found = ReliabilityStatement(
        drives=3, weibull_note="x", lives=(Life(drive="x", hours=9.0, failed=True, what="x"),), ratings=(rating,),
        mean_time=MeanTime(
            exposure_hours=9e3, failures=1, estimate_hours=9e3, lower_hours=2e3, confidence=0.9, formula="x"
        ),
        weibull=Weibull(failures=3, suspended=1, shape=interval, scale=interval, b10=interval, confidence=0.9),
        assumptions=("x",), remarks=("x",), software="x",
    )  # fmt: skip
    return write_reliability(
        replace(poisoned(found), ratings=(replace(poisoned(rating), note=f"cannot {EVIL}"),)), out
    )[0]


PAGES: dict[str, Callable[[Path], Path]] = {
    "report": report,
    "report of nothing": report_of_nothing,
    "index": index,
    "plan": plan,
    "route sheet": sheet,
    "phone sheet": phone,
    "history": history,
    "queue": lambda out: queued(out)[0],
    "alarm": lambda out: queued(out)[1],
    "certificate": certificate,
    "list of certificates": certificate_list,
    "population": population,
    "promise": promise,
}
LIVE = {"report", "history", "alarm"}
"""Pages that load scripts."""
INSIDE = {"phone sheet": "phone.js"}
"""Pages with one script of their own inside, and its file."""
