"""Two drives of one type on one frame, one of them damaged: whose damage is it said to be?

Run: python -m tests.studies.twins --count 100

Pairs of ``tests/worlds/twins.py``, which know nothing of the program: the measured drive damaged with a sound one next
to it, the other one damaged, the measured one damaged and alone, or neither. Speeds differ by 0.02 to 1 %, captures
last 4 to 16 s, the other drive is 14 dB fainter to 4 dB louder at the point. A lobe and a ring pin stand at an exact
order of their own shaft, races within their slip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tests.studies.fleet import spread_out
from tests.studies.page import Clock, options, write_table
from tests.worlds.trial import ACCUSED_FROM, PARTS, health_from
from tests.worlds.twins import EXACT, SLIPPING, Pair, Whose, pair_case

WHOSE: tuple[Whose, ...] = ("own", "other", "alone", "nobody")
APART = ((0.0, 0.0007), (0.0007, 0.003), (0.003, 0.011))
"""Groups of relative differences of speed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What was said of one pair: ``accused`` and with what probability, ``right`` where that is the damaged part,
    whether the other machine is named as one that it may be, and the state."""

    pair: Pair
    accused: bool
    right: bool
    probability: float
    either: bool
    state: str


def pair_of(number: int) -> Pair:
    """A pair, always the same for its number."""
    rng = np.random.default_rng([number, 7])
    whose = WHOSE[rng.choice(4, p=[0.3, 0.35, 0.25, 0.1])]
    part = str(rng.choice([*EXACT, *SLIPPING]))
    apart = float(10 ** rng.uniform(-3.7, -2)) * int(rng.choice([-1, 1]))
    return Pair(
        whose=whose, part=part, apart=apart, seconds=float(rng.uniform(4, 16)), other_db=float(rng.uniform(-14, 4))
    )  # fmt: skip


def trial(number: int) -> Said:
    """One pair through files and the program's own steps."""
    return said_of(pair_of(number), number)


def said_of(pair: Pair, number: int) -> Said:
    """What the report says of ``pair``: the surest finding on the reducer's parts."""
    case = pair_case(pair, number)
    health = health_from(case)
    own = [finding for finding in health.findings if finding.component.startswith(PARTS)]
    first = max(own, key=lambda finding: finding.probability, default=None)
    wanted = {*case.damaged, *(tone.rpartition(".")[0] for tone in case.damaged if tone.startswith("bearing."))}
    return Said(
        pair=pair,
        accused=first is not None and first.probability >= ACCUSED_FROM,
        right=first is not None and (first.tone or first.component) in wanted,
        probability=0.0 if first is None else first.probability,
        either=first is not None and first.other_machine is not None,
        state=health.state,
    )


def rows(said: Sequence[Said]) -> list[dict[str, str | int]]:
    """A row for each that is damaged, kind of part and difference of speed."""
    table: list[dict[str, str | int]] = []
    for whose in WHOSE:
        for kind, parts in (("exact", EXACT), ("slips", SLIPPING)):
            for low, high in APART if whose in ("own", "other") else ((0.0, 1.0),):
                some = [
                    one for one in said
                    if one.pair.whose == whose and one.pair.part in parts and low <= abs(one.pair.apart) < high
                ]  # fmt: skip
                apart = f"{100 * low:g} to {100 * high:g} %" if high < 1 else ""
                table.append(
                    {
                        "damaged": whose, "part": kind, "apart": apart, "pairs": len(some),
                        "accused": sum(one.accused for one in some),
                        "right part": sum(one.accused and one.right for one in some),
                        "at 0.9 or more": sum(one.probability >= 0.9 for one in some),
                        "either drive": sum(one.either for one in some),
                        "plan or act": sum(one.accused and one.state in ("plan", "act") for one in some),
                    }
                )  # fmt: skip
    return table


def main() -> None:
    chosen = options(__doc__ or "", count=100, counts="pairs")
    clock = Clock()
    numbers = list(range(chosen.seed, chosen.seed + chosen.count))
    table = rows(list(spread_out(trial, numbers, workers=chosen.workers)))
    for row in table:
        print("  ".join(f"{key} {value}" for key, value in row.items()))
    print(write_table(chosen.out, "twins", table))
    print(f"took {clock}")


if __name__ == "__main__":
    main()
