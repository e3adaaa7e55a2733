"""Every command that writes is killed at random moments of its life: are its outputs whole or absent, what does the
next run need, and are the outputs then what they would have been?

Each command runs in a fork of this process, which has loaded everything beforehand: started afresh it would spend most
of its life loading libraries, where nothing can go wrong. Worker processes are started by the command itself, as ever.
The moment of the kill is drawn evenly over the life that was measured first. Three kinds of kill in turn: all processes
of the command at once, as a power cut does; the command's own process alone; one worker alone, where there is one.

``python -m tests.studies.kills_everywhere --count 200 --seed 1``
"""

from __future__ import annotations

import importlib
import os
import random
import re
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path

from tests.studies.page import Clock, options, write_table
from vibe.core.errors import VibeError

ROOT = Path(__file__).resolve().parents[2]
LONGEST_S = 120.0
_WARM = (
    "vibe.cli.main",
    "scipy.signal",
    "matplotlib.figure",
    "h5py",
    "pandas",
    "weasyprint",
    "pyarrow.parquet",
    "vibe.flow.run.run",
    "vibe.flow.alarms.queue",
    "vibe.flow.commissioning.acceptance",
    "vibe.flow.history.bulk_import",
    "vibe.flow.route.field_check",
    "vibe.flow.identify.identification",
    "vibe.flow.route.plan",
    "vibe.flow.samples.route_round",
    "vibe.flow.samples.years",
    "vibe.history.store.recovery",
    "vibe.report.pages.index_page",
    "vibe.report.pages.drive_page",
)
_TIME = re.compile(
    rb"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d)?"
    rb"|\b[0-9a-f]{64}\b|\b[0-9a-f]{16}\b|\b[0-9a-f]{4}( [0-9a-f]{4})+"
)
_AGE = re.compile(rb'("oldest_days"|"median_age_days"|"overdue_days"): [0-9.]+')
_OWN = re.compile(r"store\..*sqlite.*|.*\.part|run\.journal|\..*")


@dataclass(frozen=True)
class Command:
    """A command, run in the folder that ``prepared`` filled; ``outputs`` are its folders or files there."""

    name: str
    argv: tuple[str, ...]
    prepared: Callable[[Path], None]
    outputs: tuple[str, ...] = ("out",)
    store: str | None = None


@dataclass
class Stated:
    """What came of the kills of one command; ``half``, ``unlike``, ``left over``, ``broken`` must be 0."""

    command: str
    life_s: float = 0.0
    kills: int = 0
    too_late: int = 0
    before_first_output: int = 0
    after_first_output: int = 0
    whole: int = 0
    absent: int = 0
    half: int = 0
    needed_nothing: int = 0
    needed_force: int = 0
    unlike: int = 0
    left_over: int = 0
    orphans: int = 0
    broken: int = 0
    notes: list[str] = field(default_factory=list)


# ── one run of a command ──────────────────────────────────────────────────────────────────────────────────────────


def started(argv: Sequence[str], folder: Path, said: Path) -> int:
    """The process of a command, the first of a group of its own."""
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    status = 1
    try:
        os.setsid()
        os.chdir(folder)
        handle = os.open(said, os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
        for stream in (1, 2):
            os.dup2(handle, stream)
        sys.stdout, sys.stderr = os.fdopen(1, "w"), os.fdopen(2, "w")
        from vibe.cli.main import main as vibe

        try:
            vibe([Path(word[1:]).read_text(encoding="utf-8") if word.startswith("@") else word for word in argv])
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 0 if end.code is None else 1
        sys.stdout.flush()
        sys.stderr.flush()
    finally:
        os._exit(status)


def ended(process: int, within_s: float = LONGEST_S) -> int | None:
    """Exit status; None where it had to be killed."""
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        done, status = os.waitpid(process, os.WNOHANG)
        if done:
            return os.waitstatus_to_exitcode(status)
        time.sleep(0.005)
    os.killpg(process, signal.SIGKILL)
    os.waitpid(process, 0)
    return None


def ran(argv: Sequence[str], folder: Path, said: Path) -> int | None:
    """A whole run."""
    return ended(started(argv, folder, said))


def members(group: int) -> list[int]:
    """Processes of a group that live, by what the kernel says."""
    found = []
    for place in Path("/proc").iterdir():
        if place.name.isdigit():
            try:
                rest = (place / "stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
            except OSError:
                continue
            if int(rest[2]) == group and rest[0] != "Z":
                found.append(int(place.name))
    return found


def _is_tracker(process: int) -> bool:
    """The library's own keeper of books, which does no work and grumbles when it is killed."""
    try:
        return b"resource_tracker" in Path(f"/proc/{process}/cmdline").read_bytes()
    except OSError:
        return False


def killed(process: int, how: str, dice: random.Random) -> str:
    """Kill as ``how`` says; "late" where the command had come to its end, else what was killed."""
    done, _ = os.waitpid(process, os.WNOHANG)
    if done:
        return "late"
    if how == "worker":
        workers = [one for one in members(process) if one != process and not _is_tracker(one)]
        if workers:
            os.kill(dice.choice(workers), signal.SIGKILL)
            return "worker"
        how = "all"
    (os.killpg if how == "all" else os.kill)(process, signal.SIGKILL)
    os.waitpid(process, 0)
    return how


# ── what lies there afterwards ────────────────────────────────────────────────────────────────────────────────────


def found(command: Command, folder: Path) -> dict[str, bytes]:
    """Every output, by name, as far as two runs of the same can agree: without times of day, hashes and what a PDF
    says of its making."""
    marks = {}
    for output in command.outputs:
        place = folder / output
        for path in [place] if place.is_file() else sorted(place.rglob("*")):
            inside = path.relative_to(folder)
            if (
                path.is_file()
                and not any(_OWN.fullmatch(part) for part in inside.parts)
                and "incoming" not in inside.parts
            ):
                marks[inside.as_posix()] = mark(path)
    if command.store is not None:
        marks["what the store says"] = store_says(folder / command.store)
    return marks


def mark(path: Path) -> bytes:
    """The content of an output without what differs from run to run; empty where the file is no whole one."""
    data = path.read_bytes()
    kind = path.suffix
    if kind == ".pdf":
        return b"a whole PDF" if data.startswith(b"%PDF") and data.rstrip().endswith(b"%%EOF") else b""
    if kind == ".html":
        return _TIME.sub(b"", data) if data.rstrip().endswith(b"</html>") else b""
    if kind == ".json":
        import json

        try:
            json.loads(data)
        except ValueError:
            return b""
    if kind == ".parquet":
        import pyarrow.parquet as pq

        try:
            rows = pq.read_table(path).to_pylist()
        except Exception:
            return b""
        return _TIME.sub(b"", repr([{k: v for k, v in row.items() if k != "added_at"} for row in rows]).encode())
    if kind == ".h5":
        import h5py

        try:
            with h5py.File(path) as file:
                names: list[str] = []
                file.visititems(lambda name, node: names.append(f"{name} {getattr(node, 'shape', '')}"))
        except OSError:
            return b""
        return repr(names).encode()
    return _AGE.sub(b"", _TIME.sub(b"", data)) or b"(empty)"


def store_says(folder: Path) -> bytes:
    """All that a store holds; empty where something of it cannot be read."""
    from vibe.history.store.store import Store

    if not (folder / "store.sqlite").is_file():
        return b"(none)"
    try:
        with Store.open(folder) as store:
            captures = store.captures()
            stated = [
                (one.content, one.drive, one.waveform, len(store.waveform(one.content)),
                 len(store.spectra(one.content)), len(store.health(one.content)))
                for one in captures
            ]  # fmt: skip
            values = [(one.key, one.value) for one in store.latest()]
            decided = sorted({(one.alarm, one.verdict, one.because) for one in store.decisions()})
            alarms = [(one.id, one.closed_at is None) for one in store.alarms(open_only=False)]
            return repr((sorted(stated), values, decided, alarms)).encode()
    except VibeError as error:
        return b"(empty)" if "holds no history" in str(error) else b""


def leftovers(command: Command, folder: Path) -> list[str]:
    """What a killed run began and nobody took away."""
    return [
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.name.endswith(".part") or path.name.endswith(".stage") or path.name in ("run.journal", "lock")
    ]  # fmt: skip


# ── a kill, and what it took to mend it ───────────────────────────────────────────────────────────────────────────


def one_kill(
    command: Command, base: Path, case: Path, stated: Stated, should: dict[str, bytes], dice: random.Random
) -> None:
    """Copy, run, kill, look; run again, look again."""
    shutil.copytree(base, case, symlinks=True)
    said = case.with_name("said.txt")
    before = found(command, case)
    process = started(command.argv, case, said)
    time.sleep(dice.uniform(0.0, stated.life_s))
    what = killed(process, ("all", "parent", "worker")[stated.kills % 3], dice)
    stated.kills += 1
    if what == "late":
        stated.too_late += 1
    elif what == "worker":
        status = ended(process)
        if status != 0:
            stated.notes.append(f"a worker killed: status {status}: {_last(said)}")
        if _is_broken(said, status):
            stated.broken += 1
            stated.notes.append(f"a worker killed: {said.read_text(encoding='utf-8', errors='replace')[-3000:]}")
    until = time.monotonic() + 10.0
    while members(process) and time.monotonic() < until:
        time.sleep(0.01)
    if members(process):
        stated.orphans += 1
        os.killpg(process, signal.SIGKILL)
    there = found(command, case)
    fresh = {name for name in there if there[name] != before.get(name)}
    stated.after_first_output += bool(fresh)
    stated.before_first_output += not fresh
    for name, whole in should.items():
        if name == "what the store says":
            stated.half += there[name] == b""
            continue
        state = "absent" if name not in there else "whole" if there[name] else "half"
        setattr(stated, state, getattr(stated, state) + 1)
        if state == "half":
            stated.notes.append(f"half: {name}")
        elif state == "whole" and there[name] not in (whole, before.get(name)):
            stated.notes.append(f"otherwise: {name}")
    status = ran(command.argv, case, said)
    if status == 2 and "--force" in _last(said):
        stated.needed_force += 1
        status = ran((*command.argv, "--force"), case, said)
    else:
        stated.needed_nothing += 1
    stated.broken += _is_broken(said, status) or status != 0
    if status != 0:
        stated.notes.append(f"the next run: status {status}: {_last(said)}")
    last = found(command, case)
    other = [name for name in last.keys() | should.keys() if last.get(name) != should.get(name)]
    stated.unlike += bool(other)
    left = leftovers(command, case)
    stated.left_over += bool(left)
    stated.notes += [f"unlike: {', '.join(sorted(other)[:3])}"] * bool(other) + [f"left: {', '.join(left[:3])}"] * bool(
        left
    )
    shutil.rmtree(case)


def _last(said: Path) -> str:
    lines = [line for line in said.read_text(encoding="utf-8", errors="replace").splitlines() if line.strip()]
    return lines[-1][-300:] if lines else ""


def _is_broken(said: Path, status: int | None) -> bool:
    text = said.read_text(encoding="utf-8", errors="replace")
    return status is None or "Traceback" in text or "defect of the program" in text


def run(commands: Sequence[Command], count: int, first: int, warm: Sequence[str] = _WARM) -> list[Stated]:
    """``count`` kills shared among the commands."""
    for name in warm:
        try:
            importlib.import_module(name)
        except ImportError:
            continue
    rows = []
    with tempfile.TemporaryDirectory() as place:
        for number, command in enumerate(commands):
            folder = Path(place) / f"command {number}"
            base, case = folder / "base", folder / "case"
            base.mkdir(parents=True)
            command.prepared(base)
            shutil.copytree(base, case)
            stated = Stated(command.name)
            began = time.monotonic()
            status = ran(command.argv, case, folder / "said.txt")
            stated.life_s = round(time.monotonic() - began, 2)
            if status != 0:
                stated.broken += 1
                stated.notes.append(f"even unharmed: status {status}: {_last(folder / 'said.txt')}")
            else:
                should = found(command, case)
                shutil.rmtree(case)
                dice = random.Random(first * 1000 + number)
                share = count // len(commands) + (number < count % len(commands))
                for _ in range(share):
                    one_kill(command, base, case, stated, should, dice)
            rows.append(stated)
            print({key: value for key, value in asdict(stated).items() if value}, flush=True)
            shutil.rmtree(folder)
    return rows


def wrong(rows: Sequence[Stated]) -> list[str]:
    """What must not be."""
    return [
        f"{stated.command}: {name} {getattr(stated, name)}"
        for stated in rows
        for name in ("half", "unlike", "left_over", "orphans", "broken")
        if getattr(stated, name)
    ]


# ── the commands, on small inputs ─────────────────────────────────────────────────────────────────────────────────

DRIVE = """\
tag = "{tag}"
[input]
speed_rpm = 1450
speed_range_rpm = [1430, 1480]
[[stage]]
kind = "cycloidal"
lobes = 11
ring_pins = 12
"""
ROUTE = 'kind = "route"\ntitle = "A round"\ndrives = ["drives"]\ncaptures = "captures"\npdf = {pdf}\n'


def a_plant(folder: Path, tags: Sequence[str] = ("A-1", "B-2"), *, pdf: bool = False) -> None:
    """Drives, a short capture of each, a recipe."""
    from vibe.flow.samples.simulation import simulate_file

    (folder / "drives").mkdir()
    for number, tag in enumerate(tags):
        drive = folder / "drives" / f"{tag}.toml"
        drive.write_text(DRIVE.format(tag=tag), encoding="utf-8")
        capture = folder / "captures" / f"{tag}.h5"
        simulate_file(drive, [], number, capture, False, duration_s=2.0, sample_rate_hz=8192.0, points=("housing",))
        capture.with_name(f"{tag}.h5.toml").write_text(
            f"measured_at = 2026-03-0{number + 1}T08:00:00+01:00\n", encoding="utf-8"
        )
    (folder / "route.toml").write_text(ROUTE.format(pdf=str(pdf).lower()), encoding="utf-8")


def one_drive(folder: Path) -> None:
    """A plant of one drive."""
    a_plant(folder, ("A-1",))


def one_drive_pdf(folder: Path) -> None:
    """The same, its pages to be printed."""
    a_plant(folder, ("A-1",), pdf=True)


def a_walk(folder: Path) -> None:
    """A route of two drives, to be planned."""
    (folder / "drives").mkdir()
    text = 'title = "A walk"\ndrives = ["drives/*.toml"]\n'
    for tag in ("A-1", "B-2"):
        (folder / "drives" / f"{tag}.toml").write_text(DRIVE.format(tag=tag), encoding="utf-8")
        text += f'[[stop]]\ndrive = "{tag}"\nwhere = "Here"\n[[stop.point]]\nname = "housing"\nmounting = "stud"\n'
    (folder / "walk.toml").write_text(text, encoding="utf-8")


def a_history(folder: Path) -> None:
    """A store with a few captures."""
    from tests.history.kept_captures import channels, record
    from vibe.history.store.store import Store

    with Store.open(folder / "history", create=True) as store:
        for number in range(12):
            store.add(record(number), channels(number))


def a_lost_database(folder: Path) -> None:
    """A store without its database."""
    a_history(folder)
    for path in (folder / "history").glob("store.sqlite*"):
        path.unlink()


def alarms(folder: Path) -> None:
    """A store with a drive that gets worse, its alarm put down."""
    from tests.alarm_stores import NOW, damaged, fill
    from vibe.flow.alarms.queue import evaluate_alarms
    from vibe.history.store.store import Store

    with Store.open(folder / "history", create=True) as store:
        fill(store, "TH-01", seed=1, weeks=24)
        fill(store, "TH-02", levels=lambda week: damaged(week, 2), lobes=19, weeks=24)
        queue = evaluate_alarms(store, at=NOW).queue
    (folder / "alarms.toml").write_text(
        'kind = "alarms"\ntitle = "t"\nstore = "history"\nout = "out"\n', encoding="utf-8"
    )
    (folder / "id.txt").write_text(queue.alarms[0].id, encoding="utf-8")


def a_new_drive(folder: Path) -> None:
    """One set of captures of a new drive, and a certificate to be made of it."""
    from tests.flow.test_flow_commissioning import REQUIREMENTS, SPEC
    from vibe.flow.samples.commissioning import make_commissioning

    (folder / "spec.toml").write_text(SPEC.split('[[set]]\nname = "wrong_ratio"')[0], encoding="utf-8")
    made = make_commissioning(folder / "sets", spec=folder / "spec.toml", workers=1)
    for path in made.files:
        (path.parent / "requirements.toml").write_text(REQUIREMENTS, encoding="utf-8")
    (folder / "recipe.toml").write_text(
        'kind = "commissioning"\ntitle = "t"\ncaptures = "sets"\npdf = true\n', encoding="utf-8"
    )


def some_years(folder: Path) -> None:
    """A short history to be made."""
    from tests.synth.test_years import TINY

    (folder / "years.toml").write_text(TINY, encoding="utf-8")


def nothing(folder: Path) -> None:
    """The command needs no input."""


IN_STORE = ("--store", "history")
COMMANDS = (
    Command("run route", ("run", "route.toml", "--out", "out", "--workers", "1"), a_plant),
    Command("run route, PDF", ("run", "route.toml", "--out", "out", "--workers", "1"), one_drive_pdf),
    Command("run route, workers", ("run", "route.toml", "--out", "out", "--workers", "2"), a_plant),
    Command("run alarms", ("run", "alarms.toml"), alarms, store="history"),
    Command("run commissioning", ("run", "recipe.toml", "--out", "out", "--workers", "1"), a_new_drive),
    Command("check", ("check", "captures", "--drive", "drives/A-1.toml"), one_drive, ("captures",)),
    Command("practice", ("practice", "--out", "out", "--drive", "SC-01", "--workers", "1"), nothing),
    Command("plan", ("plan", "walk.toml", "--out", "out"), a_walk),
    Command("years", ("years", "--out", "out", "--spec", "years.toml", "--workers", "2"), some_years),
    Command("identify", ("identify", "captures/A-1.h5", "--speed-range", "1430", "1480", "--json", "out.json"),
            one_drive, ("out.json",)),
    Command("history add", ("history", "add", "captures", *IN_STORE, "--drives", "drives", "--workers", "1"), a_plant,
            ("history/README.txt",), "history"),
    Command("history add, workers", ("history", "add", "captures", *IN_STORE, "--drives", "drives", "--workers", "2"),
            a_plant, ("history/README.txt",), "history"),
    Command("history thin", ("history", "thin", *IN_STORE, "--keep-days", "1"), a_history,
            ("history/captures",), "history"),
    Command("history repair", ("history", "repair", *IN_STORE), a_lost_database, ("history/captures",), "history"),
    Command("history export", ("history", "export", *IN_STORE, "--out", "out"), a_history, store="history"),
    Command("history page", ("history", "page", "TH-01", *IN_STORE, "--out", "out"), alarms, store="history"),
    Command("alarms decide", ("alarms", "decide", "@id.txt", *IN_STORE, "--as", "not-a-fault", "--because", "part load",
            "--by", "A. Analyst"), alarms, (), "history"),
)  # fmt: skip


def main() -> None:
    """The long study."""
    stated = options(__doc__ or "", count=200, counts="kills")
    clock = Clock()
    rows = run(COMMANDS, stated.count, stated.seed)
    table = [{key: value for key, value in asdict(one).items() if key != "notes"} for one in rows]
    write_table(stated.out, "kills_everywhere", table)
    print(f"kills: {sum(one.kills for one in rows)}; wrong: {wrong(rows) or 'nothing'}; time: {clock}")


if __name__ == "__main__":
    main()
