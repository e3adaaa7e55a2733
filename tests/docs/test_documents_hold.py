"""README.md and the guide: forms are valid, links lead somewhere, and nothing that they should hold is missing."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from markdown_it import MarkdownIt
from pydantic import BaseModel

from tests.docs.documents import ALL, GUIDE, ROOT, Block, documents
from vibe.core.drive import Drive
from vibe.core.health import Health
from vibe.core.records.acceptance import CommissioningSet, Requirements
from vibe.core.route.recipe import Recipe
from vibe.core.route.route import Route
from vibe.ingest.config.sidecar import Sidecar
from vibe.ingest.route.file_rules import names_of
from vibe.ingest.tables.exceedances import read_exceedances
from vibe.ingest.tables.maintenance_log import EventBook
from vibe.report.pages.guide_pages import anchor
from vibe.report.pages.guide_topics import TOPICS

FORMS: dict[str, type[BaseModel]] = {
    "drive": Drive, "recipe": Recipe, "route": Route, "sidecar": Sidecar, "events": EventBook,
    "requirements": Requirements, "commissioning": CommissioningSet,
}  # fmt: skip
EXAMPLES = [block for block in ALL if block.language == "toml"]


@pytest.mark.parametrize("block", EXAMPLES, ids=lambda block: f"{block.document}:{block.line}")
def test_every_toml_example_is_of_its_form(block: Block) -> None:
    made = FORMS[block.said].model_validate(tomllib.loads(block.text))
    if isinstance(made, Route):
        assert names_of(made).rules


def test_the_example_of_exceedances_is_understood(tmp_path: Path) -> None:
    (block,) = (block for block in ALL if block.document == "analyst" and block.text.startswith("tag,"))
    (tmp_path / "alarms.csv").write_text(block.text, encoding="utf-8")
    read = read_exceedances(tmp_path / "alarms.csv")
    assert not read.bad
    assert read.rows[0].tag == "TH-02"
    assert read.rows[0].measure == "velocity_rms"


def test_each_form_has_an_example() -> None:
    assert {block.said for block in EXAMPLES} == set(FORMS)


def test_files_that_are_named_are_there() -> None:
    text = "\n".join(documents().values())
    named = set(re.findall(r"(?<![\w/])(?:configs|pipelines|sample_signals|tests|vibe/\w+)/[\w./-]*\w", text))
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def headings(text: str) -> set[str]:
    tokens = MarkdownIt("commonmark").parse(text)
    words = [
        "".join(child.content for child in tokens[place + 1].children or ())
        for place, token in enumerate(tokens)
        if token.type == "heading_open"
    ]
    return {anchor(one) for one in words}


@pytest.mark.parametrize("name", documents())
def test_links_and_pictures_lead_somewhere(name: str) -> None:
    folder = ROOT if name == "README" else GUIDE
    for token in MarkdownIt("commonmark").parse(documents()[name]):
        for child in token.children or ():
            if child.type == "image":
                picture = folder / str(child.attrs["src"])
                assert picture.stat().st_size < 200_000
                assert len(child.content.split()) > 3, "a picture says what is on it"
            if child.type == "link_open":
                target, _, place = str(child.attrs["href"]).partition("#")
                page = folder / target
                assert page.is_file(), target
                assert not place or place in headings(page.read_text(encoding="utf-8")), child.attrs["href"]


def test_every_topic_has_its_file_and_the_other_way_round() -> None:
    assert {path.stem for path in GUIDE.glob("*.md")} == set(TOPICS)
    shown = {Path(source).name for source in re.findall(r"\(pictures/([\w.]+)\)", "\n".join(documents().values()))}
    assert {path.name for path in (GUIDE / "pictures").iterdir()} == shown


def test_readme_is_short_and_names_every_topic() -> None:
    readme = documents()["README"]
    assert readme.count("\n") <= 160
    assert set(re.findall(r"vibe/guide/([\w-]+)\.md", readme)) == set(TOPICS)


def keys_of(schema: dict[str, Any]) -> set[str]:
    """Names of all fields of a JSON schema, whatever form they are in."""
    forms = [schema, *schema.get("$defs", {}).values()]
    return {key for form in forms for key in form.get("properties", {})}


def in_code(name: str) -> set[str]:
    """Words of a document that stand as code, in a line or in a block."""
    fenced = "```.*?```"
    text = documents()[name]
    found = re.findall(fenced, text, re.DOTALL) + re.findall(r"`([^`]+)`", re.sub(fenced, "", text, flags=re.DOTALL))
    return set(re.findall(r"\w+", " ".join(found)))


@pytest.mark.parametrize(("name", "form"), [("drive-file", Drive), ("captures", Sidecar)])
def test_every_key_is_explained(name: str, form: type[Drive | Sidecar]) -> None:
    assert keys_of(form.model_json_schema()) - in_code(name) - {"channels"} == set()


def test_every_kind_of_stage_is_explained() -> None:
    kinds = {
        kind
        for form in Drive.model_json_schema()["$defs"].values()
        for kind in [
            form.get("properties", {}).get("kind", {}).get("const"),
            *form.get("properties", {}).get("kind", {}).get("enum", []),
        ]
        if kind
    }
    assert "rv" in kinds
    assert all(f"`{kind}`" in documents()["drive-file"] for kind in kinds)


def test_fields_that_the_guide_names_are_in_the_report() -> None:
    table = documents()["reports"].partition("## For programs")[2]
    named = {word for row in re.findall(r"^\| (`.*?) \|", table, re.MULTILINE) for word in re.findall(r"`(\w+)`", row)}
    assert named >= {"state", "findings"}
    assert named <= Health.model_fields.keys()


def test_states_and_requirements_are_all_explained() -> None:
    from typing import get_args

    from vibe.core.health import State
    from vibe.core.records.acceptance import RequirementKind

    assert all(f"| `{state}` |" in documents()[name] for state in get_args(State) for name in ("README", "reports"))
    assert all(f"| `{kind}` |" in documents()["engineer"] for kind in get_args(RequirementKind))


def test_every_name_of_the_front_door_is_in_the_guide() -> None:
    import vibe

    page = documents()["python"]
    named = {name for name in vibe.__all__ if not re.search(rf"vibe\.{name}\b", page)}
    assert named == {"Result", "Store"}  # nobody writes these: they come from diagnose and open_store


def test_a_term_has_one_meaning() -> None:
    rows = re.findall(r"^\| (.+?) \| (.+?) \|$", documents()["glossary"], re.MULTILINE)
    terms = [term for row, _ in rows for term in re.split(r", | \(", row) if row not in {"Term", "---"}]
    assert len(terms) > 60
    assert [term for term in set(terms) if terms.count(term) > 1] == []


def test_words_and_units_are_spelt_one_way() -> None:
    """In prose; code has the spelling of files."""
    for name, text in documents().items():
        prose = re.sub(r"`[^`]*`", "", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
        for wrong in (r"\brpm\b", r"m/s\^2", r"\bstranger", r"\bhits?\b", r"\bstretch(es)?\b(?! them)"):
            found = re.search(wrong, prose)
            assert found is None, f"{name}: {prose[max(0, found.start() - 40) : found.end() + 20]!r}"
