"""A type with ten thousand drives: how long it takes, how much memory, and whether the stated rates hold.

``python -m tests.studies.population --count 10000``
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from tests.studies.page import options, write_table
from vibe.core.records.population import FigureKey, Population
from vibe.history.population.comparison import population
from vibe.history.population.records import PopulationFigures
from vibe.history.population.settings import PopulationSettings
from vibe.history.settings import HistorySettings

START = datetime(2024, 1, 8, 8, 0, tzinfo=UTC)
TONES = (
    "stage1.mesh", "stage1.lobe", "stage1.ring_pin", "stage1.output_pin", "bearing.input bearing.outer_race",
    "bearing.input bearing.inner_race", "bearing.eccentric bearing.outer_race", "bearing.eccentric bearing.inner_race",
)  # fmt: skip
POINTS = ("input side radial", "output side radial", "output side axial")
MEASURES = {"velocity_rms": "mm/s", "acceleration_rms": "m/s²", "acceleration_peak": "m/s²"}


def record(serial: str, figures: dict[tuple[str, str, str, str], float], at: datetime | None = START) -> dict[str, Any]:
    """An acceptance record with figures (measure, point, subject, unit) -> value, and what else such a file holds."""
    return {
        "schema": "vibe.acceptance/1",
        "drive": "CD-100",
        "name": "Test type",
        "serial": serial,
        "ratio_ordered": "11 : 1",
        "measured_from": None if at is None else at.isoformat(),
        "answer": "pass",
        "outcomes": [],
        "figures": [
            {"measure": measure, "point": point, "subject": subject, "unit": unit, "value": value}
            for (measure, point, subject, unit), value in figures.items()
        ],
        "captures": [["run.h5", "0" * 64]],
    }


def keys() -> list[tuple[str, str, str, str]]:
    """What is measured of every drive: levels at the points, and impacts of the tones."""
    levels = [(measure, point, "", unit) for measure, unit in MEASURES.items() for point in POINTS]
    return levels + [("hit", "", tone, "m/s²") for tone in TONES]


def values(rng: np.random.Generator, drives: int, figures: int) -> np.ndarray:
    """Lognormal figures (drives, figures) with a spread of 1.5 to 3 dB, a third of it in common to a drive."""
    spread = np.linspace(1.5, 3.0, figures)
    common = rng.normal(0.0, np.sqrt(1 / 3), (drives, 1))
    own = rng.normal(0.0, np.sqrt(2 / 3), (drives, figures))
    return np.asarray(10.0 ** ((common + own) * spread / 20.0))


def write_records(folder: Path, drives: int, seed: int = 1) -> None:
    """Records of a type: one bad eccentric bearing (SN-00007) and a mesh that grows by 2 dB halfway."""
    rng = np.random.default_rng(seed)
    names = keys()
    made = values(rng, drives, len(names))
    mesh = names.index(("hit", "", "stage1.mesh", "m/s²"))
    made[drives // 2 :, mesh] *= 10.0 ** (2.0 / 20.0)
    made[7, names.index(("hit", "", "bearing.eccentric bearing.inner_race", "m/s²"))] *= 12.0
    for number in range(drives):
        place = folder / f"{number // 500:03d}" / f"SN-{number:05d}"
        place.mkdir(parents=True, exist_ok=True)
        at = START + timedelta(minutes=90 * number)
        figures = dict(zip(names, made[number].tolist(), strict=True))
        text = json.dumps(record(f"SN-{number:05d}", figures, at), indent=1)
        (place / "acceptance.json").write_text(text, encoding="utf-8")


def rules() -> tuple[PopulationSettings, HistorySettings]:
    """As they are shipped."""
    configs = Path(__file__).parents[2] / "configs"
    texts = [(configs / name).read_text(encoding="utf-8") for name in ("population.toml", "history.toml")]
    return PopulationSettings.model_validate(tomllib.loads(texts[0])), HistorySettings.model_validate(
        tomllib.loads(texts[1])
    )


def compared(made: np.ndarray, unit: str = "m/s²", days: float = 1.0) -> Population:
    """A population straight from figures (drives, figures)."""
    gathered = PopulationFigures()
    names = [FigureKey(measure="hit", point="", subject=f"tone {k}", unit=unit) for k in range(made.shape[1])]
    for number, row in enumerate(made.tolist()):
        at = START.timestamp() + number * 86400.0 * days
        gathered.add(f"S{number}", f"{number}.json", "", at, list(zip(names, row, strict=True)))
    settings, history = rules()
    return population(gathered, settings, history.trend, title="type", software="vibe")


def alarm_shares(sets: int, drives: int, figures: int, kind: str, seed: int = 1) -> tuple[float, float]:
    """Share of sound populations with any outlier, and with any drift."""
    outlier = drift = 0
    for number in range(sets):
        rng = np.random.default_rng([seed, number, drives])
        if kind == "normal":
            made = values(rng, drives, figures)
        else:  # gamma in dB: skewness 1
            made = 10.0 ** (rng.gamma(4.0, 1.0, (drives, figures)) / 20.0)
        found = compared(made)
        outlier += bool(found.outliers)
        drift += any(one.drift.state not in ("steady", "cannot be told yet") for one in found.figures)
    return outlier / sets, drift / sets


def main() -> None:
    """The figures."""
    reported = options(__doc__ or "", count=10_000, counts="drives")
    rows: list[dict[str, Any]] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "type"
        write_records(folder, reported.count)
        begun = time.perf_counter()
        subprocess.run(
            [sys.executable, "-m", "vibe", "population", str(folder), "--out", str(Path(name) / "out")], check=True,
            stdout=subprocess.DEVNULL,
        )  # fmt: skip
        took = time.perf_counter() - begun
        peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
        rows.append({"what": f"{reported.count} drives, 17 figures each: time", "figure": f"{took:.1f}", "unit": "s"})
        rows.append({"what": f"{reported.count} drives: greatest memory", "figure": f"{peak:.0f}", "unit": "MB"})
    for kind, drives in (("normal", 12), ("normal", 40), ("normal", 300), ("skewed", 40), ("skewed", 300)):
        outlier, drift = alarm_shares(200, drives, 10, kind)
        rows.append(
            {"what": f"{kind}, {drives} drives, 10 figures: any outlier", "figure": f"{outlier:.3f}", "unit": ""}
        )
        rows.append({"what": f"{kind}, {drives} drives, 10 figures: any drift", "figure": f"{drift:.3f}", "unit": ""})
    write_table(reported.out, "population", rows)


if __name__ == "__main__":
    main()
