"""Quick tests run against changed numbers, in copies of one process that has loaded and collected everything.

Each change is made in a forked copy: the statement that holds the number is carried out again there, and so is
whatever was computed from it when modules were loaded. Then the tests run that call a function in which the number is
used; which those are is taken down once (``Coverage``), each test watched on its own.
"""

from __future__ import annotations

import ast
import json
import os
import signal
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, is_dataclass
from functools import cache
from hashlib import sha256
from pathlib import Path
from types import CodeType, FrameType, ModuleType
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
_PACKAGE = str(ROOT / "vibe") + os.sep
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


@dataclass(slots=True)
class _Source:
    """What a module's text says: its statements, and what it takes from which module."""

    tree: ast.Module
    taken: list[tuple[str, str, str]] = field(default_factory=list)
    """Module, name there, name here."""


@cache
def _source(file: str) -> _Source:
    tree = ast.parse(Path(file).read_text(encoding="utf-8"))
    taken = [
        (node.module, name.name, name.asname or name.name)
        for node in tree.body
        if isinstance(node, ast.ImportFrom) and node.module
        for name in node.names
    ]
    return _Source(tree, taken)


def _ours() -> Iterator[tuple[ModuleType, _Source]]:
    for name, module in list(sys.modules.items()):
        file = getattr(module, "__file__", None)
        if name.split(".")[0] in ("vibe", "tests") and file and file.endswith(".py"):
            yield module, _source(file)


def _reads(node: ast.AST, name: str) -> bool:
    return any(isinstance(one, ast.Name) and one.id == name for one in ast.walk(node))


def _early(node: ast.stmt) -> list[ast.expr]:
    """What of a function or class is computed when its module is loaded."""
    found: list[ast.expr] = []
    if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
        found += [*node.decorator_list, *node.args.defaults, *(one for one in node.args.kw_defaults if one)]
    elif isinstance(node, ast.ClassDef):
        found += [*node.decorator_list, *node.bases]
        for one in node.body:
            found += _early(one)
            if isinstance(one, ast.Assign | ast.AnnAssign) and one.value is not None:
                found.append(one.value)
    return found


def _targets(node: ast.stmt) -> list[str]:
    if isinstance(node, ast.Assign):
        return [one.id for target in node.targets for one in ast.walk(target) if isinstance(one, ast.Name)]
    if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
        return [node.target.id]
    return []


def _functions(tree: ast.Module) -> Iterator[ast.FunctionDef | ast.AsyncFunctionDef]:
    for node in tree.body:
        for one in [node, *(node.body if isinstance(node, ast.ClassDef) else ())]:
            if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef):
                yield one


def _first_line(node: ast.FunctionDef | ast.AsyncFunctionDef) -> int:
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

    def _function(self, module: ModuleType, owner: str) -> Any:
        found: Any = module
        for part in owner.removesuffix("()").split("."):
            found = getattr(found, part)
        return getattr(found, "__wrapped__", found)

    def _default(self, module: ModuleType) -> None:
        """A parameter's default: the function keeps it."""
        node = next(one for one in _functions(_source(str(module.__file__)).tree) if _owner(one) == self.change.owner)
        self._uses(module, node)
        function = self._function(module, self.change.owner) if "." not in self.change.owner else None
        if function is None:
            self._refuse("a method's default")
            return
        if self.dry:
            return
        value = ast.literal_eval(self.change.text)
        (name,) = self.change.names
        if function.__kwdefaults__ and name in function.__kwdefaults__:
            function.__kwdefaults__[name] = value
        else:
            arguments = function.__code__.co_varnames[: function.__code__.co_argcount]
            place = arguments.index(name) - len(arguments)
            kept = list(function.__defaults__)
            kept[place] = value
            function.__defaults__ = tuple(kept)

    def _field(self, module: ModuleType) -> None:
        """The default of a field: a data class keeps it in its ``__init__``; values made on loading are made again."""
        (name,) = self.change.names
        kind = getattr(module, self.change.owner)
        for other, source in _ours():
            if str(other.__file__).startswith(_PACKAGE):
                for node in _functions(source.tree):
                    if any(isinstance(one, ast.Attribute) and one.attr == name for one in ast.walk(node)):
                        self._uses(other, node)
        if not is_dataclass(kind):
            self._refuse("a form of pydantic")
            return
        holder: dict[str, Any] = {}
        if not self.dry:
            value = eval(compile(self.change.text, "field", "eval"), module.__dict__, holder)
            made = kind.__init__
            if made.__kwdefaults__ and name in made.__kwdefaults__:
                made.__kwdefaults__[name] = value
            else:
                arguments = made.__code__.co_varnames[: made.__code__.co_argcount]
                kept = list(made.__defaults__ or ())
                kept[arguments.index(name) - len(arguments)] = value
                made.__defaults__ = tuple(kept)
        self._follow(module, self.change.owner, 0, only_calls=True)

    def _follow(self, module: ModuleType, name: str, after: int, *, only_calls: bool = False) -> None:
        if (module.__name__, name) in self._done:
            return
        self._done.add((module.__name__, name))
        source = _source(str(module.__file__))
        for node in source.tree.body:
            if node.lineno <= after:
                continue
            if isinstance(node, ast.Assign | ast.AnnAssign):
                if node.value is not None and _reads(node.value, name):
                    if only_calls and not isinstance(node.value, ast.Call):
                        continue
                    self._again(module, ast.unparse(node))
                    for target in _targets(node):
                        self._follow(module, target, node.lineno)
            elif isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                if not only_calls and any(_reads(one, name) for one in _early(node)):
                    self._refuse(f"{module.__name__}: {node.name} is made with {name}")
                    for one in [node, *(node.body if isinstance(node, ast.ClassDef) else ())]:
                        if isinstance(one, ast.FunctionDef | ast.AsyncFunctionDef):
                            self._uses(module, one)
            elif not isinstance(node, ast.Import | ast.ImportFrom) and _reads(node, name):
                self._refuse(f"{module.__name__}: line {node.lineno} reads {name}")
        if not only_calls:
            for function in _functions(source.tree):
                if any(_reads(one, name) for one in function.body):
                    self._uses(module, function)
        last = module.__name__.rpartition(".")[2]
        for other, text in _ours():
            for where, there, here in text.taken:
                if where == module.__name__ and there == name:
                    if not self.dry:
                        setattr(other, here, getattr(module, name))
                    self._follow(other, here, 0, only_calls=only_calls)
                elif where == module.__name__.rpartition(".")[0] and there == last and not only_calls:
                    self._by_attribute(other, text, here, name)

    def _by_attribute(self, other: ModuleType, text: _Source, here: str, name: str) -> None:
        """Uses as ``module.NAME``."""

        def read(node: ast.AST) -> bool:
            return any(
                isinstance(one, ast.Attribute)
                and one.attr == name
                and isinstance(one.value, ast.Name)
                and one.value.id == here
                for one in ast.walk(node)
            )

        for node in text.tree.body:
            if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None and read(node.value):
                self._again(other, ast.unparse(node))
                for target in _targets(node):
                    self._follow(other, target, node.lineno)
            elif any(read(one) for one in _early(node)):
                self._refuse(f"{other.__name__}: line {node.lineno} is made with {name}")
        for function in _functions(text.tree):
            if any(read(one) for one in function.body):
                self._uses(other, function)

    def _uses(self, module: ModuleType, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        file = str(module.__file__)
        if file.startswith(_PACKAGE):
            self.places.add((str(Path(file).relative_to(ROOT)), _first_line(node)))


def _owner(node: ast.FunctionDef | ast.AsyncFunctionDef) -> str:
    return f"{node.name}()"


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
    helpers = [module, *(one for one, _ in _ours() if one.__name__.startswith("tests."))]
    names = {value for value in vars(module).values() if callable(value)} if module else set()
    cached = any(hasattr(value, "cache_info") for value in names)
    cached |= any(
        hasattr(value, "cache_info")
        for helper in helpers
        if helper is not None and any(getattr(one, "__module__", None) == helper.__name__ for one in names)
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
        self._coverage.complete(session.items, self.failed, longest_s=_LONGEST_FILE_S)
        items = {item.nodeid: item for item in session.items}
        for change in self._changes:
            self._done(self._try(change, items))
        return True

    def _try(self, change: Change, items: dict[str, pytest.Item]) -> Tried:
        asked = Patch(change, dry=True)
        near = {item.path for item in items.values() if self._near(change, item.path)}
        chosen = [
            name
            for name, test in self._coverage.tests.items()
            if name in items and (test.places & asked.places or (asked.reload and items[name].path in near))
        ]
        chosen.sort(key=lambda name: (items[name].path not in near, self._coverage.tests[name].seconds))
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


_LONGEST_FILE_S = 240
"""A test file that takes longer is left out."""
_WAITING = 10
"""Wall clock over processor time."""
