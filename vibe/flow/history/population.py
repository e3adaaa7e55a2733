"""A folder of records of new drives into the page of their population."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from vibe import __version__

if TYPE_CHECKING:
    from vibe.core.records.population import Population


def population_of(folder: Path, *, title: str | None = None) -> Population:
    """All drives of a type whose records lie in ``folder`` or below.

    Acceptance records count; where there are none, the levels of plain health reports do.

    Raises:
        CallError: there is no such folder, or it holds no record. ConfigError: a settings file is wrong.
    """
    from vibe.flow.settings import share_dir
    from vibe.history.population.comparison import population
    from vibe.history.population.records import read_records
    from vibe.history.population.settings import PopulationSettings
    from vibe.history.settings import HistorySettings
    from vibe.ingest import load_model

    configs = share_dir() / "configs"
    settings = load_model(configs / "population.toml", PopulationSettings)
    rules = load_model(configs / "history.toml", HistorySettings)
    read = read_records(folder)
    remarks = []
    gathered = read.acceptance
    if not gathered.serial:
        gathered = read.health
        remarks.append(
            "There is no acceptance record: levels of health reports are compared, at whatever load they had."
        )
    elif read.health.serial:
        remarks.append(f"{len(read.health.serial)} health reports without an acceptance record do not count.")
    return population(
        gathered, settings, rules.trend, title=title or folder.resolve().name, left_out=read.left_out,
        remarks=remarks, software=f"vibe {__version__}",
    )  # fmt: skip


def write_population(found: Population, out: Path, *, force: bool = False) -> tuple[Path, ...]:
    """Page, tables and JSON.

    Raises:
        OutputError: one of them is there already and ``force`` is not given, or cannot be written.
    """
    from vibe.report.pages.population_page import write_population as write

    return write(found, out, force=force)
