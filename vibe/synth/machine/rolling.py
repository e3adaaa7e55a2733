"""Body speeds from circles that roll on one another: linear equations, solved as floating-point numbers."""

from __future__ import annotations

import numpy as np


class RollingCircles:
    """Equations in the speeds of named bodies: each row sums to zero."""

    def __init__(self) -> None:
        self.names: list[str] = []
        self.rows: list[dict[str, float]] = []

    def add(self, **speeds: float) -> None:
        for name in speeds:
            if name not in self.names:
                self.names.append(name)
        self.rows.append(speeds)

    def inside(self, inner: str, outer: str, arm: str, inner_radius: float, outer_radius: float) -> None:
        """A circle rolls inside another on an arm: both surfaces run the same way seen from the arm."""
        self.add(**_summed((inner, inner_radius), (outer, -outer_radius), (arm, outer_radius - inner_radius)))

    def outside(self, one: str, other: str, arm: str, radius: float, other_radius: float) -> None:
        """Two circles roll on each other from outside: their surfaces meet, so they turn oppositely."""
        self.add(**_summed((one, radius), (other, other_radius), (arm, -radius - other_radius)))

    def same(self, one: str, other: str) -> None:
        self.add(**{one: 1.0, other: -1.0})

    def still(self, body: str) -> None:
        self.add(**{body: 1.0})

    def solve(self, driver: str, speed: float) -> dict[str, float]:
        self.add(**{driver: 1.0})
        matrix = np.array([[row.get(name, 0.0) for name in self.names] for row in self.rows])
        right = np.zeros(len(self.rows))
        right[-1] = speed
        solution = np.linalg.solve(matrix, right)
        return {name: float(value) for name, value in zip(self.names, solution, strict=True)}


def _summed(*terms: tuple[str, float]) -> dict[str, float]:
    total: dict[str, float] = {}
    for name, value in terms:
        total[name] = total.get(name, 0.0) + value
    return total
