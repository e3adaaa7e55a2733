"""The shell around every page: templates, the one stylesheet, the state's sign."""

from __future__ import annotations

import base64
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from vibe.core.text import dates_in_words
from vibe.report import history_words, words
from vibe.report.pages.content_policy import PLACE, loader, with_policy

TEMPLATES = Path(__file__).parents[1] / "templates"
"""Of all pages, next to this room's folders."""

_SIGNS = {
    "act": '<path d="M12 1.5 23 21.5H1Z" fill="#d55e00"/>'
    '<path d="M12 8v7M12 17.2v2" stroke="#fff" stroke-width="2.4" fill="none"/>',
    "plan": '<rect x="2" y="2" width="20" height="20" fill="#fff" stroke="#9a6700" stroke-width="2.4"/>'
    '<path d="M2 22V2L22 22Z" fill="#e69f00"/>',
    "watch": '<circle cx="12" cy="12" r="9.6" fill="#fff" stroke="#0072b2" stroke-width="2.8"/>'
    '<circle cx="12" cy="12" r="4" fill="#0072b2"/>',
    "unknown": '<circle cx="12" cy="12" r="9.6" fill="#fff" stroke="#555" stroke-width="2.2"'
    ' stroke-dasharray="3.6 2.4"/>'
    '<path d="M9 9.5a3 3 0 1 1 4.2 2.7c-.9.5-1.2 1-1.2 2M12 16.4v1.9" stroke="#333" stroke-width="2" fill="none"/>',
    "sound": '<circle cx="12" cy="12" r="11" fill="#009e73"/>'
    '<path d="m6.5 12.5 3.8 3.8 7.2-8" stroke="#fff" stroke-width="2.8" fill="none"/>',
}
"""One shape per state, so that it reads without colour: triangle, half-filled square, ring, broken ring, tick."""

STATE_COLOUR = {"act": "#d55e00", "plan": "#e69f00", "watch": "#0072b2", "unknown": "#777777", "sound": "#009e73"}
"""Okabe and Ito (2008)."""


def sign(state: str) -> Markup:
    """The state's shape; the word always stands next to it, so it is hidden from readers of the text."""
    return Markup(f'<svg class="sign" viewBox="0 0 24 24" aria-hidden="true" focusable="false">{_SIGNS[state]}</svg>')


def coloured(name: str, colours: Mapping[Any, str]) -> str:
    """Rules that give boxes of class ``name`` the colour of what they say; a policy allows no ``style`` attributes."""
    return "".join(f".{name}.is-{what} {{ border-left-color: {colour}; }}\n" for what, colour in colours.items())


def data_uri(svg_text: str) -> str:
    """A picture inside the page itself."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg_text.encode("utf-8")).decode("ascii")


def breakable(identifier: str) -> Markup:
    """An identifier that may wrap after its dots and underscores."""
    return Markup("<wbr>").join(re.split(r"(?<=[._/])", words.printable(identifier)))


def _shown(value: Any) -> Any:
    """What a template puts out: every text without control characters, whoever wrote it."""
    return words.printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True, finalize=_shown,
    )  # fmt: skip
    environment.filters |= {
        "number": words.number, "percent": words.probability, "odds": words.odds, "when": words.when,
        "component": words.component, "parts_named": words.parts_named, "seconds": words.seconds,
        "frequency": words.frequency,
        "fraction": words.fraction, "direction": words.direction, "sentence_case": words.sentence_case,
        "printable": words.printable, "breakable": breakable, "dated": dates_in_words, "unit": words.unit,
        "loader": loader,
    }  # fmt: skip
    environment.filters |= history_words.FILTERS
    environment.globals |= {
        "sign": sign,
        "heading": words.heading,
        "state_meaning": words.STATE_MEANING,
        "style": Markup((TEMPLATES / "style.css").read_text(encoding="utf-8") + coloured("verdict", STATE_COLOUR)),
        "widths": Markup("".join(f".w{n}{{width:{n}%}}" for n in range(101))),
        "policy_place": PLACE,
        "not_known": words.NOT_KNOWN,
    }
    return environment


def render(template: str, **values: Any) -> str:
    """A page; whatever is text in ``values`` comes out escaped. It may run the ``scripts`` among
    them, or the one ``own_script``, and no others."""
    return with_policy(
        _environment().get_template(template).render(**values), values.get("scripts", ()), values.get("own_script", "")
    )
