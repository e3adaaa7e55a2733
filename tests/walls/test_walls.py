"""Who may know whom. Read from the source text, so that imports inside functions count too."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections import Counter
from dataclasses import dataclass
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "vibe"
ROOMS = sorted(folder.name for folder in PACKAGE.iterdir() if (folder / "__init__.py").is_file())
FILES = sorted(path for path in PACKAGE.rglob("*.py") if "share" not in path.parts)
STAIRS = {path.stem for path in PACKAGE.glob("*.py")} - {"__init__", "__main__"}
"""Modules that lie in no room: ``flow`` and what only it and those above it may use."""


FILERS = {"ingest", "history", "report", "synth"}
"""Rooms that read or write files."""
MOST_FILES = 14
"""A folder with more is a heap; a file per command is what ``cli`` is for."""


def imports_in(module: ast.Module, package: tuple[str, ...]) -> list[tuple[str, int]]:
    """Full name and line of everything that a module inside ``package`` imports, at whatever depth."""
    found: list[tuple[str, int]] = []
    for node in ast.walk(module):
        if isinstance(node, ast.Import):
            found += [(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else ()
            name = ".".join((*base, *([node.module] if node.module else [])))
            # The last word may be a module too: "from vibe import flow".
            found += [(f"{name}.{alias.name}", node.lineno) for alias in node.names]
        elif isinstance(node, ast.Call) and node.args and isinstance(node.args[0], ast.Constant):
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if called in {"import_module", "__import__"} and isinstance(node.args[0].value, str):
                found.append((node.args[0].value, node.lineno))
    return found


@dataclass(frozen=True, slots=True)
class SourceFacts:
    """What the walls ask of one file, which is read once for all of them."""

    imports: list[tuple[str, int]]
    needs: list[tuple[str, int]]
    """Of the imports, those that it has to work, and not only to name types."""
    classes: list[str]
    silent: list[int]
    """Lines of what is public and says nothing of itself; 0 for the module."""


@cache
def facts(path: Path) -> SourceFacts:
    package = path.relative_to(ROOT).parent.parts
    module = ast.parse(path.read_text(encoding="utf-8"))
    public = [n for n in module.body if isinstance(n, ast.FunctionDef | ast.ClassDef) and not n.name.startswith("_")]
    # An overload is the signature of a function that stands after it and says what it is.
    silent = [
        node.lineno
        for node in public
        if not ast.get_docstring(node) and "overload" not in [ast.unparse(one) for one in node.decorator_list]
    ]
    imports = imports_in(module, package)
    bodies = [module.body, *(node.body for node in module.body if isinstance(node, ast.ClassDef))]
    ifs = [node for body in bodies for node in body if isinstance(node, ast.If)]
    types = [node.body for node in ifs if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"]
    of_types = {line for body in types for line in range(body[0].lineno, (body[-1].end_lineno or 0) + 1)}
    return SourceFacts(
        imports=imports,
        needs=[(name, line) for name, line in imports if line not in of_types],
        classes=[node.name for node in public if isinstance(node, ast.ClassDef)],
        silent=silent if ast.get_docstring(module) else [0, *silent],
    )


def imported(path: Path) -> list[tuple[str, int]]:
    return facts(path).imports


def room_of(module: str) -> str | None:
    """The room of a module of ours ("flow" for what lies in none); None for the bare package and outside libraries."""
    parts = module.split(".")
    if parts[0] != "vibe" or len(parts) < 2:
        return None
    return "flow" if parts[1] in STAIRS else parts[1] if parts[1] in ROOMS else None


def home_of(path: Path) -> str:
    if path.name == "__main__.py":
        return "cli"  # the same door, opened by ``python -m``
    return room_of(".".join(path.relative_to(ROOT).with_suffix("").parts)) or "vibe"


def libraries(*rooms: str) -> set[str]:
    """Top names of the outside libraries that the files of these rooms name in an import."""
    return {name.split(".")[0] for path in FILES if home_of(path) in rooms for name, _ in imported(path)} - {"vibe"}


def test_the_rooms_are_those_of_the_plan() -> None:
    assert {
        "core",
        "storage",
        "ingest",
        "kinematics",
        "spectra",
        "diagnosis",
        "health",
        "report",
        "synth",
        "cli",
        "desk",
    } <= set(ROOMS)
    assert all(any(home_of(path) == room for path in FILES) for room in (*ROOMS, "flow"))


def test_imports_are_seen_wherever_they_stand() -> None:
    text = """
from typing import TYPE_CHECKING
if TYPE_CHECKING:
    from vibe.health.state import judge
def f():
    import vibe.report.pages.shell
    from ..kinematics import tones
    from . import fft
    from vibe import flow, __version__
    import_module("vibe.synth")
"""
    found = {room_of(name) for name, _ in imports_in(ast.parse(text), ("vibe", "spectra"))} - {None}
    assert found == {"health", "report", "kinematics", "spectra", "flow", "synth"}


def test_a_room_knows_core_and_itself() -> None:
    allowed = {room: {"core", room} | ({"storage"} if room in FILERS else set()) for room in ROOMS}
    allowed |= {
        "vibe": {"api"},
        "flow": {*ROOMS, "flow"} - {"api", "cli", "desk"},
        "api": {*ROOMS, "flow"} - {"cli", "desk", "synth"},
        "desk": {"core", "storage", "flow", "desk"},
        "cli": {*ROOMS, "flow"} - {"api"},
    }
    wrong = [
        f"{path.relative_to(ROOT)}:{line} imports {name}"
        for path in FILES
        for name, line in imported(path)
        if (room := room_of(name)) is not None and room not in allowed[home_of(path)]
    ]
    assert wrong == []


def test_a_folder_is_no_heap() -> None:
    counts = Counter(path.parent for path in FILES if path.name != "__init__.py" and path.parent != PACKAGE / "cli")
    assert {str(folder.relative_to(ROOT)): n for folder, n in counts.items() if n > MOST_FILES} == {}


def test_folders_of_a_room_stand_on_one_another_one_way() -> None:
    """Lazy imports count; the root of a room holds what its folders share, and what puts them together."""
    graph: dict[str, set[str]] = {}
    for path in FILES:
        home = folder_of(".".join(path.relative_to(ROOT).with_suffix("").parts))
        if home is not None and path.name != "__init__.py":
            others = {folder_of(name) for name, _ in imported(path)} - {None, home}
            graph.setdefault(home, set()).update(o for o in others if o and o.split(".")[:2] == home.split(".")[:2])
    TopologicalSorter(graph).prepare()


def folder_of(module: str) -> str | None:
    """``vibe.room.folder`` of what lies in a folder of a room."""
    parts = module.split(".")
    return (
        ".".join(parts[:3])
        if parts[0] == "vibe" and (PACKAGE / Path(*parts[1:3])).is_dir() and len(parts) > 3
        else None
    )


def test_synth_takes_nothing_from_the_tone_table() -> None:
    """One wrong formula in both would cancel, and every test on made-up captures would pass."""
    texts = {path: path.read_text(encoding="utf-8") for path in FILES if home_of(path) == "synth"}
    assert [str(path) for path, text in texts.items() if re.search(r"kinematic|tone_table|core\.tones", text)] == []


@pytest.mark.parametrize(
    ("library", "homes"),
    [
        ("matplotlib", {"report", "api"}),
        ("bokeh", {"report"}),
        ("weasyprint", {"report"}),
        ("jinja2", {"report", "desk"}),
        ("starlette", {"desk"}),
        ("uvicorn", {"desk"}),
        ("markdown_it", {"report"}),
        ("typer", {"cli"}),
        ("pandas", {"ingest", "api"}),
        ("pyuff", {"ingest"}),
        ("cryptography", {"report"}),
        ("pyhanko", {"report"}),
    ],
)
def test_a_library_is_known_in_one_place(library: str, homes: set[str]) -> None:
    assert {home for home in (*ROOMS, "flow", "vibe") if library in libraries(home)} == homes


@pytest.mark.parametrize("room", ["kinematics", "diagnosis", "health", "flow", "cli", "desk"])
def test_rooms_of_words_and_fractions_touch_no_array(room: str) -> None:
    """Distributions of single numbers are no arrays: health may ask scipy for a quantile."""
    allowed = {"scipy"} if room == "health" else set()
    assert libraries(room).isdisjoint({"numpy", "scipy", "pandas", "pywt"} - allowed)


FRONT_DOOR = {"Conditions", "Drive", "Store"}
"""What ``import vibe`` calls as the room behind it does: a thin form of the same thing, made for notebooks."""


def test_every_class_has_a_name_of_its_own() -> None:
    """Two classes of one name are two things that a reader takes for one."""
    homes: dict[str, list[str]] = {}
    for path in FILES:
        for name in facts(path).classes:
            homes.setdefault(name, []).append(str(path.relative_to(ROOT)))
    twice = {name: places for name, places in homes.items() if len(places) > 1}
    assert {name for name, places in twice.items() if any("api" in Path(place).parts for place in places)} <= FRONT_DOOR
    assert {name: places for name, places in twice.items() if name not in FRONT_DOOR} == {}


def test_no_file_needs_one_that_needs_it() -> None:
    """Wherever an import stands: a circle that is broken by importing later is a circle. Types alone do not count."""
    needs = {module_of(path): {name for name in needed(path) if name != module_of(path)} for path in FILES}
    while free := {module for module, others in needs.items() if not others & needs.keys()}:
        needs = {module: others for module, others in needs.items() if module not in free}
    inside = {module for module in needs if any(module in others for others in needs.values())}
    assert sorted(inside) == []


def module_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")


@cache
def all_modules() -> frozenset[str]:
    return frozenset(module_of(file) for file in FILES)


def needed(path: Path) -> set[str]:
    """Modules of ours that a file imports to work, not only to name types."""
    modules = all_modules()
    names = {name for name, _ in facts(path).needs}
    return {name if name in modules else name.rpartition(".")[0] for name in names} & modules


@pytest.mark.parametrize(
    "module", ["vibe", "vibe.cli.main", "vibe.flow.run.run", "vibe.flow.diagnose.capture_diagnosis"]
)
def test_starting_loads_nothing_heavy(module: str) -> None:
    heavy = (
        "numpy",
        "scipy",
        "pandas",
        "matplotlib",
        "bokeh",
        "h5py",
        "pyarrow",
        "weasyprint",
        "jinja2",
        "cryptography",
        "pyhanko",
    )
    code = f"import sys, {module}; print(*sorted(set({heavy!r}) & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.split() == []


def test_a_diagnosis_without_pages_loads_no_more_than_it_needs() -> None:
    """Of a sound drive, by pulses and by the signal: loading is most of what a single capture costs, and each of these
    is some of it."""
    libraries = "bokeh cryptography h5py jinja2 matplotlib pandas pyarrow pyhanko pywt starlette weasyprint"
    parts = "interpolate io ndimage optimize signal spatial stats"
    rooms = "core.records.alarms core.records.history ingest.tables report.drawing report.pages spectra.plots"
    heavy = [
        *libraries.split(),
        *(f"scipy.{part}" for part in parts.split()),
        *(f"vibe.{room}" for room in rooms.split()),
    ]
    code = f"""
import sys
from vibe.cli.main import main
for name, suffix in ("CS-01_clarifier_scraper", "h5"), ("SC-01_screen_conveyor", "wav"):
    try:
        drive = f"configs/drives/{{name[6:]}}.toml"
        main(["diagnose", f"sample_signals/{{name}}.{{suffix}}", "--drive", drive, "--json", "-"])
    except SystemExit as end:
        assert not end.code
print(*[name for name in {heavy!r} if name in sys.modules], file=sys.stderr)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert '"method": "tachometer"' in done.stdout
    assert '"method": "signal"' in done.stdout
    assert done.stderr.splitlines()[-1] == ""


def test_no_file_names_a_place_on_somebodys_machine() -> None:
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"], capture_output=True, cwd=ROOT
    )
    if listed.returncode:
        pytest.skip("not a git checkout: which files belong to the project cannot be told")
    place = re.compile(rb"(?<![\w./~-])/(?:home|root|Users|work|tmp|mnt|opt|usr|var)/\w")
    text = {".py", ".toml", ".md", ".j2", ".css", ".js", ".yml", ".yaml", ".txt", ".cfg", ".sh", ".csv"}
    found = []
    for name in listed.stdout.decode().split("\0"):
        path = ROOT / name
        if path.suffix not in text or path == Path(__file__) or not path.is_file() or path.stat().st_size > 500_000:
            continue
        found += [
            f"{name}:{number}"
            for number, line in enumerate(path.read_bytes().splitlines(), start=1)
            if place.search(line) and not line.startswith(b"#!")
        ]
    assert found == []


def test_everything_public_says_what_it_is() -> None:
    """Modules, and their classes and functions; a method or property may be known by its name."""
    assert [f"{path.relative_to(ROOT)}:{line}" for path in FILES for line in facts(path).silent] == []
