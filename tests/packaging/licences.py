"""Licences in a bill of materials, as a table: ``python tests/packaging/licences.py materials.cdx.json``."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path
from typing import Any

PERMISSIVE = re.compile(r"MIT|BSD|Apache|ISC|PSF|Python-2\.0|Zlib|CC0|HPND|Unlicense", re.IGNORECASE)
ASKS_MORE = re.compile(r"GPL|MPL|EPL|CDDL|Mozilla|Affero", re.IGNORECASE)
CLASSIFIER = "License :: OSI Approved :: "


def licences(component: dict[str, Any]) -> tuple[str, ...]:
    """What a component of the bill states: expressions, SPDX names, or titles of the packages' own index."""
    stated = []
    for entry in component.get("licenses", []):
        licence = entry.get("license", {})
        stated.append(entry.get("expression") or licence.get("id") or licence.get("name") or "")
    named = tuple(one.removeprefix(CLASSIFIER) for one in stated if one)
    # Where an SPDX name stands, the index's own title repeats it.
    return tuple(one for one in named if not one.endswith("License") or len(named) == 1) or named


def kind(stated: tuple[str, ...]) -> str:
    """``none`` stated, ``look`` where one asks more of those who hand the package on, else ``permissive``."""
    if not stated:
        return "none"
    if any(ASKS_MORE.search(one) for one in stated):
        return "look"
    return "permissive" if all(PERMISSIVE.search(one) for one in stated) else "look"


def main(bill: Path) -> int:
    """Print the table; returns the status."""
    components = sorted(json.loads(bill.read_text())["components"], key=lambda one: one["name"].lower())
    rows = [(one["name"], one["version"], licences(one)) for one in components]
    if not rows:
        print("the bill of materials is empty")
        return 1
    for name, version, stated in rows:
        print(f"{name:<28}{version:<18}{'; '.join(stated) or '-'}")
    for title, wanted in (("No licence stated", "none"), ("To be looked at by a person", "look")):
        found = [name for name, _, stated in rows if kind(stated) == wanted]
        print(f"{title}: {', '.join(found) or 'none'}")
    return int(any(kind(stated) == "none" for *_, stated in rows))


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
