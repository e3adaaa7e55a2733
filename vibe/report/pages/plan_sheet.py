"""The sheet a technician takes along: cautions first, then a line or two per drive with boxes to tick."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from vibe import __version__
from vibe.core.errors import OutputError
from vibe.core.tones import CapturePlan, Visibility
from vibe.report import words
from vibe.report.pages import shell
from vibe.report.printing.pdf import make_pdf
from vibe.storage.csv_table import csv_text
from vibe.storage.files import remove_older, write_whole

PLAN_SCHEMA = "vibe.plan/1"

FIELD_CAUTIONS = (
    "Machines turn and may start without warning: keep hands, hair, sleeves and cables clear of shafts and couplings.",
    "Guards stay on. Where a sensor cannot be reached with the guard in place, leave that point out.",
    "Lock out and tag out before touching anything that moves; the local rules and permits come first.",
    "Housings can be hot, floors wet, platforms high: mount a sensor only where you can stand safely.",
    "The maker's manual and qualified persons come before this sheet.",
)
"""Common practice; local rules override."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanFiles:
    """Where the sheet and its copies are; ``pdf`` None when there is none, and then ``remarks`` says why."""

    html: Path
    pdf: Path | None
    csv: Path
    json: Path
    remarks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEntry:
    """One drive on the sheet."""

    plan: CapturePlan
    name: str
    seen: tuple[str, ...]
    unseen: tuple[Visibility, ...]


def write_plan_sheet(
    plans: Sequence[CapturePlan],
    folder: Path,
    *,
    force: bool,
    names: Mapping[str, str] | None = None,
    cautions: Sequence[str] = FIELD_CAUTIONS,
    title: str = "Capture plan",
    pdf: bool = True,
) -> PlanFiles:
    """Write ``plan.html``, ``plan.pdf``, ``plan.csv`` and ``plan.json`` into ``folder``.

    ``names``: drive tag -> plain name.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or the folder cannot be written.
    """
    html_path, pdf_path, csv_path, json_path = (folder / f"plan.{kind}" for kind in ("html", "pdf", "csv", "json"))
    for path in (html_path, pdf_path, csv_path, json_path):
        if path.exists() and not force:
            raise OutputError(f"{path} exists already; give --force to replace it, or another --out")
    page = plan_html(plans, names=names, cautions=cautions, title=title)
    printed = make_pdf(page) if pdf else None
    write_whole(csv_path, plan_csv(plans), force=force)
    write_whole(json_path, plan_json(plans), force=force)
    write_whole(html_path, page, force=force)
    remarks = (printed.remark,) if printed is not None and printed.remark else ()
    if printed is not None and printed.content is not None:
        write_whole(pdf_path, printed.content, force=force)
        return PlanFiles(html=html_path, pdf=pdf_path, csv=csv_path, json=json_path, remarks=remarks)
    remove_older(pdf_path)
    return PlanFiles(html=html_path, pdf=None, csv=csv_path, json=json_path, remarks=remarks)


def plan_html(
    plans: Sequence[CapturePlan],
    *,
    names: Mapping[str, str] | None = None,
    cautions: Sequence[str] = FIELD_CAUTIONS,
    title: str = "Capture plan",
) -> str:
    """The sheet as a page without scripts."""
    entries = [
        PlanEntry(
            plan=plan,
            name=(names or {}).get(plan.drive, ""),
            seen=tuple(v.tone for v in plan.visibility if v.seen),
            unseen=tuple(v for v in plan.visibility if not v.seen),
        )
        for plan in plans
    ]
    minutes = sum(plan.captures * plan.duration_s for plan in plans) / 60
    return shell.render(
        "plan.html.j2",
        title=title,
        entries=entries,
        cautions=list(cautions),
        minutes=words.number(minutes, 2),
        software=f"vibe {__version__}",
    )


def plan_csv(plans: Sequence[CapturePlan]) -> str:
    """One line per drive."""
    header = [
        "drive", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "resolution_hz", "mounting",
        "seen", "not_seen", "reasons",
    ]  # fmt: skip
    return csv_text(
        header,
        [
            (
                p.drive, p.sample_rate_hz, p.duration_s, p.captures, p.sensor_range_m_s2, p.resolution_hz, p.mounting,
                " ".join(v.tone.replace(" ", "_") for v in p.visibility if v.seen),
                " ".join(v.tone.replace(" ", "_") for v in p.visibility if not v.seen), " | ".join(p.reasons),
            )
            for p in plans
        ],
    )  # fmt: skip


def plan_json(plans: Sequence[CapturePlan]) -> str:
    """The plans with all their fields."""
    record = {"schema": PLAN_SCHEMA, "plans": [asdict(plan) for plan in plans], "software": f"vibe {__version__}"}
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
