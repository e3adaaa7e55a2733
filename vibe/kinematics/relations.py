"""Linear relations between body speeds, and their exact solution."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from vibe.core.errors import ConfigError

ZERO, ONE = Fraction(0), Fraction(1)
"""Orders as exact fractions: a body at rest, and the input."""

Speeds = Mapping[str, Fraction]
"""Body -> signed order of the input."""


@dataclass(frozen=True, slots=True)
class Relation:
    """Sum of ``terms[body] * speed[body]`` equals ``total``."""

    terms: Mapping[str, Fraction]
    total: Fraction = ZERO


@dataclass(frozen=True, slots=True)
class Linkage:
    """What a stage adds to a drive: bodies (name, what it is), relations, and the body that leaves it."""

    bodies: tuple[tuple[str, str], ...]
    relations: tuple[Relation, ...]
    output: str


def held(body: str, order: Fraction = ZERO) -> Relation:
    """The body turns at a given order; at 0 it is bolted to the housing."""
    return Relation({body: ONE}, order)


def joined(first: str, second: str) -> Relation:
    """Both bodies turn as one."""
    return Relation({first: ONE, second: -ONE})


def inside_mesh(outer: str, outer_count: int, inner: str, inner_count: int, centre: str) -> Relation:
    """An outer ring of pins or teeth and a wheel inside it, whose centre is carried round by ``centre``.

    outer_count * (f_outer - f_centre) = inner_count * (f_inner - f_centre), the law of the cycloidal pair
    (Yang, Zhou, Chang & Chen 2021, Mech. Mach. Theory 163, 104384, Eq. 1) and of any internal gear pair.
    """
    return Relation(
        {outer: Fraction(outer_count), inner: Fraction(-inner_count), centre: Fraction(inner_count - outer_count)}
    )


def outside_mesh(first: str, first_count: int, second: str, second_count: int, centre: str) -> Relation:
    """Two wheels side by side on a common carrier (Willis 1841): they turn against each other, seen from it."""
    return Relation(
        {first: Fraction(first_count), second: Fraction(second_count), centre: Fraction(-first_count - second_count)}
    )


def solve(bodies: Sequence[str], relations: Sequence[Relation]) -> dict[str, Fraction]:
    """Speeds of all bodies, by Gaussian elimination in exact fractions.

    Raises:
        ConfigError: the train is locked (relations contradict each other) or a body is free to turn.
    """
    column = {body: index for index, body in enumerate(bodies)}
    rows: list[list[Fraction]] = []
    for relation in relations:
        row = [ZERO] * (len(bodies) + 1)
        for body, factor in relation.terms.items():
            row[column[body]] += factor
        row[-1] = relation.total
        rows.append(row)

    pivots: list[int] = []
    for index in range(len(bodies)):
        rank = len(pivots)
        found = next((r for r in range(rank, len(rows)) if rows[r][index]), None)
        if found is None:
            continue
        rows[rank], rows[found] = rows[found], rows[rank]
        lead = rows[rank][index]
        rows[rank] = [value / lead for value in rows[rank]]
        for r, row in enumerate(rows):
            if r != rank and row[index]:
                factor = row[index]
                rows[r] = [value - factor * own for value, own in zip(row, rows[rank], strict=True)]
        pivots.append(index)

    if any(row[-1] for row in rows[len(pivots) :]):
        raise ConfigError(f"the train of {', '.join(bodies)} is locked: its parts cannot turn when the input turns")
    # A pivot row that still holds another body depends on one that nothing holds.
    loose = {i for i in range(len(bodies)) if i not in pivots}
    free = [bodies[i] for r, i in enumerate(pivots) if any(rows[r][other] for other in loose)]
    free += [bodies[i] for i in sorted(loose)]
    if free:
        raise ConfigError(f"the train leaves {', '.join(free)} free: nothing settles the speed")
    return {bodies[index]: rows[r][-1] for r, index in enumerate(pivots)}
