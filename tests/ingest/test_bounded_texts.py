"""No page, record or list of some megabytes takes the machine: what others hand over as text is bounded too."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
SIZE, MOST_MB, MOST_CPU_S = 9_900_000, 700, 10.0
ANSWER_ALL = """
import json, sys, time
from pathlib import Path
from tests.ingest.test_bounded_texts import TEXTS
from vibe.core.errors import VibeError
import vibe.report.certificate.check, vibe.flow.run.earlier_run, vibe.core.health, vibe.flow.route.plan

def peak_mb():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024

for name, (kind, make, _) in TEXTS.items():
    path = Path(sys.argv[1]) / name.replace(" ", "_")
    path.mkdir()
    path = kind.lay(path, make())
    Path("/proc/self/clear_refs").write_text("5")
    before, start = peak_mb(), time.process_time()
    try:
        said = kind.ask(path)
    except VibeError as error:
        said = str(error)
    print(json.dumps([said, time.process_time() - start, peak_mb() - before]), flush=True)
"""


def fill(piece: bytes, before: bytes = b"", after: bytes = b"") -> Callable[[], bytes]:
    """As often as some megabytes hold it."""
    return lambda: before + piece * ((SIZE - len(before) - len(after)) // len(piece)) + after


class Certificate:
    """``vibe certificate verify``."""

    @staticmethod
    def lay(folder: Path, data: bytes) -> Path:
        (folder / "certificate").write_bytes(data)
        return folder / "certificate"

    @staticmethod
    def ask(path: Path) -> str:
        from vibe.report.certificate.check import verify_certificate

        return verify_certificate(path).failed[0].text


class EarlierReport:
    """A report in the folder of an earlier run, as ``vibe run --earlier`` compares it."""

    @staticmethod
    def lay(folder: Path, data: bytes) -> Path:
        about = {"schema": "vibe.run/1", "drives": [{"drive": "D", "files": {"json": "D/health.json"}}]}
        (folder / "run.json").write_text(json.dumps(about), encoding="utf-8")
        (folder / "D").mkdir()
        (folder / "D" / "health.json").write_bytes(data)
        return folder

    @staticmethod
    def ask(path: Path) -> str:
        from tests.plant import drive_text
        from vibe.flow.run.earlier_run import earlier_run, since
        from vibe.flow.settings import load_settings
        from vibe.ingest import load_drive

        (path / "d.toml").write_text(drive_text("D"), encoding="utf-8")
        now: Any = None  # never looked at: nothing can be compared
        return since(earlier_run(path), now, load_drive(path / "d.toml"), (), load_settings().limits).note


class Journal:
    """What a run left behind in the folder that the next one writes into."""

    @staticmethod
    def lay(folder: Path, data: bytes) -> Path:
        (folder / "run.journal").write_bytes(data)
        return folder

    @staticmethod
    def ask(path: Path) -> str:
        from vibe.flow.run.resume import journal_in

        with journal_in(path) as journal:
            return f"interrupted: {journal.was_interrupted}"


class Plan:
    """``vibe plan``, which asks first whether a file is a route."""

    @staticmethod
    def lay(folder: Path, data: bytes) -> Path:
        (folder / "a.toml").write_bytes(data[:3_900_000])
        return folder / "a.toml"

    @staticmethod
    def ask(path: Path) -> str:
        from vibe.flow.route.plan import is_route

        return f"a route: {is_route(path)}"


TEXTS: dict[str, tuple[Any, Callable[[], bytes], str]] = {
    "page of comments": (Certificate, fill(b"<!--", b"<html>", b"</html>"), "million signs"),
    "page of attributes": (Certificate, fill(b"a ", b"<html><a ", b"></html>"), "million signs"),
    "page of ends": (Certificate, lambda: fill(b"</a ", b"<html>")()[:4_000_000] + b"</html>", "does not end"),
    "page of begun comments": (Certificate, lambda: fill(b"<!-", b"<html>")()[:4_000_000] + b"</html>", "a comment"),
    "page of one tag": (Certificate, lambda: fill(b"a ", b"<html><a ")()[:4_000_000] + b"></html>", "does not end"),
    "page of a drawing": (
        Certificate, lambda: b"<html><svg>" + b"<b>a" * 200_000 + b"</svg></html>", "no record instead of one",
    ),
    "record of objects": (
        Certificate, fill(b"{},", b'{"seal":"' + b"0" * 64 + b'","figures":[', b"{}]}"), "100,000 objects and lists",
    ),
    "report of objects": (EarlierReport, fill(b"{},", b'{"findings":[', b"{}]}"), "D/health.json cannot be read"),
    "journal of lists": (Journal, fill(b"["), "interrupted: False"),
    "journal of lines": (Journal, fill(b"\n"), "interrupted: False"),
    "plan of dots": (Plan, fill(b"a."), "a route: False"),
    "plan of lists": (Plan, fill(b"[", b"a="), "a route: False"),
}  # fmt: skip


@pytest.fixture(scope="module")
def answers(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[Any]]:
    """Of each text: what was said, seconds of work, and memory [MB]."""
    if not sys.platform.startswith("linux"):
        pytest.skip("the peak of memory is read from /proc")
    done = subprocess.run(
        [sys.executable, "-c", ANSWER_ALL, str(tmp_path_factory.mktemp("texts"))],
        capture_output=True, text=True, cwd=ROOT, preexec_fn=_fenced,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return dict(zip(TEXTS, map(json.loads, done.stdout.splitlines()), strict=True))


def _fenced() -> None:
    import resource

    resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
    resource.setrlimit(resource.RLIMIT_CPU, (60, 60))


@pytest.mark.parametrize("name", TEXTS)
def test_it_is_answered_within_memory_and_time(name: str, answers: dict[str, list[Any]]) -> None:
    said, worked_s, taken_mb = answers[name]
    assert re.search(TEXTS[name][2], said), said
    assert "\n" not in said
    assert worked_s < MOST_CPU_S
    assert taken_mb < MOST_MB


def test_a_sound_report_and_a_sound_record_are_no_crowd() -> None:
    """A thousand times what they hold is refused, ten times is not."""
    from vibe.storage.json_text import json_value

    report = {"findings": [{"evidence": [{"n": 1}] * 10}] * 50, "captures": [{"channels": [{}] * 4}] * 100}
    assert json_value(json.dumps([report] * 10).encode())
    with pytest.raises(ValueError, match="objects and lists"):
        json_value(json.dumps([report] * 1000))
    with pytest.raises(ValueError, match="too deeply"):
        json_value("[" * 50_000)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_pipes_in_a_store_that_was_handed_over_are_not_waited_for(tmp_path: Path) -> None:
    from vibe.core.errors import OutputError
    from vibe.flow.alarms.columns import FILE, remembered_columns
    from vibe.flow.desk import notices
    from vibe.flow.desk.inbox_journal import INBOXES, InboxJournal
    from vibe.history.store.reported import EXCEEDANCES, kept_reported

    (tmp_path / EXCEEDANCES).mkdir()
    deep = tmp_path / EXCEEDANCES / "deep.json"
    deep.write_text("[" * 100_000, encoding="utf-8")
    for place in (tmp_path / FILE, tmp_path / EXCEEDANCES / "a.json", tmp_path / notices.FILE):
        os.mkfifo(place)
    assert remembered_columns(tmp_path, "0") is None
    assert kept_reported(tmp_path) == ()
    assert notices._read(tmp_path / notices.FILE) is None
    InboxJournal(tmp_path, tmp_path / "folder").close()
    (journal,) = (tmp_path / INBOXES).glob("*.jsonl")
    journal.unlink()
    os.mkfifo(journal)
    with pytest.raises(OutputError, match="is in the way"):
        InboxJournal(tmp_path, tmp_path / "folder")


def test_a_packed_value_next_to_a_store_does_not_unpack_to_gigabytes() -> None:
    import resource
    import zlib

    from vibe.storage.json_text import MOST_UNPACKED, unpacked_value

    assert unpacked_value(zlib.compress(b'{"a": [1.5]}')) == {"a": [1.5]}
    packer = zlib.compressobj(9)
    bomb = b"".join(packer.compress(bytes(1 << 24)) for _ in range(2 * MOST_UNPACKED >> 24)) + packer.flush()
    assert len(bomb) < 1_000_000
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for packed in (bomb, bomb[:1000], zlib.compress(b"[" * 100_000), b"none"):
        with pytest.raises(ValueError, match=r"unpack|nested"):
            unpacked_value(packed)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 700 * 1024


def test_a_key_of_more_parts_than_any_has_is_refused_at_once_and_dots_elsewhere_are_not(tmp_path: Path) -> None:
    from vibe.core.errors import ConfigError
    from vibe.storage.toml_text import toml_of

    many = ".a" * 2900
    for text in (f"a{many} = 1", f"[a{many}]", f"x = {{a{many} = 1}}", 'a = 1\n"a"' + ' . "b"' * 2900 + " = 1"):
        begun = time.process_time()
        with pytest.raises(ConfigError, match="nested too deeply"):
            toml_of(text, tmp_path)
        assert time.process_time() - begun < 0.1
    said = toml_of(
        f"# a{many}\na.b.c.d = 1\nx = [{', '.join(['0.5'] * 900)}]\ny = [{', '.join(['{a = 0.5, b = 1.5}'] * 300)}]\n"
        f'z = "1{many}"\n"q.r.s" = 0.1\n',
        tmp_path,
    )
    assert said["a"] == {"b": {"c": {"d": 1}}}
    assert (len(said["x"]), len(said["y"]), len(said["z"])) == (900, 300, 5801)
