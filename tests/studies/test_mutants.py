from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.studies import mutants
from tests.studies.mutant_runs import Patch, in_a_copy
from tests.studies.unjudged import UNJUDGED


def found_in(text: str, tmp_path: Path) -> list[mutants.Constant]:
    path = tmp_path / "module.py"
    path.write_text(text, encoding="utf-8")
    return list(mutants.constants(path))


def test_numbers_of_constants_are_found_and_ranks_are_not(tmp_path: Path) -> None:
    text = (
        'LEAST_DB = 3.0\n"""Why."""\n_MOST: int = 12\nBAND_HZ = (10.0, 1e3)  # ISO\nlower = 5\nNOTHING = 0\n'
        'RANK = {"a": 0, "b": 1, "c": 2}\nLOW, HIGH = 1, 2.0\nSHARE = {"a": 0.2, "b": 1}\n'
    )
    found = found_in(text, tmp_path)
    assert [(one.name, one.text, one.worded) for one in found] == [
        ("LEAST_DB", "3.0", True), ("_MOST", "12", False), ("BAND_HZ", "10.0", True), ("BAND_HZ", "1e3", True),
        ("LOW, HIGH", "1", False), ("LOW, HIGH", "2.0", False),
        ("SHARE", "0.2", False), ("SHARE", "1", False),
    ]  # fmt: skip


def test_defaults_of_fields_and_parameters_are_found_and_limits_of_what_may_be_given_are_not(tmp_path: Path) -> None:
    text = (
        'class Limits:\n    """Why."""\n    least: float = 3.0\n    of: list[int] = Field(default=[2, 5], gt=1)\n'
        "    most: Annotated[int, Field(ge=1)] = 4\n    name: str = Field(max_length=20)\n"
        "def f(one: int, two: float = 2.0, *, three: int = 3, four: int = 0) -> None:\n    five = 5\n"
    )
    found = found_in(text, tmp_path)
    assert [(one.owner, one.name, one.text, one.worded) for one in found] == [
        ("Limits", "least", "3.0", True), ("Limits", "of", "2", True), ("Limits", "of", "5", True),
        ("Limits", "most", "4", True), ("f()", "two", "2.0", False), ("f()", "three", "3", False),
    ]  # fmt: skip


def test_numbers_that_are_left_alone_are_there_and_say_why() -> None:
    there = {one.key for file in sorted((mutants.ROOT / "vibe").rglob("*.py")) for one in mutants.constants(file)}
    assert sorted(set(UNJUDGED) - there) == []
    assert all(len(reason.split()) >= 4 for reason in UNJUDGED.values())


def moved_in_a_copy(file: str, name: str, new: str, look: Callable[[], object]) -> object:
    """What ``look`` sees after the first number of that name was changed; a copy of this process is changed, not it."""
    constant = next(one for one in mutants.constants(mutants.ROOT / file) if one.name == name)
    change = mutants.as_change(constant, new)

    def work() -> object:
        Patch(change, dry=False)
        return look()

    return in_a_copy(work, longest_s=20)


@pytest.mark.slow
def test_a_change_reaches_what_was_made_of_the_number_and_who_took_it_over() -> None:
    from vibe.spectra.presence import axes
    from vibe.spectra.rivals import line_heights

    def look() -> object:
        return [vars(module)["ANTI_ALIAS"] for module in (axes, line_heights)]

    assert moved_in_a_copy("vibe/spectra/presence/axes.py", "ANTI_ALIAS", "1", look) == [1 / 2.56] * 2
    assert look() == [2 / 2.56] * 2


@pytest.mark.slow
def test_a_changed_default_of_a_field_holds_for_what_is_made_and_was_made() -> None:
    from vibe.ingest.quality.thresholds import THRESHOLDS, Thresholds

    def look() -> object:
        return [THRESHOLDS.clip_pile, Thresholds().clip_pile]

    assert moved_in_a_copy("vibe/ingest/quality/thresholds.py", "clip_pile", "6.0", look) == [6.0, 6.0]
    assert look() == [3.0, 3.0]


@pytest.mark.parametrize(("text", "moved"), [("3.0", ("6.0", "1.5")), ("12", ("24", "6")), ("1", ("2",))])
def test_a_number_is_doubled_and_halved(text: str, moved: tuple[str, ...], tmp_path: Path) -> None:
    (constant,) = found_in(f"MANY = {text}\n", tmp_path)
    assert constant.moved() == moved


def test_only_that_number_is_changed_whatever_stands_before_it(tmp_path: Path) -> None:
    text = 'A = ("µm", 2.0, 2.0)\nB = 2.0\n'
    found = found_in(text, tmp_path)
    assert mutants.changed(found[1], "4.0") == 'A = ("µm", 2.0, 4.0)\nB = 2.0\n'


def test_every_number_of_the_package_has_words() -> None:
    """A comment or a docstring says where it comes from, or what it is."""
    assert [str(one) for one in mutants.without_words()] == []


@pytest.mark.slow
def test_a_change_that_a_test_holds_is_noticed_and_one_that_nothing_holds_is_not(tmp_path: Path) -> None:
    """A package of one module and a test of it, run as the study runs them."""
    package = tmp_path / "tree" / "held"
    package.mkdir(parents=True)
    (package / "__init__.py").write_text("HELD = 2\nLOOSE = 2\n", encoding="utf-8")
    test = tmp_path / "test_held.py"
    test.write_text("from held import HELD\n\n\ndef test_it() -> None:\n    assert HELD == 2\n", encoding="utf-8")
    with mutants.Tester(package.parent) as tester:
        assert tester.passes([test])
        held, loose = mutants.constants(package / "__init__.py")
        for constant, noticed in ((loose, False), (held, True)):
            before = constant.path.read_text(encoding="utf-8")
            constant.path.write_text(mutants.changed(constant, "4"), encoding="utf-8")
            assert tester.passes([test]) is not noticed
            constant.path.write_text(before, encoding="utf-8")
