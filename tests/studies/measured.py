"""Measured records with truth: which element is named, how sure, at which speed; and each rig left out in turn.

    python -m tests.studies.measured [--workers W --out DIR] [--fit]

Every record of rotating machines with known truth (see :mod:`tests.studies.absent`, where they come from and where they
are looked for) is judged with a drive file that holds all bearings of its machine: on the motor rig both, the 6205 of
the drive end and the 6203 of the fan end. *Right* names the damaged element of the damaged bearing first, or nothing
where nothing is damaged; *bearing* says that something in the right bearing repeats, without naming an element; *wrong*
names another element or another bearing, or anything in a sound machine.

The constants by which elements are known (``[element]`` of ``configs/diagnosis.toml``) are fitted to these records: the
largest posterior of the elements that were damaged, with the normal priors of ``PRIORS``. ``--fit`` prints that fit.
The table *left out* states what constants that were fitted without a rig say of that rig.

On several outer-race records of the fan end (``DISPUTED``) label and signal disagree: their strongest envelope line
lies at 3.98 to 4.00 orders, where twice the spin of an element (3.987) and four times the shaft nearly coincide. They
are counted by their label; a second count leaves them out.
"""

from __future__ import annotations

import csv
import sys
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any, Literal
from unittest.mock import patch

import numpy as np

from tests.studies.absent import GEOMETRY, RANGES, REAL, data_folder, nominal_rpm, shaft
from tests.studies.fleet import settings, spread_out
from tests.studies.page import Clock, new_figure, options, write_figure, write_table
from vibe.diagnosis import diagnose
from vibe.diagnosis.alternatives.explaining_away import explained_away
from vibe.diagnosis.bearing_elements import PARTS, Signs, odds, ways
from vibe.diagnosis.case import Case
from vibe.diagnosis.rules.bearing import signs
from vibe.diagnosis.settings import ElementSettings
from vibe.flow.diagnose.capture_diagnosis import diagnose_capture
from vibe.kinematics.tone_table import tone_table

Verdict = Literal["right", "bearing", "silent", "wrong"]
VERDICTS: tuple[Verdict, ...] = ("right", "bearing", "silent", "wrong")
RIGS = {
    "de12k": "motor rig, drive end",
    "fe12k": "motor rig, fan end",
    "normal": "motor rig, sound",
    "mfpt": "MFPT society",
    "uestc": "pillow block",
    "ims": "four-bearing rig",
}
DISPUTED = ("298_0", "300_2", "302_0", "306_2")
BINS = (0.99, 0.9, 0.7, 0.5, 0.0)
PRIORS: dict[str, tuple[float, float]] = {
    "slope_per_db": (0.5, 0.15),
    "element": (-2.0, 1.0),
    "carried": (2.0, 1.0),
    "both_races": (1.0, 1.0),
    "clear_per_db": (0.5, 0.25),
    "cage": (-2.0, 1.0),
    "untold": (-1.5, 1.0),
}
"""Mean and standard deviation of each fitted constant before any record is seen (common practice). A slope of 0.5 makes
a comb 6 dB deeper twenty times likelier; a rolling element's own comb, and a cage's turn alone, are 7 times less
likely than a race's comb as deep, since races fail more often and every damage is modulated by the cage."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reported:
    """What was said of one record, and the signs of its damaged bearing (None where that does not show)."""

    file: str
    rig: str
    defect: str
    grade: str
    named: str
    verdict: Verdict
    probability: float | None
    component_probability: float | None
    others: str
    """Findings on other bearings, with their probabilities."""
    speed_hz: float | None
    uncertainty_hz: float | None
    method: str
    signs: Signs | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """The element that is named, none where empty, and how sure."""

    file: str
    rig: str
    defect: str
    named: str
    probability: float


def tell(work: tuple[Path, dict[str, str]]) -> Reported:
    """Judges one record."""
    folder, row = work
    real = REAL[row["dataset"]]
    damaged = row["bearing"] if row["bearing"] in real else real[0]
    drive = shaft(
        nominal_rpm(row["dataset"], row["file"]), RANGES[row["dataset"]], [(name, GEOMETRY[name]) for name in real]
    )
    with patch.object(diagnose, "diagnosed", wraps=diagnose.diagnosed) as watched:
        result = diagnose_capture(folder / row["file"], drive, tone_table(drive), settings())
    detected: Signs | None = None
    if watched.call_args is not None:
        case: Case = explained_away(watched.call_args.args[0])
        detected = signs(case, next(bearing for bearing in drive.bearing if bearing.name == damaged))
    own = [finding for finding in result.findings if finding.component.startswith("bearing.")]
    first = own[0] if own else None
    sound = row["defect"].startswith("none") or "stopped" in row["defect"]
    element = "" if first is None or first.tone is None else first.tone.rpartition(".")[2]
    verdict: Verdict
    if first is None:
        verdict = "right" if sound else "silent"
    elif sound or not first.component.startswith(f"bearing.{damaged}"):
        verdict = "wrong"
    else:
        verdict = "right" if element == row["defect"] else "wrong" if element else "bearing"
    speed = result.reading.speed if result.reading is not None else None
    return Reported(
        file=row["file"],
        rig=row["file"].split("/")[1] if row["dataset"] == "cwru" else row["dataset"],
        defect=row["defect"],
        grade=row["published_grade"] or "",
        named=element or ("" if first is None else "bearing"),
        verdict=verdict,
        probability=None if first is None else round(first.probability, 4),
        component_probability=None if first is None else round(first.damage_probability, 4),
        others="; ".join(
            f"{finding.tone or finding.component} {finding.probability:.2f}"
            for finding in own
            if not finding.component.startswith(f"bearing.{damaged}")
        ),
        speed_hz=None if speed is None else round(speed.input_hz, 4),
        uncertainty_hz=None if speed is None or speed.uncertainty_hz is None else round(speed.uncertainty_hz, 6),
        method="" if speed is None else speed.method,
        signs=detected,
    )


# --- the fit -------------------------------------------------------------------------------------------------------


def fit(records: Sequence[tuple[Signs, str]], base: ElementSettings) -> ElementSettings:
    """The constants of largest posterior, from signs and the element that was damaged; all else is as in ``base``."""
    from scipy.optimize import minimize

    mean, spread = (np.array([prior[place] for prior in PRIORS.values()]) for place in (0, 1))

    def made(values: Iterable[float]) -> ElementSettings:
        changed = {name: float(value) for name, value in zip(PRIORS, values, strict=True)}
        return base.model_copy(update=changed)

    def surprise(values: Any) -> float:
        rules = made(values)
        reported = sum(np.log(odds(ways(one, rules))[part]) for one, part in records)
        return float(0.5 * (((values - mean) / spread) ** 2).sum() - reported)

    return made(minimize(surprise, mean, method="L-BFGS-B").x)


def records_of(reported: Sequence[Reported], *, without: str = "") -> list[tuple[Signs, str]]:
    """What the fit is given: damaged bearings that spoke, on all rigs but one."""
    return [
        (one.signs, one.defect)
        for one in reported
        if one.signs is not None and one.defect in PARTS and one.rig != without
    ]


def left_out(reported: Sequence[Reported], base: ElementSettings) -> list[Stated]:
    """What constants that never saw a record's rig say of it, of the damaged bearings that spoke."""
    stated = []
    for rig in dict.fromkeys(one.rig for one in reported if one.signs is not None):
        rules = fit(records_of(reported, without=rig), base)
        for one in reported:
            if one.rig != rig or one.signs is None or one.defect not in PARTS:
                continue
            shares = odds(ways(one.signs, rules))
            part = max(shares, key=lambda name: shares[name])
            whole = one.component_probability or 0.0
            named = part if shares[part] >= rules.named_from else ""
            stated.append(
                Stated(
                    file=one.file, rig=one.rig, defect=one.defect, named=named,
                    probability=round(whole * (shares[part] if named else 1.0), 4),
                )
            )  # fmt: skip
    return stated


def as_stated(reported: Sequence[Reported]) -> list[Stated]:
    """What the program itself says."""
    return [
        Stated(
            file=one.file, rig=one.rig, defect=one.defect, named="" if one.named == "bearing" else one.named,
            probability=one.probability or 0.0,
        )
        for one in reported
        if one.named and one.defect in PARTS
    ]  # fmt: skip


def reliability(stated: Sequence[Stated]) -> list[dict[str, Any]]:
    """By stated probability: elements named, those that are right, and how many should be."""
    rows = []
    for low, high in zip(BINS, (1.01, *BINS), strict=False):
        own = [one for one in stated if one.named and low <= one.probability < high]
        rows.append(
            {
                "from": low, "named": len(own), "right": sum(one.named == one.defect for one in own),
                "expected": round(sum(one.probability for one in own), 1),
                "wrong": " ".join(Path(one.file).stem for one in own if one.named != one.defect),
            }
        )  # fmt: skip
    return rows


def by_rig(stated: Sequence[Stated]) -> list[dict[str, Any]]:
    """By rig: elements named, and named with 0.9 or more, and those of them that are right."""
    rows = []
    for rig in dict.fromkeys(one.rig for one in stated):
        own = [one for one in stated if one.rig == rig and one.named]
        sure = [one for one in own if one.probability >= 0.9]
        rows.append(
            {
                "rig": rig, "named": len(own), "right": sum(one.named == one.defect for one in own),
                "named_from_0.9": len(sure), "right_from_0.9": sum(one.named == one.defect for one in sure),
            }
        )  # fmt: skip
    return rows


def disputed(file: str) -> bool:
    """Whether label and signal of a record disagree."""
    return Path(file).stem in DISPUTED


# --- the page ------------------------------------------------------------------------------------------------------


def draw(reported: list[Reported], folder: Path) -> Path:
    """Verdicts by rig, as stacked bars with their counts."""
    figure, axes = new_figure(7.5, 3.2)
    looks = {
        "right": ("#0072b2", ""),
        "bearing": ("#9ecae1", ""),
        "silent": ("#ffffff", ""),
        "wrong": ("#d55e00", "//"),
    }
    rigs = list(dict.fromkeys(one.rig for one in reported))
    for place, rig in enumerate(rigs):
        counts, left = Counter(one.verdict for one in reported if one.rig == rig), 0
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


def row_of(one: Reported) -> dict[str, Any]:
    """One line of the table: the signs spread out, empty where the bearing does not show."""
    row = {name: value for name, value in asdict(one).items() if name != "signs"}
    for field in fields(Signs):
        value = None if one.signs is None else getattr(one.signs, field.name)
        row[field.name] = round(value, 3) if isinstance(value, float) else value
    return row


def stated_of(row: Mapping[str, str]) -> Reported:
    """A line of the table read back, for the fit."""
    names = [field.name for field in fields(Signs)]
    detected: Signs | None = None
    if row[names[0]]:
        values = {name: row[name] == "True" if name == "even_cage" else float(row[name]) for name in names}
        detected = Signs(**values)  # type: ignore[arg-type]
    number = {name: float(row[name]) if row[name] else None for name in ("probability", "component_probability")}
    return Reported(
        file=row["file"], rig=row["rig"], defect=row["defect"], grade=row["grade"], named=row["named"],
        verdict=row["verdict"], probability=number["probability"],  # type: ignore[arg-type]
        component_probability=number["component_probability"], others=row["others"], speed_hz=None,
        uncertainty_hz=None, method=row["method"], signs=detected,
    )  # fmt: skip


def tables(reported: Sequence[Reported], base: ElementSettings) -> list[dict[str, Any]]:
    """Reliability as the program states it, and with each rig left out; with and without the disputed records."""
    rows = []
    for what, stated in (("stated", as_stated(reported)), ("rig left out", left_out(reported, base))):
        for kept, own in (("all", stated), ("undisputed", [one for one in stated if not disputed(one.file)])):
            rows += [{"constants": what, "records": kept, **row} for row in reliability(own)]
    return rows


def main() -> None:
    fitting = "--fit" in sys.argv
    sys.argv = [word for word in sys.argv if word != "--fit"]
    chosen = options(__doc__.splitlines()[0], count=0, counts="has no meaning here")
    folder = data_folder()
    if folder is None:
        print("Skipped: the measured captures are not there; set VIBE_OPEN_DATA to their folder.")
        return
    clock = Clock()
    with (folder / "truth.csv").open(encoding="utf-8") as stream:
        rows = [(folder, row) for row in csv.DictReader(stream) if row["dataset"] in REAL]
    reported = list(spread_out(tell, rows, workers=chosen.workers))
    base = settings().diagnosis.element
    if fitting:
        fitted = fit(records_of(reported), base)
        for name, (mean, spread) in PRIORS.items():
            print(f"{name} = {getattr(fitted, name):.2f}    # now {getattr(base, name):.2f}; prior {mean} ± {spread}")
        for rig in dict.fromkeys(one.rig for one in reported if one.signs is not None):
            without = fit(records_of(reported, without=rig), base)
            print(f"without {RIGS[rig]}: " + ", ".join(f"{name} {getattr(without, name):.2f}" for name in PRIORS))
        return
    for one in reported:
        note = " (label and signal disagree)" if disputed(one.file) else ""
        print(
            f"{one.file:34s} {one.defect:24s} {one.grade:3s} {one.verdict:8s} {one.named:16s} "
            f"{one.probability or 0:.3f} of {one.component_probability or 0:.3f} {one.speed_hz}{note} {one.others}"
        )
    for rig in dict.fromkeys(one.rig for one in reported):
        counts = Counter(one.verdict for one in reported if one.rig == rig)
        print(f"{RIGS[rig]}: " + ", ".join(f"{counts[verdict]} {verdict}" for verdict in VERDICTS))
    faulty = [one for one in reported if one.defect in PARTS]
    right = sum(one.verdict == "right" for one in faulty)
    print(f"{right} of {len(faulty)} faulty records named right ({100 * right / len(faulty):.0f} %)")
    table = tables(reported, base)
    for row in table:
        print(
            f"{row['constants']:13s} {row['records']:11s} from {row['from']:.2f}: {row['right']:2d} right of "
            f"{row['named']:2d}, {row['expected']:.1f} expected  {row['wrong']}"
        )
    for row in by_rig(left_out(reported, base)):
        print("left out: " + ", ".join(f"{name} {value}" for name, value in row.items()))
    write_table(chosen.out, "measured", [row_of(one) for one in reported])
    write_table(chosen.out, "measured_reliability", table)
    write_table(chosen.out, "measured_left_out", by_rig(left_out(reported, base)))
    draw(reported, chosen.out)
    print(f"{len(reported)} records in {clock}")


if __name__ == "__main__":
    main()
