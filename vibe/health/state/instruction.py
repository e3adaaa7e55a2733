"""What is to be done and by when, said once: every page, the terminal and the JSON take it from here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from vibe.core.health import State
from vibe.health.state.settings import Judgement, scaled_days

WHOLE_DRIVE = "the drive"
AGAIN = "repeat the measurement"
"""What most remedies end with, and what some states ask for."""
SAME_WAY = " the same way"
"""How it is repeated, unless the remedy asks for another way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Instruction:
    """``what`` is the instruction with its date, and that of the first measurement where it asks for some before it;
    ``short`` its first clause, for a sentence that has named the part."""

    what: str
    short: str


def instruction(
    state: State,
    judgement: Judgement,
    *,
    part: str = "",
    first: str = "",
    consequence: str | None = None,
    measured_at: datetime | None = None,
) -> Instruction:
    """What a state asks for, of which part, and by when.

    ``part`` is what to inspect; ``first`` what must be done before that can be (a sensor mounted again). Days count
    from the measurement, fewer the worse the consequence of a failure is; without ``measured_at`` they stay days.
    """
    deadline, factor = judgement.deadline_for(state), judgement.consequence_factor(consequence)
    days = judgement.days_until(state, consequence)
    when = _by(days, measured_at) or f"within {days} day{'' if days == 1 else 's'} of the measurement"
    form = deadline.what if "{when}" in deadline.what else f"{deadline.what}, {{when}}"
    before = f"{first.strip().rstrip('.')}. " if first.strip() else ""
    if deadline.every_days is not None:
        between = min(days, scaled_days(deadline.every_days, factor))
        # The first of them comes before all else, so its day is said: no worse state asks for anything later.
        first_one = _by(between, measured_at)
        form = form.replace("{every}", f"{first_one} and {_every(between)}" if first_one else _every(between))
    elif before:
        form = form.partition(";")[0]
    short = form
    asked = before.lower().find(AGAIN)
    if asked >= 0 and form.lower().startswith(AGAIN):
        # The remedy asks for the measurement already: only the date is left to say, where it does.
        end = asked + len(AGAIN)
        form = form[len(AGAIN) :].replace(SAME_WAY, "")
        short = f"{AGAIN}{form}"
        if before[end:] == ". ":
            before = before[:end]
        else:
            before, form = before[:end], f" {{when}}{before[end:].rstrip('. ')}"
    whole = form.replace("{part}", part or WHOLE_DRIVE).replace("{when}", when)
    clause = short.partition(";")[0].replace("{part}", "it").replace("{when}", when)
    return Instruction(what=f"{before}{whole.rstrip('.')}.", short=clause[:1].lower() + clause[1:])


def _by(days: int, measured_at: datetime | None) -> str:
    """The day that lies so many days after the measurement; empty where nobody knows when that was."""
    return "" if measured_at is None else f"by {(measured_at + timedelta(days=days)).date().isoformat()}"


def _every(days: int) -> str:
    """How often, for a sentence."""
    return {1: "every day", 7: "every week"}.get(days, f"every {days} days")
