"""``vibe run`` of a recipe of kind commissioning."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.cli.shared.exit_status import WRONG_CALL, refuse, strictly

if TYPE_CHECKING:
    from vibe.core.records.acceptance import Outcome
    from vibe.report.certificate.proof.keys import SigningKeys


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

    keys = _signing_keys(recipe)
    refused: list[str] = []
    try:
        with Waiting() as waiting:
            done = run_commissioning(
                recipe, captures=captures, out=out, workers=workers, force=force, pdf=pdf, progress=waiting, keys=keys,
                refused=refused,
            )  # fmt: skip
    except KeyboardInterrupt as stop:
        how_far = str(stop) or "interrupted"
        stop.args = (f"{how_far}; certificates that were written stay, and the same command makes the others",)
        raise
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
    if len(done) > 1:
        output.note(f"The page that lists all of them: {done[0].files[0].parents[1] / 'certificates.html'}")
    for sentence in refused[1:]:
        output.note(f"refused: {sentence}")
    if refused:
        more = f"; and {len(refused) - 1} more sets were refused" if len(refused) > 1 else ""
        refuse(f"{refused[0]}{more}", WRONG_CALL)
    strictly(any(one.acceptance.answer != "pass" for one in done), strict)


def _signing_keys(recipe: Path) -> SigningKeys | None:
    """The keys that the recipe names, opened before anything is measured; None where it names none."""
    from vibe.cli.shared.pass_phrase import pass_phrase
    from vibe.ingest import load_recipe
    from vibe.report.certificate.proof.keys import load_keys, signer_of

    place = load_recipe(recipe).keys
    if place is None:
        return None
    signer_of(place)
    return load_keys(place, pass_phrase(None))


def _settles(outcomes: Sequence[Outcome]) -> str:
    """What would settle what is open."""
    return " ".join(dict.fromkeys(one.settles for one in outcomes if one.answer == "undetermined" and one.settles))
