"""Sample commissioning sets: new drives with known truth, made on demand."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, ValidationError

from vibe.core.drive import Drive
from vibe.core.errors import CallError, ConfigError, OutputError
from vibe.core.records.acceptance import Answer, Instrument, RunKind
from vibe.core.records.commissioning import Issue, NamePlate, NotedValue
from vibe.core.stages.cycloidal import CycloidalStage
from vibe.storage.files import write_whole
from vibe.storage.toml_text import toml_tables
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import parse_damage
from vibe.synth.samples.demo import shared_folder
from vibe.synth.simulate import simulate
from vibe.synth.toml_text import toml_value
from vibe.synth.writers import write_capture

TRUTH = "truth.toml"
CAPTURES = "captures"
SET_FILES = ("drive.toml", "requirements.toml", "commissioning.toml")
LATER, IMPOSSIBLE = "later", "impossible"
"""Folders below the sets' own: those that rest on records of the first ones, and those that cannot be."""
Spoiled = Literal["", "one capture twice", "no rated load", "calibrated afterwards", "another drive", "no such point"]
Positive = Annotated[float, Field(gt=0)]
M = TypeVar("M", bound=BaseModel)
Share = Annotated[float, Field(ge=0, le=1)]


class _Form(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class SampleRun(_Form):
    """A run that every set goes through: a capture for each entry of ``noise``, ``minutes`` apart."""

    kind: RunKind
    seconds: Annotated[float, Field(gt=0, le=600)]
    load_percent: Annotated[float, Field(ge=0)]
    noise: Annotated[list[Positive], Field(min_length=1, max_length=50)]
    minutes: Positive
    temperature_c: float | None = None
    oil_c: float | None = None
    load_by: str = ""
    from_rpm: Positive | None = None
    """A run-up begins at this speed, and is captured with a pulse."""
    to_rpm: Positive | None = None


class Built(_Form):
    """Counts that were built in instead of those ordered."""

    lobes: int
    ring_pins: int
    ratio: float


class SampleSet(_Form):
    """One drive. ``seconds``: all but the run-in is no longer than this."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    serial: str
    seed: Annotated[int, Field(ge=0)]
    built: Built | None = None
    damage: list[str] = Field(default_factory=list)
    unequal_discs: Share = 0.0
    seconds: Positive | None = None
    folder: Literal["", "later", "impossible"] = ""
    runs: list[RunKind] = Field(default_factory=list)
    """Only these; all unless given."""
    requirements: str = ""
    """In place of those of all sets."""
    golden: str = ""
    retest_of: str = ""
    done_since: str = ""
    days: Annotated[int, Field(ge=0, le=366)] = 0
    """After the others."""
    spoiled: Spoiled = ""
    expected: Answer | Literal["refused"]
    by: str = ""
    says: str = ""
    """What the certificate or, of a set that is refused, the refusal has in it."""
    note: str


class Commissioning(_Form):
    """The form of ``sample_signals/commissioning.toml``."""

    begins: AwareDatetime
    drive: str
    requirements: str
    points: Annotated[list[str], Field(min_length=1)]
    rate_hz: Positive
    ambient_c: float | None = None
    issue: Issue = Field(default_factory=Issue)
    """Of every set; its number has the serial number behind it."""
    plate: NamePlate = Field(default_factory=NamePlate)
    noted: list[NotedValue] = Field(default_factory=list)
    mounting: Literal["stud", "adhesive", "magnet", "probe"]
    instrument: list[Instrument] = Field(default_factory=list)
    run: Annotated[list[SampleRun], Field(min_length=1)]
    set: Annotated[list[SampleSet], Field(min_length=1)]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetCapture:
    """One capture of one set."""

    set: SampleSet
    run: SampleRun
    number: int
    drive: Drive
    seed: int
    at: datetime
    points: tuple[str, ...]
    rate_hz: float
    file: Path
    force: bool

    @property
    def seconds(self) -> float:
        """How long it is."""
        most = self.set.seconds
        steady = self.run.kind not in ("run-in", "run-up", "coast-down")
        return min(self.run.seconds, most) if most is not None and steady else self.run.seconds


def load_commissioning(path: Path | None = None) -> Commissioning:
    """The sets that the file describes, the shipped ones unless given.

    Raises:
        ConfigError: the file cannot be read, or is wrong.
    """
    path = path or shared_folder("sample_signals") / "commissioning.toml"
    return _validated(path, Commissioning)


def takings(
    out: Path, *, spec: Path | None = None, only: Sequence[str] | None = None, force: bool = False
) -> tuple[Commissioning, tuple[SetCapture, ...]]:
    """Every capture of every set, or of the sets named in ``only``.

    Raises:
        ConfigError: the description or the drive file is wrong. CallError: a set that is not there.
        OutputError: a set is there already and ``force`` is not given, unless it is what an interrupted call has left.
    """
    given = load_commissioning(spec)
    names = [one.name for one in given.set]
    if unknown := [name for name in only or () if name not in names]:
        raise CallError(f"no sample set is called {unknown[0]!r}; there are {', '.join(names)}")
    chosen = [one for one in given.set if not only or one.name in only]
    drive_path = shared_folder("configs") / given.drive
    ordered = _validated(drive_path, Drive)
    found = []
    for one in chosen:
        drive, at, number = _as_built(ordered, one), given.begins + timedelta(days=one.days), 0
        for run in _runs(given, one):
            for place in range(len(run.noise)):
                number += 1
                name = f"{number:02d} {run.kind.replace(' ', '_')} {place + 1}.h5"
                found.append(
                    SetCapture(
                        set=one, run=run, number=place, drive=drive, at=at,
                        seed=1000 * one.seed + 20 * one.days + number,
                        points=tuple(given.points), rate_hz=given.rate_hz,
                        file=out / one.folder / one.name / CAPTURES / name, force=force,
                    )
                )  # fmt: skip
                at += timedelta(minutes=run.minutes)
    if not force:
        _refuse_existing(out, found)
    return given, tuple(found)


def _refuse_existing(out: Path, found: Sequence[SetCapture]) -> None:
    """What is there already is left alone, but for what an interrupted call has left: the truth is written last."""
    of_sets = dict.fromkeys(taking.file.parent.parent for taking in found)
    ours = {taking.file for taking in found} | {_copy_of(taking) for taking in found}
    ours |= {folder / name for folder in of_sets for name in SET_FILES}
    for path in (*of_sets, out / TRUTH):
        files = [one for one in path.rglob("*") if one.is_file() and not one.name.startswith(".")]
        begun = (path / CAPTURES).is_dir() and ours.issuperset(files) and not (out / TRUTH).exists()
        if path.exists() and not begun:
            raise OutputError(f"{path} exists already; give --force to replace it, or another --out")


def take(taking: SetCapture) -> Path:
    """Measure and write one capture."""
    begin, end = taking.run.from_rpm, taking.run.to_rpm
    ramp = begin is not None and end is not None
    mean = (begin + end) / 2 if begin is not None and end is not None else None
    conditions = Conditions(
        duration_s=taking.seconds,
        speed_rpm=mean,
        speed_drift=(end - begin) / mean if mean and begin is not None and end is not None else 0.0,
        tachometer=ramp,
        sample_rate_hz=taking.rate_hz,
        load_percent=taking.run.load_percent,
        noise=taking.run.noise[taking.number],
        points=taking.points,
        unequal_discs=taking.set.unequal_discs,
        measured_at=taking.at,
        machine_seed=taking.set.seed,
    )
    damage = [parse_damage(text) for text in taking.set.damage]
    return write_capture(
        simulate(taking.drive, damage, seed=taking.seed, conditions=conditions), taking.file, force=taking.force
    )


def write_sets(out: Path, given: Commissioning, made: Iterable[SetCapture], *, force: bool) -> tuple[Path, ...]:
    """The files of each set next to its captures, and what is really wrong with each drive; files of the sets."""
    configs = shared_folder("configs")
    takings = list(made)
    written = []
    for name in dict.fromkeys(taking.set.name for taking in takings):
        own = [taking for taking in takings if taking.set.name == name]
        one = own[0].set
        folder = out / one.folder / name
        _put(folder / "drive.toml", (configs / given.drive).read_bytes(), force=force)
        asked = configs / (one.requirements or given.requirements)
        _put(folder / "requirements.toml", asked.read_bytes(), force=force)
        if one.spoiled == "one capture twice":
            _put(_copy_of(own[-1]), own[-1].file.read_bytes(), force=force)
        written.append(_put(folder / "commissioning.toml", _set_text(given, own), force=force))
    # What the sets of a folder are stands with them, since each folder is judged by a run of its own.
    for place in sorted({taking.set.folder for taking in takings}, reverse=True):
        text = _truth_text([taking for taking in takings if taking.set.folder == place])
        _put(out / place / TRUTH, text, force=force)
    return tuple(written)


def _put(path: Path, content: bytes | str, *, force: bool) -> Path:
    """Write a file, unless an interrupted call has left the very same."""
    data = content.encode() if isinstance(content, str) else content
    if path.is_file() and path.read_bytes() == data:
        return path
    return write_whole(path, data, force=force)


def _runs(given: Commissioning, one: SampleSet) -> list[SampleRun]:
    return [run for run in given.run if not one.runs or run.kind in one.runs]


def _copy_of(taking: SetCapture) -> Path:
    return taking.file.with_stem(f"{taking.file.stem} again")


def _as_built(ordered: Drive, one: SampleSet) -> Drive:
    if one.spoiled == "another drive":
        return ordered.model_copy(update={"tag": f"{ordered.tag}-B"})
    if one.built is None:
        return ordered
    stage = ordered.stage[0]
    if not isinstance(stage, CycloidalStage):
        raise ConfigError(f"set {one.name!r}: only a cycloidal stage can be built with other counts")
    other = stage.model_copy(update={"lobes": one.built.lobes, "ring_pins": one.built.ring_pins})
    return ordered.model_copy(update={"stage": [other, *ordered.stage[1:]], "ratio": one.built.ratio})


def _set_text(given: Commissioning, takings: Sequence[SetCapture]) -> str:
    one = takings[0].set
    lines = [
        'drive = "drive.toml"', 'requirements = "requirements.toml"', f"serial = {toml_value(one.serial)}",
        f"mounting = {toml_value(given.mounting)}",
        *_given({"golden": one.golden, "retest_of": one.retest_of, "done_since": one.done_since}),
    ]  # fmt: skip
    issue = given.issue.model_dump()
    issue["number"] = f"{given.issue.number}-{one.serial}{'-R' if one.retest_of else ''}" if given.issue.number else ""
    if given.issue.issued is not None:
        issue["issued"] = given.issue.issued + timedelta(days=one.days)
    for table, content in (("issue", issue), ("plate", given.plate.model_dump())):
        if stated := _given(content):
            lines += ["", f"[{table}]", *stated]
    for tool in given.instrument:
        lines += ["", "[[instrument]]", f"what = {toml_value(tool.what)}", f"serial = {toml_value(tool.serial)}"]
        if tool.calibrated is not None:
            afterwards = given.begins.date() + timedelta(days=30)
            calibrated = afterwards if one.spoiled == "calibrated afterwards" else tool.calibrated
            lines.append(f"calibrated = {calibrated.isoformat()}")
        if tool.calibration_uncertainty_percent is not None:
            lines.append(f"calibration_uncertainty_percent = {tool.calibration_uncertainty_percent}")
        point = "gearbox top" if tool.point and one.spoiled == "no such point" else tool.point
        lines += _given({"point": point, "certificate": tool.certificate, "measures": tool.measures})
    for run in _runs(given, one):
        own = [taking for taking in takings if taking.run is run]
        again = [_copy_of(own[-1])] if one.spoiled == "one capture twice" else []
        files = [f"{CAPTURES}/{file.name}" for file in (*(taking.file for taking in own), *again)]
        load = 5.0 if one.spoiled == "no rated load" else run.load_percent
        lines += ["", "[[run]]", f"kind = {toml_value(run.kind)}", f"load_percent = {load}"]
        lines += ["captures = [", *(f"  {toml_value(file)}," for file in files), "]"]
        about = {"temperature_c": run.temperature_c, "oil_c": run.oil_c, "load_by": run.load_by}
        lines += _given(about | {"ambient_c": given.ambient_c})
    for value in [] if one.requirements else given.noted:
        lines += ["", "[[noted]]", *_given(value.model_dump())]
    return "\n".join(lines) + "\n"


def _given(content: Mapping[str, Any]) -> list[str]:
    """Lines of a table, for what it says."""
    lines = []
    for key, value in content.items():
        if value not in (None, "", []):
            lines.append(f"{key} = {toml_value(value)}")
    return lines


def _truth_text(takings: Sequence[SetCapture]) -> str:
    lines = ["# What is really wrong with each drive, and what its acceptance ought to say."]
    for name in dict.fromkeys(taking.set.name for taking in takings):
        one = next(taking.set for taking in takings if taking.set.name == name)
        fields = {
            "name": name,
            "serial": one.serial,
            "expected": one.expected,
            "by": one.by,
            "says": one.says,
            "note": one.note,
        }
        lines += ["", "[[set]]", *(f"{key} = {toml_value(value)}" for key, value in fields.items())]
    return "\n".join(lines) + "\n"


def _validated(path: Path, form: type[M]) -> M:
    try:
        return form.model_validate(toml_tables(path))
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise ConfigError(f"{where}: {first['msg']}" if where else first["msg"], path=path) from None
