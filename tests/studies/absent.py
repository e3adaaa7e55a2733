"""Bearings that are not in the machine, looked for in measured records: their tones must not be found.

    python -m tests.studies.absent [--count N --seed S --workers W --out DIR]

Every measured record (motor rig of Case Western Reserve University with its 6205; fault data of the MFPT Society, 2013;
IMS rig of the University of Cincinnati; pillow block of Liu et al., 2025) is judged with a drive file that lists,
next to the bearing under test, ``count`` others that are not there, three at a time; and once more with the bearing
under test left out, so that what is really broken has no name. No race and no element of an absent bearing lies within
slip of half, one, two or three times a tone of a bearing that is there, or of a harmonic of the shaft; a cage that does
is not counted, nor is what is detected by the turn of such a cage alone, whichever element is named for it. The motor
rig has a 6203 at its fan end, so 6203 counts as present there; elsewhere it is absent where its tones do not coincide.

The records are looked for where ``VIBE_OPEN_DATA`` points; without them the study says so and ends.
"""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from tests.open_data import OPEN_DATA
from tests.studies.confusion import wilson
from tests.studies.fleet import settings, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.core.drive import Drive
from vibe.flow.diagnose.capture_diagnosis import diagnose_capture
from vibe.kinematics.tone_table import tone_table

TARGET = 0.01
APART = 0.035
"""Relative distance from what really speaks there: both may slip, from 2 % below to 1 % above."""
APART_SHAFT = 0.022
"""And from harmonics of the shaft, which do not slip."""
TOGETHER = 3
"""Absent bearings in one drive file: as many as a small drive has."""
INCH_MM = 25.4
GEOMETRY: dict[str, dict[str, Any]] = {
    "6205": {"elements": 9, "element_diameter_mm": 0.3126 * INCH_MM, "pitch_diameter_mm": 1.537 * INCH_MM},
    "6203": {"elements": 8, "element_diameter_mm": 0.2656 * INCH_MM, "pitch_diameter_mm": 1.122 * INCH_MM},
    "mfpt": {"elements": 8, "element_diameter_mm": 0.235 * INCH_MM, "pitch_diameter_mm": 1.245 * INCH_MM},
    "ims": {
        "elements": 16, "element_diameter_mm": 0.331 * INCH_MM, "pitch_diameter_mm": 2.815 * INCH_MM,
        "contact_angle_deg": 15.17,
    },
    "pronostia": {"elements": 13, "element_diameter_mm": 3.5, "pitch_diameter_mm": 25.6},
    "uestc": {
        "elements": 8, "orders": {"outer_race": 3.04, "inner_race": 4.93, "cage": 0.38, "rolling_element": 1.96},
    },
}  # fmt: skip
"""As published with the data; the last one's races as measured, cage and elements after them: k = 1 - 2 outer / n."""
REAL = {"cwru": ("6205", "6203"), "mfpt": ("mfpt",), "ims": ("ims",), "uestc": ("uestc",)}
"""Bearings in each machine, the one under test first."""
RANGES = {"cwru": (0.96, 1.02), "mfpt": (0.97, 1.03), "ims": (0.97, 1.03), "uestc": (0.95, 1.10)}
"""Speed range against nominal that the drive file states."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Absent:
    """A bearing that is not there, and those of its parts whose tones coincide with nothing that is."""

    name: str
    geometry: dict[str, Any]
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One record judged with absent bearings in the drive file."""

    file: str
    path: Path
    rig: str
    rpm: float
    absent: tuple[Absent, ...]
    with_real: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What was found of bearings that are not there."""

    look: Look
    tones: int
    found: tuple[str, ...]
    """Named in a finding's own name."""
    mentioned: int
    """Only named among what a finding of something else cannot be distinguished from."""


def data_folder() -> Path | None:
    """Where the measured captures are, None where they are not."""
    return OPEN_DATA if (OPEN_DATA / "truth.csv").is_file() else None


def shaft(rpm: float, share: tuple[float, float], bearings: Sequence[tuple[str, dict[str, Any]]]) -> Drive:
    """A shaft with bearings in a housing, and the speed range that its file states."""
    made = [{"name": name, "inner": "input", "outer": "housing", **own} for name, own in bearings]
    speed = {"speed_rpm": rpm, "speed_range_rpm": [share[0] * rpm, share[1] * rpm]}
    return Drive.model_validate({"tag": "rig", "input": speed, "bearing": made})


def nominal_rpm(rig: str, file: str) -> float:
    """The speed that the records' own names and pages state."""
    name = Path(file).stem
    if rig == "uestc":
        return float(name.split("_")[1])
    return {"mfpt": 1500.0, "ims": 2000.0}.get(rig, 1750.0 if name.endswith("_2") else 1797.0)


@cache
def _tones(elements: int, ratio_percent: int, known: str = "") -> tuple[tuple[str, float], ...]:
    """Part and order of a bearing's tones."""
    own = GEOMETRY[known] if known else _made(elements, ratio_percent)
    table = tone_table(shaft(1500.0, (0.97, 1.03), [("x", own)]))
    return tuple((t.id.rpartition(".")[2], t.order) for t in table.tones if t.id.startswith("bearing.x."))


def _made(elements: int, ratio_percent: int) -> dict[str, Any]:
    """A bearing of so many elements, whose diameter is so many per cent of the pitch diameter."""
    return {"elements": elements, "element_diameter_mm": 0.5 * ratio_percent, "pitch_diameter_mm": 50.0}


def _apart(order: float, present: Sequence[float]) -> bool:
    """Whether a tone coincides with nothing that really speaks."""
    shaft = max(1, round(order))
    if abs(order / shaft - 1) < APART_SHAFT:
        return False
    return all(abs(order / (ratio * other) - 1) >= APART for other in present for ratio in (0.5, 1.0, 2.0, 3.0))


def _countable(rig: str, tones: Sequence[tuple[str, float]]) -> tuple[str, ...]:
    """Parts of an absent bearing that coincide with nothing; none where a race or the elements do.

    Such a bearing does speak, by a name not its own. A damaged element strikes twice per turn of its own, so twice its
    order must be free too.
    """
    present = [order for name in REAL[rig] for _, order in _tones(0, 0, name)]
    free = [
        part
        for part, order in tones
        if all(_apart(k * order, present) for k in ((1, 2) if part == "rolling_element" else (1,)))
    ]
    return tuple(free) if {"outer_race", "inner_race", "rolling_element"} <= set(free) else ()


def absent_from(rig: str, count: int, seed: int) -> list[Absent]:
    """``count`` bearings that are not in a machine and that coincide with nothing: known ones, then drawn ones."""
    # As many as fit round their pitch circle with a cage between them, and not so few that it would be no bearing.
    fits = {elements: 100 * np.sin(np.pi / elements) for elements in range(6, 21)}
    grid = [(n, ratio) for n, full in fits.items() for ratio in range(10, 34) if 0.5 * full < ratio < 0.9 * full]
    shuffled = [grid[place] for place in np.random.default_rng(seed).permutation(len(grid))]
    chosen = [
        Absent(name=name, geometry=GEOMETRY[name], parts=_countable(rig, _tones(0, 0, name)))
        for name in GEOMETRY
        if name not in REAL[rig] and name != "uestc"
    ] + [
        Absent(
            name=f"{elements} elements {ratio} hundredths",
            geometry=_made(elements, ratio),
            parts=_countable(rig, _tones(elements, ratio)),
        )
        for elements, ratio in shuffled
    ]
    return [one for one in chosen if one.parts][:count]


def looks(folder: Path, count: int, seed: int) -> list[Look]:
    """Every record with every group of absent bearings, with and without the real one in the drive file."""
    made: list[Look] = []
    with (folder / "truth.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["dataset"] in REAL]
    for row in rows:
        rig = row["dataset"]
        rpm = nominal_rpm(rig, row["file"])
        absent = absent_from(rig, count, seed)
        for start in range(0, len(absent), TOGETHER):
            for with_real in (True, False):
                three = tuple(absent[start : start + TOGETHER])
                path = folder / row["file"]
                made.append(Look(file=row["file"], path=path, rig=rig, rpm=rpm, absent=three, with_real=with_real))
    return made


def look_at(look: Look) -> Seen:
    """Judges one record."""
    real = REAL[look.rig][0]
    bearings = [(one.name, one.geometry) for one in look.absent]
    bearings += [(real, GEOMETRY[real])] if look.with_real else []
    drive = shaft(look.rpm, RANGES[look.rig], bearings)
    table = tone_table(drive)
    result = diagnose_capture(look.path, drive, table, settings())
    counted = {f"bearing.{one.name}.{part}" for one in look.absent for part in one.parts}
    counted_bearings = {f"bearing.{one.name}" for one in look.absent}
    found = [
        finding.tone or finding.component
        for finding in result.findings
        if (finding.tone in counted or (finding.tone is None and finding.component in counted_bearings))
        and not (finding.seen_in and all(name.endswith(".cage") and name not in counted for name in finding.seen_in))
    ]
    others = {name for finding in result.findings for name in finding.cannot_be_told_from}
    return Seen(
        look=look,
        tones=len(counted) if result.reading is not None else 0,
        found=tuple(found),
        mentioned=len((others & counted) - set(found)),
    )


def rows_of(seen: Sequence[Seen]) -> list[dict[str, Any]]:
    """Shares of absent tones found, by machine and by whether the drive file lists the real bearing."""
    rows = []
    for with_real in (True, False):
        for rig in ("all", *REAL):
            own = [one for one in seen if one.look.with_real == with_real and rig in ("all", one.look.rig)]
            tones = sum(one.tones for one in own)
            found = sum(len(one.found) for one in own)
            share, low, high = wilson(found, tones)
            rows.append(
                {
                    "drive_file": "with the real bearing" if with_real else "without it", "rig": rig,
                    "records": len({one.look.file for one in own}), "tones": tones, "found": found,
                    "share": round(share, 5), "low_95": round(low, 5), "high_95": round(high, 5),
                    "records_with_any": len({one.look.file for one in own if one.found}),
                    "mentioned_as_alternative": sum(one.mentioned for one in own),
                }
            )  # fmt: skip
    return [row for row in rows if row["tones"]]


def picture(rows: Sequence[dict[str, Any]], folder: Path) -> Path:
    """Shares with their intervals next to the limit."""
    figure, axes = new_figure(8.5, 4.5)
    for place, row in enumerate(rows):
        axes.plot([100 * row["low_95"], 100 * row["high_95"]], [place, place], color="black")
        axes.plot(100 * row["share"], place, "o", color="black")
    axes.axvline(100 * TARGET, color="0.4", linestyle="--", label=f"limit: {100 * TARGET:g} %")
    axes.set_yticks(range(len(rows)), [f"{row['rig']}, {row['drive_file']} ({row['tones']})" for row in rows])
    axes.invert_yaxis()
    axes.set_xlim(left=0)
    axes.set_xlabel("tones of absent bearings named in a finding [%], with 95 % interval")
    axes.legend(loc="lower right")
    return write_figure(folder, "absent", figure)


def main() -> None:
    chosen = options(
        "Absent bearings in measured records.", count=6, counts="absent bearings looked for in each record"
    )
    folder = data_folder()
    if folder is None:
        print("Skipped: the measured captures are not there; set VIBE_OPEN_DATA to their folder.")
        return
    clock = Clock()
    for rig in REAL:
        print(f"{rig}: absent are " + "; ".join(one.name for one in absent_from(rig, chosen.count, chosen.seed)))
    seen = list(spread_out(look_at, looks(folder, chosen.count, chosen.seed), workers=chosen.workers))
    rows = rows_of(seen)
    for row in rows:
        print(f"{row['drive_file']:22s} {row['rig']:6s} {row['found']:3d} / {row['tones']:4d} tones, "
              f"{100 * row['share']:.2f} % ({100 * row['low_95']:.2f} to {100 * row['high_95']:.2f}); on "
              f"{row['records_with_any']} of {row['records']} records; {row['mentioned_as_alternative']} more "
              "as an alternative")  # fmt: skip
    for one in seen:
        for name, number in Counter(one.found).items():
            print(f"  {one.look.file} {'with' if one.look.with_real else 'without'}: {name} x {number}")
    write_table(chosen.out, "absent", rows)
    picture(rows, chosen.out)
    print(f"\n{len(seen)} analyses in {clock}")


if __name__ == "__main__":
    main()
