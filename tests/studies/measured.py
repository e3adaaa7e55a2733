"""Measured records with truth: which element is named, at which speed.

    python -m tests.studies.measured [--workers W --out DIR]

Every record of rotating machines with known truth (see :mod:`tests.studies.absent`, where they come from and where they
are looked for) is judged with a drive file that holds the bearing under test. *Right* names the damaged element first,
or nothing where nothing is damaged; *bearing* says that something in the right bearing repeats, without naming an
element; *wrong* names another element, or anything in a sound machine.
"""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Literal

from tests.studies.absent import GEOMETRY, RANGES, REAL, data_folder, nominal_rpm, shaft
from tests.studies.fleet import settings, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.flow.judging import judge_capture
from vibe.kinematics.tones import tone_table

Verdict = Literal["right", "bearing", "silent", "wrong"]
VERDICTS: tuple[Verdict, ...] = ("right", "bearing", "silent", "wrong")
RIGS = {"cwru": "motor rig", "mfpt": "MFPT society", "uestc": "pillow block", "ims": "four-bearing rig"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was said of one record."""

    file: str
    rig: str
    defect: str
    grade: str
    named: str
    verdict: Verdict
    probability: float | None
    speed_hz: float | None
    uncertainty_hz: float | None
    method: str


def tell(work: tuple[Path, dict[str, str]]) -> Told:
    """Judges one record."""
    folder, row = work
    rig = row["dataset"]
    real = REAL[rig][0]
    drive = shaft(nominal_rpm(rig, row["file"]), RANGES[rig], [(real, GEOMETRY[real])])
    result = judge_capture(folder / row["file"], drive, tone_table(drive), settings())
    own = [finding for finding in result.findings if finding.component.startswith("bearing.")]
    first = own[0] if own else None
    element = "" if first is None or first.tone is None else first.tone.rpartition(".")[2]
    sound = row["defect"].startswith("none") or "stopped" in row["defect"]
    verdict: Verdict
    if sound:
        verdict = "right" if first is None else "wrong"
    elif first is None:
        verdict = "silent"
    else:
        verdict = "right" if element == row["defect"] else "wrong" if element else "bearing"
    speed = result.reading.speed if result.reading is not None else None
    return Told(
        file=row["file"],
        rig=rig,
        defect=row["defect"],
        grade=row["published_grade"],
        named=element or ("" if first is None else "bearing"),
        verdict=verdict,
        probability=None if first is None else round(first.probability, 3),
        speed_hz=None if speed is None else round(speed.input_hz, 4),
        uncertainty_hz=None if speed is None or speed.uncertainty_hz is None else round(speed.uncertainty_hz, 6),
        method="" if speed is None else speed.method,
    )


def draw(told: list[Told], folder: Path) -> Path:
    """Verdicts by rig, as stacked bars with their counts."""
    figure, axes = new_figure(7.5, 2.8)
    looks = {
        "right": ("#0072b2", ""),
        "bearing": ("#9ecae1", ""),
        "silent": ("#ffffff", ""),
        "wrong": ("#d55e00", "//"),
    }
    rigs = list(dict.fromkeys(one.rig for one in told))
    for place, rig in enumerate(rigs):
        counts, left = Counter(one.verdict for one in told if one.rig == rig), 0
        for verdict in VERDICTS:
            colour, hatch = looks[verdict]
            if counts[verdict]:
                axes.barh(place, counts[verdict], left=left, color=colour, hatch=hatch, edgecolor="#333333")
                light = verdict in ("right", "wrong")
                axes.text(
                    left + counts[verdict] / 2, place, str(counts[verdict]), ha="center", va="center",
                    color="white" if light else "black", fontsize=9,
                )  # fmt: skip
            left += counts[verdict]
    from matplotlib.patches import Patch

    handles = [Patch(facecolor=looks[v][0], hatch=looks[v][1], edgecolor="#333333", label=v) for v in VERDICTS]
    axes.legend(handles=handles, loc="lower right", frameon=False)
    axes.set_yticks(range(len(rigs)), [RIGS[rig] for rig in rigs])
    axes.invert_yaxis()
    axes.set_xlabel("records")
    axes.set_title("Measured records: the damaged element named first", loc="left", fontsize=10)
    return write_figure(folder, "measured", figure)


def main() -> None:
    chosen = options(__doc__.splitlines()[0], count=0, counts="has no meaning here")
    folder = data_folder()
    if folder is None:
        print("Skipped: the measured captures are not there; set VIBE_OPEN_DATA to their folder.")
        return
    clock = Clock()
    with (folder / "truth.csv").open(encoding="utf-8") as stream:
        rows = [(folder, row) for row in csv.DictReader(stream) if row["dataset"] in REAL]
    told = list(spread_out(tell, rows, workers=chosen.workers))
    for one in told:
        print(f"{one.file:34s} {one.defect:24s} {one.grade:3s} {one.verdict:8s} {one.named:16s} {one.speed_hz}")
    for rig in dict.fromkeys(one.rig for one in told):
        counts = Counter(one.verdict for one in told if one.rig == rig)
        print(f"{rig}: " + ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS))
    write_table(chosen.out, "measured", [asdict(one) for one in told])
    draw(told, chosen.out)
    print(f"{len(told)} records in {clock}")


if __name__ == "__main__":
    main()
