"""Quick tests run against changed numbers, in copies of one process that has loaded and collected everything.

Each change is made in a forked copy: the statement that holds the number is carried out again there, and so is
whatever was computed from it when modules were loaded. Then the tests run that call a function in which the number is
used; which those are is taken down once (``Coverage``), each test watched on its own.
"""

from __future__ import annotations

import ast
import importlib
import inspect
import json
import os
import re
import signal
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, is_dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
_PACKAGE = str(ROOT / "vibe") + os.sep
_OURS = (_PACKAGE, str(ROOT / "tests") + os.sep)
Place = tuple[str, int]
"""A function: its file, from the root, and its first line."""


class NotHereError(Exception):
    """A change that takes loading everything anew: the number went into something that is made only once."""


@dataclass(frozen=True, slots=True)
class Change:
    """A number of a module replaced: where it is assigned, to what names, and the statement with the new number."""

    path: Path
    owner: str
    names: tuple[str, ...]
    line: int
    text: str

    @property
    def module(self) -> str:
        return ".".join(self.path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@dataclass(frozen=True, slots=True)
class _Part:
    """A statement of a module, or a function of it or of one of its classes: what it reads, and when."""

    node: ast.stmt
    early: frozenset[str]
    """Names, and attributes as ``module.NAME``, that are read when the module is loaded."""
    late: frozenset[str]
    """Those that are read when it is called."""
    attributes: frozenset[str]


@dataclass(frozen=True, slots=True)
class _Source:
    """What a module's text says: its statements, its functions, and what it takes from which module."""

    statements: tuple[_Part, ...]
    functions: tuple[_Part, ...]
    taken: tuple[tuple[str, str, str], ...]
    """Module, name there, name here."""
    taken_late: tuple[tuple[str, str, _Part], ...]
    """Module, name there, and the function that takes it only when it is called."""


@cache
def _source(file: str) -> _Source:
    tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    taken = [
        (node.module, name.name, name.asname or name.name)
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module
        for name in node.names
    ]
    inner = [one for node in tree.body for one in (node, *(node.body if isinstance(node, ast.ClassDef) else ()))]
    functions = [_part(one) for one in inner if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef)]
    plain = (ast.Import, ast.ImportFrom)
    taken_late = [
        (node.module, name.name, part)
        for part in functions
        for node in ast.walk(part.node)
        if isinstance(node, ast.ImportFrom) and node.module
        for name in node.names
    ]
    statements = [_part(node) for node in tree.body if not isinstance(node, plain)]
    return _Source(tuple(statements), tuple(functions), tuple(taken), tuple(taken_late))


def _part(node: ast.stmt) -> _Part:
    attributes = frozenset(one.attr for one in ast.walk(node) if isinstance(one, ast.Attribute))
    early = frozenset(name for one in _early(node) for name in _names(one))
    late: frozenset[str] = frozenset()
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        late = frozenset(name for one in node.body for name in _names(one))
    return _Part(node, early, late, attributes)


def _names(node: ast.AST) -> Iterator[str]:
    for one in ast.walk(node):
        if isinstance(one, ast.Name):
            yield one.id
        elif isinstance(one, ast.Attribute) and isinstance(one.value, ast.Name):
            yield f"{one.value.id}.{one.attr}"


def _ours() -> Iterator[tuple[ModuleType, _Source]]:
    for module in list(sys.modules.values()):
        file = getattr(module, "__file__", None)
        # Modules of tests may go by their last name alone.
        if file and file.startswith(_OURS) and file.endswith(".py"):
            yield module, _source(file)


def _early(node: ast.stmt) -> list[ast.AST]:
    """What of a statement is computed when its module is loaded."""
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        return [*node.decorator_list, *node.args.defaults, *(one for one in node.args.kw_defaults if one)]
    if isinstance(node, ast.ClassDef):
        return [*node.decorator_list, *node.bases, *(part for one in node.body for part in _early(one))]
    if isinstance(node, ast.Assign | ast.AnnAssign):
        return [node.value] if node.value is not None else []
    return [node]


def _targets(node: ast.stmt) -> list[str]:
    if isinstance(node, ast.Assign):
        return [one.id for target in node.targets for one in ast.walk(target) if isinstance(one, ast.Name)]
    if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        return [node.target.id]
    return []


def _first_line(node: ast.stmt) -> int:
    assert isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
    return min([node.lineno, *(one.lineno for one in node.decorator_list)])


class Patch:
    """A change carried out in the modules of this process, or (``dry``) only followed: ``places`` use the number."""

    def __init__(self, change: Change, *, dry: bool) -> None:
        self.change, self.dry = change, dry
        self.places: set[Place] = set()
        self.reload = ""
        """Why the change takes loading everything anew; empty where it does not."""
        self._done: set[tuple[str, str]] = set()
        module = sys.modules.get(change.module)
        if module is None:
            self._refuse("the module is not loaded")
            return
        if change.owner.endswith("()"):
            self._default(module)
        elif change.owner:
            self._field(module)
        else:
            self._again(module, change.text)
            for name in change.names:
                self._follow(module, name, change.line)

    def _refuse(self, why: str) -> None:
        if not self.dry:
            raise NotHereError(why)
        self.reload = why

    def _again(self, module: ModuleType, text: str) -> None:
        if not self.dry:
            exec(compile(text, str(module.__file__), "exec"), module.__dict__)

    def _default(self, module: ModuleType) -> None:
        """A parameter's default: the function keeps it."""
        owner = self.change.owner.removesuffix("()")
        for part in _source(str(module.__file__)).functions:
            if getattr(part.node, "name", "") == owner:
                self._uses(module, part)
        if self.dry:
            return
        function: Any = getattr(module, owner)
        function = getattr(function, "__wrapped__", function)
        self._keep(function, ast.literal_eval(self.change.text))

    def _field(self, module: ModuleType) -> None:
        """The default of a field: a data class keeps it in its ``__init__``; values made on loading are made again."""
        (name,) = self.change.names
        kind = getattr(module, self.change.owner)
        for other, source in _ours():
            for part in source.functions:
                if name in part.attributes:
                    self._uses(other, part)
        if not is_dataclass(kind):
            self._form(kind, name, eval(self.change.text, module.__dict__ | {"default": None}))
            return
        value = eval(self.change.text, module.__dict__)
        if not self.dry:
            self._keep(kind.__init__, value)
            kind.__dataclass_fields__[name].default = value
        for other, _ in _ours():
            for here, made in list(vars(other).items()):
                if type(made) is kind:
                    if not self.dry:
                        object.__setattr__(made, name, value)
                    self._read_as(other, f"{here}.{name}", 0)

    def _form(self, kind: Any, name: str, value: object) -> None:
        """A default of a form that files are checked against; forms that hold it are made again too."""
        field = kind.model_fields.get(name)
        if field is None or field.default_factory is not None or type(value).__module__ != "builtins":
            self._refuse("no plain default")
            return
        if self.dry:
            return
        field.default = value
        stale = {kind.__name__}
        kind.model_rebuild(force=True)
        forms: list[Any] = [one for module, _ in _ours() for one in vars(module).values() if isinstance(one, type)]
        forms = [one for one in dict.fromkeys(forms) if hasattr(one, "model_fields")]
        for _ in range(_DEEPEST):
            holders = [
                one
                for one in forms
                if one.__name__ not in stale
                and any(
                    re.search(rf"\b({'|'.join(stale)})\b", repr(part.annotation)) for part in one.model_fields.values()
                )
            ]
            for one in holders:
                one.model_rebuild(force=True)
            stale |= {one.__name__ for one in holders}

    def _keep(self, function: Any, value: object) -> None:
        (name,) = self.change.names
        if function.__kwdefaults__ and name in function.__kwdefaults__:
            function.__kwdefaults__[name] = value
            return
        arguments = function.__code__.co_varnames[: function.__code__.co_argcount]
        kept = list(function.__defaults__)
        kept[arguments.index(name) - len(arguments)] = value
        function.__defaults__ = tuple(kept)

    def _follow(self, module: ModuleType, name: str, after: int) -> None:
        """Carry out again what is made of a name on loading, here and in modules that take it from here."""
        if (module.__name__, name) in self._done:
            return
        self._done.add((module.__name__, name))
        self._read_as(module, name, after)
        package, _, last = module.__name__.rpartition(".")
        for other, text in _ours():
            for where, there, here in text.taken:
                if where == module.__name__ and there == name:
                    if not self.dry:
                        setattr(other, here, getattr(module, name))
                    self._follow(other, here, 0)
                elif where == package and there == last:
                    self._read_as(other, f"{here}.{name}", 0)
            for where, there, part in text.taken_late:
                if where == module.__name__ and there == name:
                    self._uses(other, part)

    def _read_as(self, module: ModuleType, name: str, after: int) -> None:
        source = _source(str(module.__file__))
        for part in source.statements:
            node = part.node
            if node.lineno <= after or name not in part.early:
                continue
            if isinstance(node, ast.Assign | ast.AnnAssign):
                self._again(module, ast.unparse(node))
                for target in _targets(node):
                    self._follow(module, target, node.lineno)
            else:
                self._refuse(f"{module.__name__}: line {node.lineno} is made with {name}")
                for one in source.functions:
                    if node.lineno <= one.node.lineno <= (node.end_lineno or 0):
                        self._uses(module, one)
        for part in source.functions:
            if name in part.late:
                self._uses(module, part)

    def _uses(self, module: ModuleType, part: _Part) -> None:
        name = getattr(part.node, "name", "")
        file = str(Path(str(module.__file__)).relative_to(ROOT))
        # What a test's helper reads may matter to any test of its file.
        helper = file.startswith("tests") and not name.startswith("test_")
        self.places.add((file, 0 if helper else _first_line(part.node)))


@dataclass(slots=True)
class Watched:
    """A test that passes as things are: what it costs, and the functions of the package that it calls."""

    seconds: float
    places: set[Place]


class Coverage:
    """Which functions each test calls, kept in a file; tests of a file are watched again when the file changes."""

    def __init__(self, kept: Path) -> None:
        self._kept = kept
        self.tests: dict[str, Watched] = {}
        self._seen: dict[str, str] = {}
        if kept.is_file():
            text = json.loads(kept.read_text(encoding="utf-8"))
            self._seen = text["seen"]
            names = text["places"]
            for test, (seconds, places) in text["tests"].items():
                self.tests[test] = Watched(seconds, {(names[at][0], names[at][1]) for at in places})

    def complete(self, items: Sequence[pytest.Item], failed: Callable[[], bool], *, longest_s: int) -> None:
        """Watch those tests of ``items`` whose files are new or changed."""
        files: dict[Path, list[pytest.Item]] = defaultdict(list)
        for item in items:
            files[item.path].append(item)
        for file, tests in files.items():
            digest = sha256(file.read_bytes()).hexdigest()
            if self._seen.get(str(file)) == digest:
                continue
            for test in [one for one in self.tests if one.split("::")[0] == tests[0].nodeid.split("::")[0]]:
                del self.tests[test]
            found = in_a_copy(lambda tests=tests: _watch(tests, failed), longest_s=longest_s)
            for test, seconds, places in found or ():
                self.tests[test] = Watched(seconds, {(one[0], one[1]) for one in places})
            self._seen[str(file)] = digest if found is not None else ""
            self.keep()

    def keep(self) -> None:
        """Write what is known."""
        names = sorted({one for test in self.tests.values() for one in test.places})
        place = {one: at for at, one in enumerate(names)}
        tests = {name: (test.seconds, sorted(place[one] for one in test.places)) for name, test in self.tests.items()}
        self._kept.write_text(json.dumps({"seen": self._seen, "places": names, "tests": tests}), encoding="utf-8")


def _watch(items: Sequence[pytest.Item], failed: Callable[[], bool]) -> list[tuple[str, float, list[Place]]]:
    """Each test with its seconds and the functions that it calls, or may have called before it: what is kept for
    several tests of a file (wider fixtures, cached helpers) counts for all of them."""
    found: list[tuple[str, float, set[Place]]] = []
    seen: set[CodeType] = set()

    def traced(frame: FrameType, event: str, argument: object) -> None:
        seen.add(frame.f_code)

    sys.settrace(traced)
    threading.settrace(traced)
    for place, item in enumerate(items):
        seen.clear()
        begun = time.process_time()
        one_test(item, items[place + 1] if place + 1 < len(items) else None)
        taken, called = time.process_time() - begun, tuple(seen)
        places = {
            (str(Path(code.co_filename).relative_to(ROOT)), code.co_firstlineno)
            for code in called
            if code.co_filename.startswith(_PACKAGE)
        }
        if not failed():
            found.append((item.nodeid, taken, places))
    sys.settrace(None)
    threading.settrace(None)
    shared: set[Place] = set()
    if items and _shares(items):
        shared = set().union(*(places for _, _, places in found))
    return [(name, taken, sorted(places | shared)) for name, taken, places in found]


def _shares(items: Sequence[pytest.Item]) -> bool:
    module = getattr(items[0], "module", None)
    helpers = [one for name, one in list(sys.modules.items()) if name.startswith("tests.")]
    names = {value for value in vars(module).values() if callable(value)} if module else set()
    cached = any(hasattr(value, "cache_info") for value in names)
    cached |= any(
        hasattr(value, "cache_info")
        for helper in helpers
        if any(getattr(one, "__module__", None) == helper.__name__ for one in names)
        for value in vars(helper).values()
    )
    wider = any(
        definition.scope in ("module", "session", "package", "class") and not name.startswith("no_waiting")
        for item in items
        for name, definitions in getattr(getattr(item, "_fixtureinfo", None), "name2fixturedefs", {}).items()
        for definition in definitions
        if name not in ("settings", "repository", "tmp_path_factory")
    )
    return cached or wider


@cache
def _said(item: pytest.Item) -> str:
    """The name and the text of a test: what it is about."""
    try:
        return item.nodeid + inspect.getsource(item.function)  # type: ignore[attr-defined]
    except (AttributeError, OSError, TypeError):
        return item.nodeid


@cache
def _remarks(file: str) -> frozenset[str]:
    """Codes of the remarks that a module makes: a test that names one is about it, where others only pass through."""
    if not file.startswith("vibe"):
        return frozenset()
    return frozenset(re.findall(r'\bcode="(\w+)"', (ROOT / file).read_text(encoding="utf-8")))


def _own_places(item: pytest.Item) -> set[Place]:
    """The test itself, and its file for what stands there outside of tests."""
    file = str(item.path.relative_to(ROOT))
    code = getattr(getattr(item, "function", None), "__code__", None)
    return {(file, 0), (file, getattr(code, "co_firstlineno", 0))}


def one_test(item: pytest.Item, following: pytest.Item | None) -> None:
    """Run one test as pytest does."""
    item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)


def in_a_copy(work: Callable[[], Any], *, longest_s: int) -> Any:
    """What ``work`` gives in a copy of this process; None where it takes too long or ends the copy.

    Seconds of the processor count, since other programs may be slowing it; what only waits is ended later.
    """
    end, begin = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(end)
        signal.signal(signal.SIGALRM, signal.SIG_DFL)
        signal.setitimer(signal.ITIMER_PROF, longest_s)
        signal.alarm(_WAITING * longest_s)
        nothing = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nothing, 1)
        os.dup2(nothing, 2)
        try:
            with os.fdopen(begin, "w") as answer:
                json.dump(work(), answer)
        except BaseException:
            os._exit(1)
        os._exit(0)
    os.close(begin)
    with os.fdopen(end) as answer:
        text = answer.read()
    os.waitpid(child, 0)
    return json.loads(text) if text else None


@dataclass(frozen=True, slots=True)
class Tried:
    """What became of a change: the test that noticed it, or how many ran and did not."""

    change: Change
    noticed_by: str
    tests: int
    all_ran: bool


class Study:
    """A plugin of pytest: once all tests are collected it tries one change after another in copies of the process."""

    def __init__(
        self,
        changes: Sequence[Change],
        coverage: Coverage,
        *,
        budget_s: float,
        done: Callable[[Tried], None],
        reloaded: Callable[[Change, Sequence[str]], str],
        near: Callable[[Change, Path], bool],
        anew: bool = False,
    ) -> None:
        self._changes, self._coverage, self._budget_s = changes, coverage, budget_s
        self._done, self._reloaded, self._near = done, reloaded, near
        self._anew = anew
        self._failed = False

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._failed |= report.failed

    def failed(self) -> bool:
        """Whether a test failed since this was asked last."""
        was, self._failed = self._failed, False
        return was

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        _load_all()
        self._coverage.complete(session.items, self.failed, longest_s=_LONGEST_FILE_S)
        items = {item.nodeid: item for item in session.items}
        for change in self._changes:
            self._done(self._try(change, items))
        return True

    def _try(self, change: Change, items: dict[str, pytest.Item]) -> Tried:
        asked = Patch(change, dry=True)
        near = {item.path for item in items.values() if self._near(change, item.path)}
        # Who goes through the fields of a class reads them by no name.
        through = {path for path in near if change.owner and not change.owner.endswith("()")}
        chosen = [
            name
            for name, test in self._coverage.tests.items()
            if name in items
            and (
                (test.places | _own_places(items[name])) & asked.places
                or (asked.reload and items[name].path in near)
                or items[name].path in through
            )
        ]
        # What a file's tests share is made for the first of them that runs: such files come late.
        dearest: dict[Path, float] = defaultdict(float)
        for name, test in self._coverage.tests.items():
            if name in items:
                dearest[items[name].path] = max(dearest[items[name].path], test.seconds)
        words = [word.rstrip("s") for word in change.path.stem.split("_") if len(word) > 2]
        remarks = {one for file in {file for file, _ in asked.places} for one in _remarks(file)}
        chosen.sort(
            key=lambda name: (
                dearest[items[name].path] > _DEAR_S,
                items[name].path not in near,
                not any(remark in _said(items[name]) for remark in remarks),
                not any(word in _said(items[name]) for word in words),
                self._coverage.tests[name].seconds,
            )
        )
        if not chosen:
            return Tried(change, "", 0, True)
        if asked.reload or self._anew:
            seconds, some = 0.0, []
            for name in chosen:
                seconds += self._coverage.tests[name].seconds
                some += [name] if seconds < self._budget_s else []
            return Tried(change, self._reloaded(change, some), len(some), len(some) == len(chosen))
        longest_s = int(3 * self._budget_s) + 20
        answer = in_a_copy(lambda: self._run(change, [items[name] for name in chosen]), longest_s=longest_s)
        if answer is None:
            return Tried(change, "the time it takes", 0, True)
        return Tried(change, answer[0], answer[1], answer[1] == len(chosen))

    def _run(self, change: Change, chosen: Sequence[pytest.Item]) -> tuple[str, int]:
        Patch(change, dry=False)
        begun = time.process_time()
        for place, item in enumerate(chosen):
            if time.process_time() - begun > self._budget_s:
                return "", place
            one_test(item, chosen[place + 1] if place + 1 < len(chosen) else None)
            if self.failed():
                return item.nodeid, place + 1
        return "", len(chosen)


LIBRARIES = (
    "h5py", "numpy", "pydantic", "pytest", "scipy.fft", "scipy.interpolate", "scipy.io", "scipy.linalg",
    "scipy.ndimage",
    "scipy.optimize", "scipy.signal", "scipy.sparse", "scipy.special", "scipy.stats", "tomllib",
)  # fmt: skip
"""What most tests load; plugins of pytest must come with pytest."""
_ROOMS = ("core", "storage", "ingest", "kinematics", "spectra", "diagnosis", "history", "health", "flow", "synth")


def _load_all() -> None:
    """What is only loaded when it is first used would be loaded in every copy."""
    for library in LIBRARIES:
        importlib.import_module(library)
    for room in _ROOMS:
        for file in sorted((ROOT / "vibe" / room).rglob("*.py")):
            importlib.import_module(".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"))


_LONGEST_FILE_S = 240
"""A test file that takes longer is left out."""
_DEEPEST = 4
"""Forms within forms."""
_DEAR_S = 0.5
"""A test that takes longer makes something for all of its file."""
_WAITING = 10
"""Wall clock over processor time."""
