"""Bytes of a store are changed at random: of its database, of the recent writes next to it, of captures' files, of the
README, of a lock, of what an ended process left. Reading must give what was kept or one sentence; ``verify`` must tell
whatever does not read as it was kept; ``repair`` must leave a store that ``verify`` finds in order, and that holds
nothing that was never kept.

``python -m tests.studies.store_fuzz --count 5000 --seed 1``
"""

from __future__ import annotations

import random
import shutil
import sqlite3
import tempfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

from tests.history.kept_captures import START, channels, content, health, record
from tests.studies.page import Clock, options, write_table
from vibe.core.errors import VibeError
from vibe.core.records.history import Decision, Event
from vibe.history.store.maintenance import verify
from vibe.history.store.recovery import repaired
from vibe.history.store.schema import DATABASE
from vibe.history.store.store import Store

CAPTURES = 4
Truth = dict[str, Any]


def made(folder: Path) -> None:
    """A small store with something of everything; as a process that was ended leaves it, recent writes and all."""
    with Store.open(folder, create=True) as store:
        for number in range(CAPTURES):
            report = health("plan", ("stage1.lobe",)) if number == 1 else health()
            store.add(record(number, health=report), channels(number, 512))
        store.put_drive("TH-01", 'tag = "TH-01"', "kind")
        store.put_alarm("a1", "TH-01", "lobe", START, "{}")
    # What follows stays in the file of recent writes: a reader holds it there.
    reader = sqlite3.connect(folder / DATABASE)
    reader.execute("BEGIN")
    reader.execute("SELECT count(*) FROM capture").fetchall()
    with Store.open(folder) as store:
        store.add(record(CAPTURES), channels(CAPTURES, 512))
        store.add_event(Event(drive="TH-01", at=START, kind="grease", note="before the holidays", by="R. Roe"))
        store.decide(Decision(alarm="a1", verdict="sensor", because="loose magnet", by="R. Roe", at=START))
        recent = (folder / f"{DATABASE}-wal").read_bytes()
        plain = (folder / DATABASE).read_bytes()
    reader.close()
    (folder / DATABASE).write_bytes(plain)
    (folder / f"{DATABASE}-wal").write_bytes(recent)
    (folder / f"{DATABASE}-shm").unlink(missing_ok=True)
    left = folder / "incoming" / "0123456789abcdef"
    left.mkdir(parents=True)
    (left / "lock").write_bytes(b"x" * 16)
    (left / f"{content(9)}.h5.part").write_bytes(b"half a file" * 40)


def asked(store: Store) -> Truth:
    """All that a store says, each by itself: an answer, or the sentence in its place."""
    said: Truth = {}

    def ask(name: str, analysis_request: Callable[[], Any]) -> None:
        try:
            said[name] = analysis_request()
        except VibeError as error:
            said[name] = error

    ask("drives", store.drives)
    ask("captures", store.captures)
    ask("latest", store.latest)
    ask("findings", store.findings)
    ask("events", store.events)
    ask("alarms", lambda: store.alarms(open_only=False))
    ask("decisions", store.decisions)
    ask("toml", lambda: store.drive_toml("TH-01"))
    ask("keys", lambda: store.keys("TH-01"))
    for number in range(CAPTURES + 1):
        name = content(number)
        ask(f"health {number}", lambda name=name: store.health(name))
        ask(
            f"waveform {number}",
            lambda name=name: [(c.name, c.sample_rate_hz, c.samples.tobytes()) for c in store.waveform(name)],
        )
        ask(f"spectra {number}", lambda name=name: [(s.point, s.step, s.top.tobytes()) for s in store.spectra(name)])
    return said


KINDS = ("flip", "some", "zero", "cut", "grown", "random", "empty", "gone", "swapped")


def harmed(path: Path, kind: str, dice: random.Random) -> None:
    """Change the file at ``path`` in one of several ways."""
    data = bytearray(path.read_bytes())
    place = dice.randrange(len(data)) if data else 0
    if kind == "flip" and data:
        data[place] ^= 1 << dice.randrange(8)
    elif kind == "some" and data:
        for _ in range(dice.randint(2, 40)):
            data[dice.randrange(len(data))] = dice.randrange(256)
    elif kind == "zero":
        width = dice.choice((16, 512, 4096))
        data[place : place + width] = bytes(len(data[place : place + width]))
    elif kind == "cut":
        del data[place:]
    elif kind == "grown":
        data += dice.randbytes(dice.choice((1, 100, 5000)))
    elif kind == "random":
        data[place:] = dice.randbytes(len(data) - place)
    elif kind == "empty":
        data.clear()
    elif kind == "swapped" and len(data) > 8192:
        data[4096:8192], data[-4096:] = data[-4096:], data[4096:8192]
    if kind == "gone":
        path.unlink()
    else:
        path.write_bytes(bytes(data))


def one_case(base: Path, truth: Truth, folder: Path, seed: int) -> dict[str, Any]:
    """Copy, harm, read, verify, repair, look again; what came of each."""
    dice = random.Random(seed)
    shutil.copytree(base, folder)
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    big = [path for path in files if path.name.startswith("store.sqlite")]
    path = dice.choice(big) if dice.random() < 0.6 else dice.choice(files)
    kind = dice.choice(KINDS)
    harmed(path, kind, dice)
    where = path.name if path.suffix not in (".h5", ".part") else f"*{path.suffix}"
    row: dict[str, Any] = {
        "seed": seed,
        "file": where,
        "kind": kind,
        "read": "",
        "verify": "",
        "repair": "",
        "after": "",
    }
    wrong: list[str] = []
    try:
        with Store.open(folder) as store:
            said = asked(store)
            wrong = [name for name, value in said.items() if not isinstance(value, VibeError) and value != truth[name]]
            refused = [name for name, value in said.items() if isinstance(value, VibeError)]
            row["read"] = "wrong" if wrong else "refused" if refused else "right"
            # What an ended process left is stated in any case, and says nothing of the harm.
            stated = [one for one in verify(store).wrong if not one.where.startswith("incoming")]
            row["verify"] = "tells" if stated else "silent"
    except VibeError:
        row["read"] = row["read"] or "refused"
        row["verify"] = row["verify"] or "tells"
    except Exception as error:
        row["read"] = f"TRACEBACK {type(error).__name__}: {error}"
    try:
        repaired(folder)
        with Store.open(folder) as store:
            row["repair"] = "in order" if not verify(store).wrong else "still wrong"
            row["after"] = "invented" if _invented(asked(store), truth) else "nothing invented"
            # Whatever happened, captures can be brought back.
            for number in range(CAPTURES + 1):
                report = health("plan", ("stage1.lobe",)) if number == 1 else health()
                store.add(record(number, health=report), channels(number, 512))
            last = asked(store)
            if any(last[key] != truth[key] for key in truth if key.split()[0] in ("waveform", "spectra", "latest")):
                row["after"] += ", not brought back"
    except VibeError as error:
        row["repair"] = f"refused: {error}".replace(str(folder), "")
    except Exception as error:
        row["repair"] = f"TRACEBACK {type(error).__name__}: {error}"
    row["silent"] = ", ".join(wrong) if wrong and row["verify"] == "silent" else ""
    if row["silent"] and path.name.endswith("-wal"):
        row["silent"] = ""
        row["read"] = "as before the last writes"
    return row


def _invented(said: Truth, truth: Truth) -> list[str]:
    """What a store says after repair that it was never given: less is allowed, other is not."""
    found = []
    for name, value in said.items():
        if isinstance(value, VibeError) or value == truth[name] or not value:
            continue
        if name in ("events", "decisions", "latest", "findings", "keys"):
            if set(value) <= set(truth[name]):
                continue
        elif name in ("captures", "drives", "alarms"):
            # How many, and what became of a file, may be otherwise; an alarm may be left with its name alone.
            names = {getattr(one, "content", getattr(one, "id", getattr(one, "tag", ""))) for one in value}
            known = {getattr(one, "content", getattr(one, "id", getattr(one, "tag", ""))) for one in truth[name]}
            if names <= known:
                continue
        elif name == "toml" and value is None:
            continue
        found.append(name)
    return found


def run(count: int, seed: int) -> list[dict[str, Any]]:
    """``count`` harmed stores."""
    rows = []
    with tempfile.TemporaryDirectory() as place:
        base = Path(place) / "base"
        made(base)
        pristine = Path(place) / "pristine"
        shutil.copytree(base, pristine)
        with Store.open(pristine) as store:
            truth = asked(store)
        for number in range(seed, seed + count):
            folder = Path(place) / "case"
            rows.append(one_case(base, truth, folder, number))
            shutil.rmtree(folder)
    return rows


def bad(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Cases that must not be."""
    return [
        row for row in rows
        if "TRACEBACK" in row["read"] + row["repair"] or row["silent"] or row["repair"] != "in order"
        or row["after"] != "nothing invented"
    ]  # fmt: skip


def main() -> None:
    """The long study."""
    stated = options(__doc__ or "", count=5000, counts="harmed stores")
    clock = Clock()
    rows = run(stated.count, stated.seed)
    count = Counter(
        (row["file"], row["read"].split(":")[0], row["verify"], row["repair"].split(":")[0], row["after"])
        for row in rows
    )
    table = [
        {"file": key[0], "read": key[1], "verify": key[2], "repair": key[3], "after": key[4], "cases": number}
        for key, number in sorted(count.items())
    ]  # fmt: skip
    write_table(stated.out, "store_fuzz", table)
    for line in table:
        print(*line.values(), sep=" | ")
    for row in bad(rows)[:40]:
        print(row)
    print(f"bad: {len(bad(rows))} of {len(rows)}; time: {clock}")


if __name__ == "__main__":
    main()
