"""Templates of the desk, and what every page of it needs."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from vibe.core.text import printable
from vibe.desk.words import FILTERS, shift_bar

HERE = Path(__file__).parent
STATIC = HERE / "static"


def _shown(value: Any) -> Any:
    """What a template puts out: every text without control characters, whoever wrote it."""
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def lines(text: str) -> Markup:
    """A text that is edited, its lines as they are; each without control characters."""
    return Markup("\n").join(printable(one) for one in text.split("\n"))


@cache
def static_hash() -> str:
    """Part of the address of static files: a page never meets the script of another version."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.iterdir()):
        if path.is_file():
            digest.update(path.name.encode() + path.read_bytes())
    return digest.hexdigest()[:12]


@cache
def environment() -> Environment:
    """The templates; all that is not markup of ours comes out escaped."""
    made = Environment(
        loader=FileSystemLoader(HERE / "templates"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_shown,
    )  # fmt: skip
    made.filters |= FILTERS | {"tojson_attr": lambda value: json.dumps(value), "lines": lines}
    made.globals |= {"sign": sign, "shift_bar": shift_bar}
    return made


def warm() -> None:
    """Compile all templates, so that no first page waits for that."""
    for name in environment().list_templates():
        environment().get_template(name)


def sign(name: str) -> Markup:
    """A shape per cause and state, by reference to the head's; the word always stands next to it."""
    return Markup(
        '<svg class="sign" viewBox="0 0 24 24" aria-hidden="true" focusable="false"><use href="#s-{}"/></svg>'
    ).format(name.replace(" ", "-"))


def render(template: str, **values: Any) -> str:
    """A page or a part of one."""
    return environment().get_template(template).render(**values)
