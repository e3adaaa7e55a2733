"""What is parsed besides captures: one function each that reads the input as a command would."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from tests.studies.fuzz import corpus
from vibe.core.errors import CallError, ConfigError, VibeError

if TYPE_CHECKING:
    from tests.studies.fuzz.targets import Input
    from vibe.core.drive import Drive
    from vibe.core.route.route import Route


def _wrong(what: str) -> Exception:
    from tests.studies.fuzz.targets import WrongError

    return WrongError(what)


def toml_reader(kind: str) -> Callable[[Input, Path], Any]:
    """A reader of one form, the checks that hold for every refusal included."""

    def read(given: Input, folder: Path) -> Any:
        path = folder / f"{kind}.toml"
        path.write_bytes(given.data)
        try:
            found = _load(kind, path)
        except ConfigError as error:
            if not str(error).startswith(str(path)) or "Input should" in str(error):
                raise _wrong(f"no sentence about the file: {error}") from error
            if error.line is not None and not 1 <= error.line <= given.data.count(b"\n") + 1:
                raise _wrong(f"line {error.line} of {given.data.count(10) + 1}") from error
            raise
        if kind == "drive":
            _use_drive(found)
        return found

    return read


def _load(kind: str, path: Path) -> Any:
    from vibe.core.records.acceptance import CommissioningSet
    from vibe.diagnosis.settings import DiagnosisSettings
    from vibe.health.acceptance.uncertainty import MeasurementPractice
    from vibe.health.alarms.settings import AlarmRules
    from vibe.health.state.settings import Judgement, Limits
    from vibe.history.population.settings import PopulationSettings
    from vibe.history.settings import HistorySettings
    from vibe.ingest import load_drive, load_model, load_recipe, load_route
    from vibe.ingest.commissioning_set import load_requirements
    from vibe.ingest.route.field_rules import FieldRules
    from vibe.ingest.tables.maintenance_log import load_events

    match kind:
        case "drive":
            return load_drive(path)
        case "route":
            return load_route(path)
        case "recipe":
            return load_recipe(path)
        case "requirements":
            return load_requirements(path)
        case "events":
            return load_events(path, "Europe/Vienna")
    form: Any = {
        "set": CommissioningSet, "limits": Limits, "judgement": Judgement, "diagnosis": DiagnosisSettings,
        "alarms": AlarmRules, "history": HistorySettings, "population": PopulationSettings, "on_the_spot": FieldRules,
        "practice": MeasurementPractice,
    }[kind]  # fmt: skip
    return load_model(path, form)


def _use_drive(drive: Drive) -> None:
    """What ``vibe tones`` and ``vibe plan`` do with a drive that was accepted."""
    from math import isfinite

    from vibe.kinematics.planning.capture_plan import capture_plan
    from vibe.kinematics.tone_table import tone_table

    try:
        table = tone_table(drive)
    except ConfigError as error:
        if len(str(error).splitlines()) != 1:
            raise _wrong(f"no sentence: {error}") from error
        return
    for tone in table.tones:
        if not isfinite(tone.order):
            raise _wrong(f"tone {tone.id} has the order {tone.order}")
    capture_plan(drive, table)


def read_folder(given: Input, folder: Path) -> None:
    """``folder.toml`` next to a good capture."""
    from vibe.ingest import read_capture

    (folder / "folder.toml").write_bytes(given.data)
    path = folder / "a.h5"
    path.write_bytes(corpus.captures("h5")[0].data)
    read_capture(path)


@cache
def _route() -> Route:
    from vibe.ingest import load_route

    return load_route(corpus.ROOT / "configs" / "routes" / "water_works.toml")


def read_name(given: Input, folder: Path) -> None:
    """The name of a file by the rules of a route; the file need not be there."""
    import os

    from vibe.ingest import name_says

    named = name_says(folder / os.fsdecode(given.data.replace(b"\0", b"")), folder, _route())
    if named is not None and not all("\n" not in remark for remark in named.remarks):
        raise _wrong(f"remarks of several lines: {named.remarks}")


def read_kept(given: Input, folder: Path) -> None:
    """The file of a capture in a history. It is whole only when every part carries the hash of its content."""
    from vibe.history.store.capture_file import harm, has_samples, read_channels, read_record, read_spectra

    good = next((seed.data for seed in corpus.kept() if seed.data == given.data), None)
    from tests.history.kept_captures import content

    path = folder / f"{content(1)}.h5"
    path.write_bytes(given.data)
    said = harm(path)
    if len(said.splitlines()) > 1:
        raise _wrong(f"no sentence: {said!r}")
    if said and good is not None and b'"content": "' + content(1).encode() in given.data:
        raise _wrong(f"harm in a good file: {said}")
    for ask in (read_record, read_spectra, read_channels, has_samples):
        try:
            ask(path)
        except VibeError as error:
            if not said and ask is not read_channels:
                raise _wrong(f"harm says nothing, and {ask.__name__} {error}") from error
            refused = error
        else:
            continue
        raise refused


def read_kept_past(given: Input, folder: Path) -> None:
    """What a kept capture left for later ones, and a capture compared with it."""
    import numpy as np

    from tests.history.test_pasts import PAST
    from vibe.core.errors import CaptureError
    from vibe.diagnosis.settings import PastSettings
    from vibe.flow.diagnose.earlier_captures import before, fall, growths
    from vibe.history.stored_traces import arrays_of, past_from

    levels, settings = arrays_of(PAST)["levels"], PastSettings()
    try:
        found = past_from({"said": np.frombuffer(given.data, np.uint8), "levels": levels})
    except (LookupError, ValueError, TypeError, AttributeError, ArithmeticError):
        raise CaptureError("is damaged", path=folder) from None
    if found is None:
        return
    earlier = [found] * settings.fewest
    before(corpus.capture(), earlier)
    growths(PAST, earlier, settings)
    fall(PAST, earlier, settings)


def read_exceedances_file(given: Input, folder: Path) -> None:
    """Another system's alarms."""
    from math import isfinite

    from vibe.ingest.tables.exceedances import read_exceedances

    path = folder / "e.csv"
    path.write_bytes(given.data)
    found = read_exceedances(path, time_zone="Europe/Vienna")
    if not all(isfinite(row.value) and row.tag and row.at.utcoffset() is not None for row in found.rows):
        raise _wrong("a row without tag, time or number")


def read_readings_file(given: Input, folder: Path) -> None:
    """What was read at the stops of a round, as a table and as TOML."""
    from math import isfinite

    from vibe.core.errors import ConfigError
    from vibe.ingest.tables.readings_file import KnownStops, load_readings

    known = KnownStops(tags={"th-02": "TH-02", "sp-01": "SP-01"}, speeds_rpm={"TH-02": (1430.0, 1500.0)})
    refused: list[ConfigError] = []
    for name in ("r.csv", "r.toml"):
        path = folder / name
        path.write_bytes(given.data)
        try:
            found = load_readings(path, known)
        except ConfigError as error:
            refused.append(error)
            continue
        for one in found.stops.values():
            said = [value for value in (one.speed_rpm, one.load_percent, one.oil_temperature_c) if value is not None]
            if not all(map(isfinite, said)) or not one.other_readings.isprintable():
                raise _wrong("a reading that is no number, or a note that cannot be shown")
    if len(refused) == 2:
        raise refused[0]


def read_lives_file(given: Input, folder: Path) -> None:
    """Hours without and with failures."""
    from vibe.history.running_hours import read_lives

    path = folder / "lives.csv"
    path.write_bytes(given.data)
    if not all(0 <= life.hours < float("inf") for life in read_lives(path)):
        raise _wrong("hours that cannot be")


def read_certificate(given: Input, folder: Path) -> None:
    """``vibe certificate verify`` and ``show``. Only an unchanged copy may agree with itself."""
    from vibe.report.certificate.certificate import acceptance_of
    from vibe.report.certificate.check import verify_certificate
    from vibe.storage.digest import SEAL, SealError, seal_of

    path = folder / "certificate"
    path.write_bytes(given.data)
    found = verify_certificate(path)
    if found.record is None and not found.failed:
        raise _wrong("no record, and nothing failed")
    if found.record is not None and not found.failed:
        if seal_of(found.record) != found.record[SEAL]:
            raise _wrong("the seal does not fit, and nothing failed")
        try:
            acceptance_of(found.record)
        except SealError:
            return
    if found.failed:
        raise CallError(found.failed[0].text.splitlines()[0])


def read_health(given: Input, folder: Path) -> None:
    """The report of an earlier run, compared with a good one."""
    from vibe.core.health import Health
    from vibe.flow.run.earlier_run import earlier_run, since
    from vibe.flow.settings import load_settings
    from vibe.ingest import load_drive

    (folder / "run.json").write_bytes(corpus.RUN)
    (folder / "TH-01").mkdir(exist_ok=True)
    (folder / "TH-01" / "health.json").write_bytes(given.data)
    now = Health.model_validate_json(corpus.health()[0].data)
    drive = load_drive(corpus.ROOT / "configs" / "drives" / "thickener_rake_north.toml")
    limits = _settings_limits(load_settings)
    found = since(earlier_run(folder), now, drive, (), limits)
    if found.failed:
        raise ConfigError("the report cannot be read")
    if found.changes is None and not found.note:
        raise _wrong("no changes, and nothing says why")


_LIMITS: list[Any] = []


def _settings_limits(load: Callable[[], Any]) -> Any:
    if not _LIMITS:
        _LIMITS.append(load().limits)
    return _LIMITS[0]


def read_run(given: Input, folder: Path) -> None:
    """What an earlier run says of itself."""
    from vibe.flow.run.earlier_run import earlier_run

    (folder / "run.json").write_bytes(given.data)
    found = earlier_run(folder)
    inside = folder.resolve()
    if not all(path.resolve().is_relative_to(inside) for path in found.reports.values()):
        raise _wrong(f"a report outside the folder: {found.reports}")
    if found.remarks:
        raise ConfigError(found.remarks[0])


def read_records_folder(given: Input, folder: Path) -> None:
    """Records of a population."""
    from vibe.history.population.records import read_records

    (folder / "records").mkdir(exist_ok=True)
    (folder / "records" / "a.json").write_bytes(given.data)
    read_records(folder / "records")


def read_stamp(given: Input, folder: Path) -> None:
    """The stamp of a finished drive, and what is made of it."""
    from vibe.flow.run.outcome import DriveResult
    from vibe.flow.run.resume import STAMP, finished
    from vibe.report.run_rows import gravest_first

    own = folder / "TH-01"
    own.mkdir(exist_ok=True)
    for name in ("health.json", "health.html"):
        (own / name).write_bytes(b"page")
    (own / STAMP).write_bytes(given.data)
    found = finished(folder, "TH-01", "r", {"a": "1"})
    if isinstance(found, DriveResult):
        gravest_first([found.row])
    else:
        raise ConfigError("not finished")


def read_journal(given: Input, folder: Path) -> None:
    """A journal that was left behind."""
    import io

    from vibe.flow.run.resume import Journal

    journal = Journal(folder / "run.journal", io.BytesIO(given.data))
    if not all(isinstance(tag, str) for tag in journal.drives) or not isinstance(journal.title, str):
        raise _wrong(f"drives or title that are no text: {journal.drives}, {journal.title!r}")
