"""What is handed out holds what it needs and nothing else. ``.ci/package`` also installs and runs it."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import pytest

from tests.packaging.contents import (
    ROOT,
    SHARED,
    of_source_archive,
    of_wheel,
    wrong_with_source_archive,
    wrong_with_wheel,
)

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))


def test_the_wheel_takes_along_what_a_clone_has_next_to_the_package() -> None:
    from vibe.flow.settings import share_dir

    taken = PROJECT["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]
    assert taken == {name: f"vibe/share/{name}" for name in SHARED}
    # In place or out of a wheel: the same folders by the same names.
    assert all((share_dir() / name).is_dir() for name in SHARED)


def test_every_dependency_has_a_floor_and_no_ceiling() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    for line in [*PROJECT["project"]["dependencies"], *extras["test"], *extras["cluster"]]:
        name, _, marker = line.partition(";")
        if "win32" not in marker:
            assert re.fullmatch(r"[\w.\[\]-]+>=[\d.]+", name.strip()), line


@pytest.mark.parametrize("kind", ["wheel", "sdist"])
def test_what_is_built_holds_what_it_should(tmp_path: Path, kind: str) -> None:
    wheel = pytest.importorskip("hatchling.builders.wheel", reason="needs hatchling, which builds without a network")
    sdist = pytest.importorskip("hatchling.builders.sdist", reason="needs hatchling")
    builder = (wheel.WheelBuilder if kind == "wheel" else sdist.SdistBuilder)(str(ROOT))
    (built,) = map(Path, builder.build(directory=str(tmp_path), versions=["standard"]))
    wrong = (
        wrong_with_wheel(of_wheel(built)) if kind == "wheel" else wrong_with_source_archive(of_source_archive(built))
    )
    assert wrong == []


@pytest.mark.parametrize(
    ("entries", "kind"),
    [
        ([], "none"),
        ([{"license": {"id": "BSD-3-Clause"}}], "permissive"),
        ([{"expression": "Apache-2.0 OR BSD-3-Clause"}], "permissive"),
        ([{"license": {"id": "MPL-2.0"}}], "look"),
        ([{"license": {"name": "a licence of its own"}}], "look"),
    ],
)
def test_a_licence_that_a_person_must_look_at_is_listed_apart(entries: list[dict[str, object]], kind: str) -> None:
    from tests.packaging.licences import kind as kind_of
    from tests.packaging.licences import licences

    assert kind_of(licences({"licenses": entries})) == kind


def test_a_package_without_a_licence_ends_the_table_with_status_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from tests.packaging.licences import main

    bill = tmp_path / "bill.json"
    good = {"name": "a", "version": "1", "licenses": [{"license": {"id": "MIT"}}]}
    for components, status in (([good], 0), ([good, {"name": "b", "version": "2"}], 1), ([], 1)):
        bill.write_text(json.dumps({"components": components}))
        assert main(bill) == status
    assert "No licence stated: b" in capsys.readouterr().out
