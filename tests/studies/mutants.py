"""Which numeric constants of the judgement are held by a quick test: each is moved by a factor of two, both ways.

``python -m tests.studies.mutants --room diagnosis --count 20 --seed 1``

A constant is a number in a module-level assignment to names in capitals, the default of a class's field, or the default
of a parameter. The quick tests are loaded and collected once; for each change a copy of that process carries out anew
what hangs on the number, and runs the tests that call a function in which it is used, nearest and quickest first, until
one fails (``mutant_runs.py``). What no test notices *survives*: either the number does not matter, or nothing holds it.
Where a number went into something that is made only on loading, the package is copied, changed and loaded again.

Which test calls what is taken down in ``--coverage FILE`` (some minutes, once; files of tests that changed are watched
again). ``--budget`` ends a change's tests after so many seconds of processor time, and what was not noticed by then
survives. ``--words`` runs nothing and lists constants without a comment or a docstring. Numbers that mean nothing to
the judgement, such as how many are worked on at once, are in ``unjudged.py`` with the reason; they are not moved.
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
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Self

import pytest

from tests.studies.mutant_runs import LIBRARIES, ROOT, Change, Coverage, Study, Tried
from tests.studies.unjudged import UNJUDGED

ROOMS = {
    "spectra": (
        "vibe/spectra/analysis.py", "vibe/spectra/segment.py", "vibe/spectra/segment_average.py",
        "vibe/spectra/attribution", "vibe/spectra/basic", "vibe/spectra/envelope", "vibe/spectra/evidence",
        "vibe/spectra/identity", "vibe/spectra/rivals", "vibe/spectra/speed",
    ),
    "diagnosis": ("vibe/diagnosis",),
    "health": ("vibe/health/state", "vibe/health/alarms"),
    "acceptance": ("vibe/health/acceptance", "vibe/flow/commissioning", "vibe/report/certificate/accuracy.py"),
    "ingest": (
        "vibe/ingest/quality", "vibe/ingest/route", "vibe/ingest/tables", "vibe/ingest/clock.py",
        "vibe/ingest/commissioning_set.py",
    ),
    "kinematics": ("vibe/kinematics",),
    "history": (
        "vibe/history/change_attribution.py", "vibe/history/decision_joining.py",
        "vibe/history/operating_condition.py", "vibe/history/population", "vibe/history/running_hours.py",
        "vibe/history/statistics", "vibe/history/stored_traces.py", "vibe/history/trace_growth.py",
        "vibe/history/trend.py",
    ),
    "flow": (
        "vibe/flow/alarms", "vibe/flow/diagnose", "vibe/flow/history/level_changes.py", "vibe/flow/identify",
        "vibe/flow/route",
    ),
}  # fmt: skip
"""Files whose constants are moved: those that judge. What a file format's description says, what bounds memory and time
of a request, how a page looks, and what is simulated are no judgement."""
TESTS = (
    "tests/core", "tests/diagnosis", "tests/health", "tests/history", "tests/ingest", "tests/kinematics",
    "tests/published", "tests/quality", "tests/spectra", "tests/flow",
)  # fmt: skip
"""Whose quick tests are asked."""
LONGEST_S = 900.0
"""A change that makes the tests run on and on is noticed."""
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
    """One number of a module: ``name`` it is assigned to, its place in the text, whether words stand with it.

    ``owner`` is the class whose field it is the default of, ``function()`` for a parameter, or empty.
    """

    path: Path
    name: str
    line: int
    column: int
    text: str
    worded: bool
    owner: str = ""

    def moved(self) -> tuple[str, ...]:
        """The number doubled and halved; whole ones stay whole, and 1 is not halved."""
        value = ast.literal_eval(self.text)
        if isinstance(value, int):
            return tuple(str(new) for new in (2 * value, value // 2) if new not in (0, value))
        return repr(2 * value), repr(value / 2)

    @property
    def key(self) -> str:
        """File and name, as ``unjudged.py`` has them."""
        name = f"{self.owner}.{self.name}" if self.owner else self.name
        return f"{self.path.relative_to(ROOT) if self.path.is_relative_to(ROOT) else self.path.name} {name}"

    def __str__(self) -> str:
        file, _, name = self.key.partition(" ")
        return f"{file}:{self.line} {name} = {self.text}"


@cache
def constants(path: Path) -> tuple[Constant, ...]:
    """The numbers but for 0 in assignments to names in capitals, in defaults of fields and of parameters."""
    return tuple(_constants(path, path.read_text(encoding="utf-8")))


def _constants(path: Path, text: str) -> Iterator[Constant]:
    lines = text.splitlines()
    body = ast.parse(text).body
    for name, value, first, last, after in _assignments(body):
        if not re.fullmatch(r"_?[A-Z][A-Z0-9_]*(, _?[A-Z][A-Z0-9_]*)*", name) or ranks(value):
            continue
        worded = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
        worded |= any("#" in line for line in lines[max(0, first - 2) : last])
        for number in _numbers(value):
            yield Constant(path, name, number.lineno, number.col_offset, _text(lines, number), worded)
    for node in body:
        if isinstance(node, ast.ClassDef):
            for name, value, _, _, _ in _assignments(node.body):
                for number in _default_numbers(value):
                    text = _text(lines, number)
                    worded = ast.get_docstring(node) is not None
                    yield Constant(path, name, number.lineno, number.col_offset, text, worded, node.name)
        elif isinstance(node, ast.FunctionDef):
            for name, number in _parameters(node):
                worded = ast.get_docstring(node) is not None or node.name.startswith("_")
                place = (number.lineno, number.col_offset, _text(lines, number))
                yield Constant(path, name, *place, worded, f"{node.name}()")


def _assignments(body: Sequence[ast.stmt]) -> Iterator[tuple[str, ast.expr, int, int, ast.stmt | None]]:
    """Names, value, first and last line, and what stands after it."""
    for place, node in enumerate(body):
        after = body[place + 1] if place + 1 < len(body) else None
        last = node.end_lineno or node.lineno
        if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name | ast.Tuple):
            yield ast.unparse(node.targets[0]).strip("()"), node.value, node.lineno, last, after
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.value is not None:
            yield node.target.id, node.value, node.lineno, last, after


def _numbers(value: ast.AST) -> Iterator[ast.Constant]:
    for number in ast.walk(value):
        if isinstance(number, ast.Constant) and type(number.value) in (int, float) and number.value:
            yield number


def _default_numbers(value: ast.expr) -> Iterator[ast.Constant]:
    """Numbers of a field's default; limits of what may be given are no defaults."""
    if isinstance(value, ast.Call) and ast.unparse(value.func).rpartition(".")[2] in ("Field", "field"):
        for one in value.keywords:
            if one.arg in ("default", "default_factory"):
                yield from _numbers(one.value)
    else:
        yield from _numbers(value)


def _parameters(node: ast.FunctionDef) -> Iterator[tuple[str, ast.Constant]]:
    given = [*node.args.posonlyargs, *node.args.args]
    pairs = [*zip(given[len(given) - len(node.args.defaults) :], node.args.defaults, strict=True)]
    pairs += [(one, value) for one, value in zip(node.args.kwonlyargs, node.args.kw_defaults, strict=True) if value]
    for argument, value in pairs:
        if isinstance(value, ast.Constant) and type(value.value) in (int, float) and value.value:
            yield argument.arg, value


def _text(lines: Sequence[str], number: ast.Constant) -> str:
    return lines[number.lineno - 1].encode()[number.col_offset : number.end_col_offset].decode()


def ranks(value: ast.expr) -> bool:
    """Whether a table only puts its keys in order: whole numbers one after another, whose sizes mean nothing."""
    if not isinstance(value, ast.Dict):
        return False
    numbers = [item.value for item in value.values if isinstance(item, ast.Constant) and type(item.value) is int]
    in_a_row = sorted(numbers) == list(range(min(numbers, default=0), max(numbers, default=0) + 1))
    return len(numbers) == len(value.values) > 1 and in_a_row


def of_room(room: str) -> list[Constant]:
    """All constants of a room that mean something to the judgement, file by file."""
    places = [ROOT / place for place in ROOMS[room]]
    files = [file for place in places for file in ([place] if place.is_file() else sorted(place.rglob("*.py")))]
    return [one for file in files for one in constants(file) if one.key not in UNJUDGED]


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


def as_change(constant: Constant, new: str) -> Change:
    """The change as it can be carried out in modules that are loaded: the statement, or a default's new value."""
    number = (constant.line, constant.column)
    tree = ast.parse(changed(constant, new))
    names = tuple(constant.name.split(", "))
    for node in tree.body:
        if constant.owner.endswith("()") or not node.lineno <= constant.line <= (node.end_lineno or 0):
            continue
        if not constant.owner:
            return Change(constant.path, "", names, node.lineno, ast.unparse(node))
        assert isinstance(node, ast.ClassDef)
        for name, value, first, last, _ in _assignments(node.body):
            if name == constant.name and first <= constant.line <= last:
                return Change(constant.path, constant.owner, names, first, ast.unparse(value))
    if constant.owner.endswith("()"):
        return Change(constant.path, constant.owner, names, constant.line, new)
    raise ValueError(f"no statement holds the number at {number}")


def near(change: Change, test: Path) -> bool:
    """Whether a test file imports the module of the change, or goes through the fields of forms."""
    if change.owner and not change.owner.endswith("()") and "model_fields" in _read(test):
        return True
    package, _, last = change.module.rpartition(".")
    asked = rf"from {re.escape(change.module)} import|from {re.escape(package)} import [^\n]*\b{last}\b"
    return re.search(asked, _read(test)) is not None


@cache
def _read(file: Path) -> str:
    return file.read_text(encoding="utf-8")


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

    def passes(self, tests: Sequence[str | Path]) -> bool:
        """Whether the tests pass with the package as it is now; no tests pass whatever it holds."""
        if not tests:
            return True
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        options = ("-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "-c", str(ROOT / "pyproject.toml"))
        self._process.stdin.write(json.dumps([*options, "-o", "addopts=-m 'not slow'", *map(str, tests)]) + "\n")
        self._process.stdin.flush()
        return self._process.stdout.readline().strip() == "0"


@contextmanager
def copied() -> Iterator[Path]:
    """A copy of the package that may be changed, next to what it is shipped with."""
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        tree = Path(folder)
        shutil.copytree(ROOT / "vibe", tree / "vibe", ignore=shutil.ignore_patterns("__pycache__"))
        for share in ("configs", "pipelines", "sample_signals"):
            (tree / share).symlink_to(ROOT / share)
        asked = f"import vibe, sys; sys.exit(not vibe.__file__.startswith({folder!r}))"
        if run_in(tree, "-c", asked) != 0:
            raise RuntimeError("the copy of the package is not the one that tests would import")
        yield tree


def main(argv: Sequence[str] | None = None) -> int:
    """Run the study; the status is 0 whatever survives."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--room", choices=list(ROOMS), action="append", help="one room, or several; all unless given")
    parser.add_argument("--count", type=int, default=20, help="constants drawn per room; 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--files", default="", metavar="WORDS", help="only modules whose path matches this expression")
    parser.add_argument(
        "--names", default="", metavar="WORDS", help="only constants whose name matches this expression"
    )
    parser.add_argument("--tests", nargs="+", default=TESTS, metavar="FILE", help="these test files or folders alone")
    parser.add_argument("--budget", type=float, default=10.0, metavar="SECONDS", help="processor time per change")
    parser.add_argument("--coverage", type=Path, metavar="FILE", help="which test calls what; made where it is missing")
    parser.add_argument("--again", type=Path, metavar="FILE", help="what an earlier run printed: only what survived it")
    parser.add_argument("--words", action="store_true", help="list constants without words, run nothing")
    parser.add_argument("--all", action="store_true", help="say what noticed each change, too")
    parser.add_argument("--reload", action="store_true", help="load everything anew for each change: slower")
    asked = parser.parse_args(argv)
    if asked.words:
        print(*(str(one) for one in without_words() if re.search(asked.files, str(one.path))), sep="\n")
        return 0
    drawn: list[tuple[str, Constant]] = []
    for room in asked.room or list(ROOMS):
        found = [one for one in of_room(room) if re.search(asked.files, str(one.path))]
        found = [one for one in found if re.search(asked.names, one.name)]
        some = found if not asked.count else random.Random(asked.seed).sample(found, min(asked.count, len(found)))
        drawn += [(room, one) for one in some]
    with tempfile.TemporaryDirectory(prefix="mutants-") as folder:
        _study(drawn, asked, Coverage(asked.coverage or Path(folder) / "coverage.json"))
    return 0


def _study(drawn: Sequence[tuple[str, Constant]], asked: argparse.Namespace, coverage: Coverage) -> None:
    begun = time.monotonic()
    changes = {(constant, new): as_change(constant, new) for _, constant in drawn for new in constant.moved()}
    if asked.again:
        survived = {_unplaced(line) for line in asked.again.read_text().splitlines() if line.startswith("survives: ")}
        changes = {key: change for key, change in changes.items() if _unplaced(f": {key[0]} -> {key[1]} (") in survived}
    whose = {change: (constant, new) for (constant, new), change in changes.items()}
    tried: dict[tuple[Constant, str], Tried] = {}
    out = os.fdopen(os.dup(1), "w", buffering=1)

    def done(one: Tried) -> None:
        constant, new = whose[one.change]
        tried[constant, new] = one
        if not one.noticed_by:
            asked_tests = f"{one.tests} tests" + ("" if one.all_ran else ", not all")
            out.write(f"survives: {constant} -> {new} ({asked_tests})\n")
        elif asked.all:
            out.write(f"noticed: {constant} -> {new} by {one.noticed_by} ({one.tests})\n")

    with copied() as tree, Tester(tree) as tester:

        def reloaded(change: Change, tests: Sequence[str]) -> str:
            constant, new = whose[change]
            copy = tree / constant.path.relative_to(ROOT)
            copy.write_text(changed(constant, new), encoding="utf-8")
            try:
                return "" if tester.passes([ROOT / name for name in tests]) else "a test, loaded anew"
            finally:
                shutil.copyfile(constant.path, copy)

        study = Study(
            list(whose), coverage, budget_s=asked.budget, done=done, reloaded=reloaded, near=near, anew=asked.reload
        )
        options = ["-q", "-p", "no:cacheprovider", "-p", "no:xdist", "-o", "addopts=-m 'not slow'"]
        options += ["-o", "tmp_path_retention_policy=none"]
        _silently(lambda: pytest.main([*options, *map(str, asked.tests)], plugins=[study]))
    for room in dict.fromkeys(room for room, _ in drawn):
        keys = [key for key in tried if (room, key[0]) in drawn]
        left = sum(not tried[key].noticed_by for key in keys)
        count = len({constant for constant, _ in keys})
        out.write(f"{room}: {left} of {len(keys)} changes survive ({count} of {len(of_room(room))} constants)\n")
    out.write(f"{len(tried)} changes in {time.monotonic() - begun:.0f} s\n")
    out.close()


def _unplaced(line: str) -> str:
    """A change as it is printed, without its line in the file."""
    return re.sub(r":\d+ ", " ", line.partition(": ")[2].rpartition(" (")[0], count=1)


def _silently(work: Callable[[], object]) -> None:
    """What pytest prints goes nowhere: copies of the process share its screen."""
    sys.stdout.flush()
    kept, nothing = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nothing, 1)
    try:
        work()
    finally:
        sys.stdout.flush()
        os.dup2(kept, 1)
        os.close(kept)
        os.close(nothing)


if __name__ == "__main__":
    raise SystemExit(main())
