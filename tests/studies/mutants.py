"""Which numeric constants of the judgement are held by a quick test: each is moved by a factor of two, both ways.

``python -m tests.studies.mutants --room diagnosis --count 20 --seed 1``

A constant is a number in a module-level assignment to a name, or to several names, in capitals. The tree is copied, one
number is changed in the copy, and the tests of its room run there until one fails: first those that import its module,
then the others (``--near`` stops after the first, ``--tests`` runs the named files alone). What no test notices
*survives*: either the number does not matter, or nothing holds it. ``--words`` runs nothing and lists constants without
a comment or a docstring.
"""

from __future__ import annotations

import argparse
import ast
import json
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Self

ROOT = Path(__file__).resolve().parents[2]
ROOMS = {
    "spectra": (("vibe/spectra",), ("tests/spectra", "tests/published/test_spectra_published.py")),
    "diagnosis": (("vibe/diagnosis",), ("tests/diagnosis",)),
    "health": (("vibe/health",), ("tests/health", "tests/published/test_standards_published.py")),
    "quality": (("vibe/ingest/quality",), ("tests/ingest",)),
    "kinematics": (("vibe/kinematics",), ("tests/kinematics", "tests/published")),
    "history": (("vibe/history",), ("tests/history",)),
    "flow": (
        ("vibe/flow/diagnose", "vibe/flow/identify", "vibe/flow/commissioning", "vibe/flow/route"),
        ("tests/flow",),
    ),
    "gate": (
        ("vibe/flow/diagnose/presence.py", "vibe/spectra/identity/presence.py"),
        ("tests/spectra/test_presence.py", "tests/flow"),
    ),
}
"""Files whose constants are moved, and where their quick tests are."""
LONGEST_S = 900.0
"""A change that makes the tests run on and on is noticed."""
LIBRARIES = (
    "h5py", "numpy", "pydantic", "pytest", "scipy.fft", "scipy.ndimage", "scipy.optimize",
    "scipy.signal", "scipy.sparse", "scipy.special", "scipy.stats", "tomllib",
)  # fmt: skip
"""What most tests load; plugins of pytest must come with pytest."""
_LOADED = """
import importlib, json, os, signal, sys
for library in {libraries!r}:
    importlib.import_module(library)
import pytest
answers = os.dup(1)
nothing = os.open(os.devnull, os.O_WRONLY)
os.dup2(nothing, 1)
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        sys.dont_write_bytecode = True
        signal.alarm({longest})
        os._exit(int(pytest.main(json.loads(line))))
    os.write(answers, f"{{os.waitpid(child, 0)[1]}}\\n".encode())
"""


@dataclass(frozen=True, slots=True)
class Constant:
    """One number of a module: ``name`` it is assigned to, its place in the text, whether words stand with it."""

    path: Path
    name: str
    line: int
    column: int
    text: str
    worded: bool

    def moved(self) -> tuple[str, ...]:
        """The number doubled and halved; whole ones stay whole, and 1 is not halved."""
        value = ast.literal_eval(self.text)
        if isinstance(value, int):
            return tuple(str(new) for new in (2 * value, value // 2) if new not in (0, value))
        return repr(2 * value), repr(value / 2)

    def __str__(self) -> str:
        return f"{self.path.relative_to(ROOT)}:{self.line} {self.name} = {self.text}"


def constants(path: Path) -> Iterator[Constant]:
    """The numbers in module-level assignments to names in capitals, but for 0."""
    text = path.read_text(encoding="utf-8")
    lines = text.splitlines()
    body = ast.parse(text).body
    for place, node in enumerate(body):
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name | ast.Tuple):
            name, value = ast.unparse(node.targets[0]).strip("()"), node.value
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
            name, value = node.target.id, node.value
        else:
            continue
        if not re.fullmatch(r"_?[A-Z][A-Z0-9_]*(, _?[A-Z][A-Z0-9_]*)*", name):
            continue
        if ranks(value):
            continue
        after = body[place + 1] if place + 1 < len(body) else None
        worded = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
        worded |= any("#" in line for line in lines[max(0, node.lineno - 2) : node.end_lineno])
        for number in ast.walk(value):
            if isinstance(number, ast.Constant) and type(number.value) in (int, float) and number.value:
                piece = lines[number.lineno - 1].encode()[number.col_offset : number.end_col_offset].decode()
                yield Constant(path, name, number.lineno, number.col_offset, piece, worded)


def ranks(value: ast.expr) -> bool:
    """Whether a table only puts its keys in order: whole numbers one after another, whose sizes mean nothing."""
    if not isinstance(value, ast.Dict):
        return False
    numbers = [item.value for item in value.values if isinstance(item, ast.Constant) and type(item.value) is int]
    in_a_row = sorted(numbers) == list(range(min(numbers, default=0), max(numbers, default=0) + 1))
    return len(numbers) == len(value.values) > 1 and in_a_row


def of_room(room: str) -> list[Constant]:
    """All constants of a room, file by file."""
    places = [ROOT / place for place in ROOMS[room][0]]
    files = [file for place in places for file in ([place] if place.is_file() else sorted(place.rglob("*.py")))]
    return [one for file in files for one in constants(file)]


def without_words() -> list[Constant]:
    """Constants of the whole package without a comment or a docstring."""
    return [one for file in sorted((ROOT / "vibe").rglob("*.py")) for one in constants(file) if not one.worded]


def changed(constant: Constant, new: str) -> str:
    """The text of its module with the number replaced."""
    lines = constant.path.read_text(encoding="utf-8").splitlines(keepends=True)
    line = lines[constant.line - 1].encode()
    after = constant.column + len(constant.text.encode())
    lines[constant.line - 1] = (line[: constant.column] + new.encode() + line[after:]).decode()
    return "".join(lines)


def test_files(room: str) -> list[Path]:
    """The files of a room's quick tests."""
    places = [ROOT / place for place in ROOMS[room][1]]
    return [file for place in places for file in ([place] if place.is_file() else sorted(place.rglob("test_*.py")))]


def near(constant: Constant, files: Sequence[Path]) -> list[Path]:
    """Those of the test files that import the constant's module."""
    module = ".".join(constant.path.relative_to(ROOT).with_suffix("").parts)
    package, _, last = module.rpartition(".")
    asked = re.compile(rf"from {re.escape(module)} import|from {re.escape(package)} import [^\n]*\b{last}\b")
    return [file for file in files if asked.search(file.read_text(encoding="utf-8"))]


def run_in(tree: Path, *arguments: str) -> int | None:
    """Status of Python started where the package of ``tree`` is found first; None where it takes too long."""
    environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(tree), str(ROOT)))}
    try:
        done = subprocess.run(
            [sys.executable, *arguments], cwd=tree, env=environment, capture_output=True, timeout=LONGEST_S, check=False
        )
    except subprocess.TimeoutExpired:
        return None
    return done.returncode


class Tester:
    """A process that has loaded the libraries that tests need, but no module of ``tree``.

    A copy of it runs the tests of each change, since loading costs more than most of them do.
    """

    def __init__(self, tree: Path) -> None:
        environment = os.environ | {"PYTHONPATH": os.pathsep.join((str(tree), str(ROOT))), "OMP_NUM_THREADS": "1"}
        self._process = subprocess.Popen(
            [sys.executable, "-c", _LOADED.format(libraries=LIBRARIES, longest=int(LONGEST_S))],
            cwd=tree,
            env=environment,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._process.communicate()

    def passes(self, files: Sequence[Path]) -> bool:
        """Whether the tests pass with the package as it is now; no tests pass whatever it holds."""
        if not files:
            return True
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        options = ("-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-c", str(ROOT / "pyproject.toml"))
        self._process.stdin.write(json.dumps([*options, "-o", "addopts=-m 'not slow'", *map(str, files)]) + "\n")
        self._process.stdin.flush()
        return self._process.stdout.readline().strip() == "0"


def survives(
    constant: Constant, new: str, tree: Path, tester: Tester, first: Sequence[Path], rest: Sequence[Path]
) -> bool:
    """Whether neither the ``first`` test files nor the ``rest`` notice that the number is another."""
    copy = tree / constant.path.relative_to(ROOT)
    copy.write_text(changed(constant, new), encoding="utf-8")
    try:
        return tester.passes(first) and tester.passes(rest)
    finally:
        shutil.copyfile(constant.path, copy)


def main(argv: Sequence[str] | None = None) -> int:
    """Run the study; the status is 0 whatever survives."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--room", choices=list(ROOMS), action="append", help="one room, or several; all unless given")
    parser.add_argument("--count", type=int, default=20, help="constants drawn per room; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--near", action="store_true", help="only tests that import the constant's module")
    parser.add_argument("--files", default="", metavar="WORDS", help="only modules whose path matches this expression")
    parser.add_argument("--tests", nargs="+", type=Path, default=[], metavar="FILE", help="these test files alone")
    parser.add_argument("--words", action="store_true", help="list constants without words, run nothing")
    asked = parser.parse_args(argv)
    if asked.words:
        print(*(str(one) for one in without_words() if re.search(asked.files, str(one.path))), sep="\n")
        return 0
    for room in asked.room or list(ROOMS):
        found = [one for one in of_room(room) if re.search(asked.files, str(one.path))]
        drawn = found if not asked.count else random.Random(asked.seed).sample(found, min(asked.count, len(found)))
        _study(room, drawn, len(found), near_only=asked.near, only=[file.resolve() for file in asked.tests])
    return 0


def _study(room: str, drawn: Sequence[Constant], of: int, *, near_only: bool, only: Sequence[Path]) -> None:
    begun, moved, left = time.monotonic(), 0, []
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        tree = Path(folder)
        shutil.copytree(ROOT / "vibe", tree / "vibe", ignore=shutil.ignore_patterns("__pycache__"))
        for share in ("configs", "pipelines", "sample_signals"):
            (tree / share).symlink_to(ROOT / share)
        asked = f"import vibe, sys; sys.exit(not vibe.__file__.startswith({folder!r}))"
        if run_in(tree, "-c", asked) != 0:
            raise RuntimeError("the copy of the package is not the one that tests would import")
        with Tester(tree) as tester:
            sound: set[tuple[Path, ...]] = set()
            for constant in drawn:
                first = tuple(only or near(constant, test_files(room)))
                rest = [] if near_only or only else [file for file in test_files(room) if file not in first]
                if first not in sound and not tester.passes(first):
                    raise RuntimeError(f"tests fail before anything is changed: {', '.join(map(str, first))}")
                sound.add(first)
                for new in constant.moved():
                    moved += 1
                    if survives(constant, new, tree, tester, first, rest):
                        left.append(f"{constant} -> {new}")
                        print(f"survives: {left[-1]}", flush=True)
    named = ", ".join(file.name for file in only)
    tests = named or ("tests that import the module" if near_only else "all tests of the room")
    print(
        f"{room}: {len(left)} of {moved} changes survive ({len(drawn)} of {of} constants, {tests}, "
        f"{time.monotonic() - begun:.0f} s)",
        flush=True,
    )


if __name__ == "__main__":
    raise SystemExit(main())
