"""``vibe run`` of a recipe of kind commissioning."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.cli.shared.exit_status import strictly

if TYPE_CHECKING:
    from vibe.core.records.acceptance import Outcome


def run_commissioning_recipe(
    recipe: Path,
    *,
    captures: Path | None,
    out: Path | None,
    workers: int | None,
    pdf: bool | None,
    force: bool,
    strict: bool,
) -> None:
    """Prove every set, and show its answers."""
    from vibe.cli.shared import output
    from vibe.cli.shared.progress import Waiting
    from vibe.flow.commissioning.acceptance import run_commissioning

    with Waiting() as waiting:
        done = run_commissioning(
            recipe, captures=captures, out=out, workers=workers, force=force, pdf=pdf, progress=waiting
        )
    rows = [
        [one.acceptance.serial, outcome.answer, outcome.requirement.id, outcome.where, outcome.why]
        for one in done
        for outcome in one.acceptance.outcomes
    ]
    rows += [
        [one.acceptance.serial, one.acceptance.answer, "in all", "", _settles(one.acceptance.outcomes)] for one in done
    ]
    output.show_rows(["serial", "answer", "requirement", "where", "why"], rows)
    for one in done:
        for remark in (*one.acceptance.remarks, *one.remarks):
            output.note(f"note: {remark}")
        output.note(f"The certificate of {one.acceptance.serial}: {one.files[-1]}")
    strictly(any(one.acceptance.answer != "pass" for one in done), strict)


def _settles(outcomes: Sequence[Outcome]) -> str:
    """What would settle what is open."""
    return " ".join(dict.fromkeys(one.settles for one in outcomes if one.answer == "undetermined" and one.settles))
