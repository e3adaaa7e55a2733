"""Two textbook formulas that reports and advice lean on."""

from __future__ import annotations

from typing import Literal


def rating_life_hours(
    load_rating_kn: float, load_kn: float, speed_rpm: float, element: Literal["ball", "roller"] = "ball"
) -> float:
    """Basic rating life L10 of a rolling bearing [h]: 10⁶ / (60 n) (C / P)^p, p = 3 for balls, 10/3 for rollers.

    ``speed_rpm`` is that of one ring against the other: in an eccentric bearing more than the input speed.
    Source: ISO 281.

    Raises:
        ValueError: a load or speed that is not positive.
    """
    if not (load_rating_kn > 0 and load_kn > 0 and speed_rpm > 0):
        raise ValueError(f"no life for C = {load_rating_kn} kN, P = {load_kn} kN, n = {speed_rpm} r/min")
    exponent = 3.0 if element == "ball" else 10.0 / 3.0
    return float(1e6 / (60.0 * speed_rpm) * (load_rating_kn / load_kn) ** exponent)


def permissible_unbalance_g_mm(grade_mm_s: float, rotor_mass_kg: float, speed_rpm: float) -> float:
    """Permissible residual unbalance [g mm] of a rigid rotor of balance grade G [mm/s]: 9549 G / n times its mass.

    9549 is 60 000 / (2 pi) to four digits, as the standard prints it. Source: ISO 21940-11 (formerly ISO 1940-1).

    Raises:
        ValueError: a grade, mass or speed that is not positive.
    """
    if not (grade_mm_s > 0 and rotor_mass_kg > 0 and speed_rpm > 0):
        raise ValueError(f"no unbalance for G {grade_mm_s}, {rotor_mass_kg} kg, {speed_rpm} r/min")
    return 9549.0 * grade_mm_s / speed_rpm * rotor_mass_kg
