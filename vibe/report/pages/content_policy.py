"""What a page may do, as its content security policy says it: show itself, load the scripts next to it, nothing more.

A page without scripts allows one thing: its own style sheet, named by its hash. A page with plots also allows one
script, by its hash: a line that loads the files next to the page. What is loaded so may run (``strict-dynamic``), a
script that found its way into the text may not, not even one that lies in a file: without this, ``file:`` would have
to be allowed, and with it every script on the disk or on a share. Nothing is allowed to turn text into code. Plots put
style sheets of their own into the page, so there these are allowed, but no ``style`` attribute of the text.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence

from markupsafe import Markup

PLACE = "the policy of this page"
"""Stands in the templates where the policy comes, before anything that is not ours."""
_NEVER = "base-uri 'none'; form-action 'none'"


def loader(scripts: Sequence[str]) -> Markup:
    """The script of a page that loads ``scripts`` (paths seen from the page) one after the other."""
    names = json.dumps(list(scripts)).replace("<", "\\u003c")
    return Markup(
        f"for (const name of {names}) {{ const one = document.createElement('script'); one.src = name; "
        "one.async = false; document.body.append(one); }"
    )


def policy(style: str, scripts: Sequence[str] = (), own_script: str = "") -> str:
    """The policy of a page with this style sheet, which loads these scripts, or has one of its own inside."""
    if scripts:
        return (
            f"default-src 'none'; script-src '{_hash(loader(scripts))}' 'strict-dynamic'; "
            f"style-src 'unsafe-inline'; style-src-attr 'none'; img-src data:; {_NEVER}"
        )
    own = f"script-src '{_hash(own_script)}'; " if own_script else ""
    return f"default-src 'none'; {own}style-src '{_hash(style)}'; img-src data:; {_NEVER}"


def with_policy(page: str, scripts: Sequence[str] = (), own_script: str = "") -> str:
    """``page`` with its policy in place."""
    style = page.partition("<style>")[2].partition("</style>")[0]
    return page.replace(PLACE, policy(style, scripts, own_script), 1)


def _hash(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")
