"""An earlier run compared with this one: which of its reports belong to a drive, and what changed since."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import unquote

from vibe.storage.json_text import refuse_crowded
from vibe.storage.regular import read_regular

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.health import Health
    from vibe.core.route.run_notes import ReportChanges
    from vibe.health.state.settings import Limits

MOST_BYTES = 100_000_000
"""The record of some ten thousand drives; a report is a hundredth of that."""


@dataclass(frozen=True, slots=True)
class EarlierRun:
    """Where the reports of an earlier run are, by folded drive tag; ``remarks`` say what of it cannot be had."""

    reports: dict[str, Path] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
    likeness: dict[str, dict[str, list[float | None]]] = field(default_factory=dict)
    """Signatures of its points, by drive and point; none where an older program wrote it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Since:
    """What is known of a drive since last time: changes, or the sentence why there are none."""

    changes: ReportChanges | None
    note: str = ""
    failed: bool = False


def earlier_run(folder: Path) -> EarlierRun:
    """The reports in the output folder of an earlier run. What cannot be read is a remark, never an error."""
    try:
        record = json.loads(read_regular(folder / "run.json", MOST_BYTES))
        entries = [(str(entry["drive"]), entry["files"].get("json")) for entry in record["drives"]]
        links = {tag: unquote(link) for tag, link in entries if isinstance(link, str)}
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        return EarlierRun(remarks=(f"nothing is compared: {_name(folder)}/run.json: {why}",))
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return EarlierRun(remarks=(f"nothing is compared: {_name(folder)}/run.json is not that of an earlier run",))
    inside = {tag.casefold(): folder / link for tag, link in links.items() if _lies_in(folder, link)}
    return EarlierRun(reports=inside, likeness=_likeness(record.get("point_likeness_db")))


def _likeness(left: object) -> dict[str, dict[str, list[float | None]]]:
    """What is not as it should be is left out: the file may come from anywhere."""
    from vibe.spectra.identity.point_likeness import band_edges_hz

    count = band_edges_hz().size - 1

    def good(values: object) -> bool:
        return (
            isinstance(values, list)
            and len(values) == count
            and all(one is None or (isinstance(one, int | float) and abs(one) < 1000) for one in values)
        )

    if not isinstance(left, dict):
        return {}
    return {
        str(drive): {str(point): list(values) for point, values in own.items() if good(values)}
        for drive, own in left.items()
        if isinstance(own, dict)
    }


def _name(folder: Path) -> str:
    """Of a folder, without the way there: what is said here stands on pages that are handed on."""
    return folder.name or folder.resolve().name


def _lies_in(folder: Path, link: str) -> bool:
    try:
        return (folder / link).resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):
        return False


def since(earlier: EarlierRun, now: Health, drive: Drive, formerly: Sequence[str], limits: Limits) -> Since:
    """What changed in one drive; ``formerly`` are tags that it had before."""
    from vibe.core.evidence import Level
    from vibe.core.health import Health
    from vibe.health.state.report_changes import changes
    from vibe.health.state.zones import zone

    known = [earlier.reports[tag.casefold()] for tag in (drive.tag, *formerly) if tag.casefold() in earlier.reports]
    if not known:
        return Since(changes=None, note="measured for the first time")
    try:
        content = read_regular(known[0], MOST_BYTES)
        refuse_crowded(content)
        before = Health.model_validate_json(content)
    except (OSError, ValueError):
        name = "/".join(known[0].parts[-2:])
        return Since(changes=None, note=f"its earlier report {name} cannot be read", failed=True)
    probe = Level(point="", measure="velocity_rms", value=0.0, unit="mm/s")
    verdict = zone(probe, drive, limits)
    return Since(changes=changes(before, now, None if verdict is None else verdict.boundaries, limits))
