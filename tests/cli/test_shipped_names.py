"""From an empty folder: what comes with the program is named as the guide names it, and what lies here goes first."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from tests.cli.calls import Vibe
from vibe.cli.shared import shipped
from vibe.cli.shared.pulse import Pulse
from vibe.core.errors import CallError
from vibe.flow.settings import share_dir


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_recipes_that_come_along_are_listed(vibe: Vibe, here: Path) -> None:
    answer = vibe("run", "--list")
    assert answer.status == 0
    header, *rows = [line.split("\t") for line in answer.out.splitlines()]
    assert header == ["recipe", "kind", "title", "about"]
    assert {row[0]: row[1] for row in rows} == {
        "alarms": "alarms", "commissioning": "commissioning", "round": "route", "route": "route"
    }  # fmt: skip
    assert all(row[3].endswith(".") for row in rows)


def test_a_bare_name_is_a_shipped_recipe_unless_it_lies_here(here: Path) -> None:
    assert shipped.recipe_named(Path("round")) == (share_dir() / "pipelines" / "round.toml", True, "")
    assert shipped.recipe_named(Path("round.toml"))[1]
    own = here / "round.toml"
    own.write_text("", encoding="utf-8")
    for name in ("round", "round.toml"):
        path, is_shipped, note = shipped.recipe_named(Path(name))
        assert (path.resolve(), is_shipped) == (own, False)
        assert "round.toml of this folder is run, not the recipe 'round' that comes with vibe" in note
    assert shipped.recipe_named(own) == (own, False, "")
    with pytest.raises(CallError, match="did you mean 'alarms'"):
        shipped.recipe_named(Path("alarm"))


def test_a_shipped_recipe_takes_the_captures_of_this_folder_or_asks_for_them(vibe: Vibe, here: Path) -> None:
    recipe = share_dir() / "pipelines" / "round.toml"
    if (share_dir() / "practice" / "march").exists():
        pytest.skip("somebody made a practice round next to the program")
    answer = vibe("run", "round")
    assert answer.status == 2
    assert answer.errors == [
        "error: the recipe 'round' that comes with vibe needs the folder of your captures: --captures DIR"
    ]
    (here / "practice" / "march").mkdir(parents=True)
    assert shipped.recipe_captures(recipe) == Path("practice/march")
    assert "holds no capture" in vibe("run", "round").errors[0]
    assert vibe("run").errors == ["error: name a recipe; --list shows those that come with vibe"]


def test_paths_of_the_guide_hold_in_any_folder_and_own_files_go_first(vibe: Vibe, here: Path) -> None:
    name = "configs/drives/thickener_rake_south.toml"
    first = vibe("tones", name)
    assert first.status == 0, first.err
    assert first.err == f"note: not in this folder, so the one that comes with vibe is taken: {name}\n"
    own = here / name
    own.parent.mkdir(parents=True)
    own.write_text((share_dir() / name).read_text(encoding="utf-8").replace("TH-02", "MINE"), encoding="utf-8")
    second = vibe("tones", name)
    assert (second.status, second.err) == (0, "")
    given, note = shipped.with_shipped(
        {"drives": ["configs/drives/*.toml", "configs/nothing.toml"], "out": Path("configs"), "n": 3, "json": name}
    )
    assert given == {
        "drives": ["configs/drives/*.toml", "configs/nothing.toml"], "out": Path("configs"), "n": 3, "json": name
    }  # fmt: skip
    assert note == ""
    given, note = shipped.with_shipped({"route": Path("configs/routes/water_works.toml"), "x": "configs/../configs"})
    assert given["route"] == share_dir() / "configs" / "routes" / "water_works.toml"
    assert given["x"] == "configs/../configs"


class Clock:
    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_a_sign_of_life_comes_after_two_quiet_seconds_and_makes_way() -> None:
    stream, clock = io.StringIO(), Clock()
    pulse = Pulse(stream, clock)
    for clock.now_s in (0.5, 1.5):
        pulse.beat()
    assert stream.getvalue() == ""
    clock.now_s = 3.0
    pulse.beat()
    assert stream.getvalue() == "working, 3 s"
    pulse.quiet()
    assert stream.getvalue().endswith("\r" + " " * 12 + "\r")
    length = len(stream.getvalue())
    clock.now_s = 4.0
    pulse.beat()
    pulse.rest()
    clock.now_s = 99.0
    pulse.beat()
    assert len(stream.getvalue()) == length
    pulse.rest(False)
    clock.now_s = 102.0
    pulse.beat()
    assert stream.getvalue().endswith("working, 102 s")
    pulse.stop()
    pulse.beat()
    assert stream.getvalue().endswith("\r")
