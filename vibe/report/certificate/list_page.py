"""One page that lists all certificates of a run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from vibe.core.records.acceptance import Acceptance, Answer
from vibe.report.certificate.document import SHORT_HASH
from vibe.report.certificate.view import answer_sign, sentence
from vibe.report.pages import shell
from vibe.storage.files import write_whole

NAME = "certificates.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedCertificate:
    """One row. ``places``: (form, address seen from the page) of its files."""

    acceptance: Acceptance
    seal: str
    places: tuple[tuple[str, str], ...]


def write_list(
    title: str, listed: Sequence[ListedCertificate], refused: Sequence[str], out: Path, *, force: bool
) -> Path:
    """Write the page into ``out``; ``refused``: a sentence for each set of which no certificate was made.

    Raises:
        OutputError: it is there already and ``force`` is not given, or cannot be written.
    """
    order = {"fail": 0, "undetermined": 1, "pass": 2}
    rows = sorted(listed, key=lambda one: (order[one.acceptance.answer], one.acceptance.serial))
    counts = [
        (answer, sum(one.acceptance.answer == answer for one in rows)) for answer in ("pass", "fail", "undetermined")
    ]
    page = shell.render(
        "certificates.html.j2",
        title=title,
        rows=[
            {
                "a": one.acceptance,
                "sentence": sentence(one.acceptance),
                "seal": one.seal[:SHORT_HASH],
                "left": [("Not met", _texts(one, "fail")), ("Not decided", _texts(one, "undetermined"))],
                "places": one.places,
            }
            for one in rows
        ],
        counts=[(answer, count) for answer, count in counts if count],
        refused=refused,
        answer_sign=answer_sign,
        list_style=Markup((shell.TEMPLATES / "certificates.css").read_text(encoding="utf-8")),
        short_hash=SHORT_HASH,
    )
    return write_whole(out / NAME, page, force=force)


def _texts(one: ListedCertificate, answer: Answer) -> list[str]:
    """What requirements of that answer ask for."""
    return [outcome.requirement.text for outcome in one.acceptance.outcomes if outcome.answer == answer]
