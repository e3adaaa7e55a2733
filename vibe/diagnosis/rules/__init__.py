"""One short file per kind of rule. A new rule is a new file and one line here."""

from vibe.diagnosis.case import Rule
from vibe.diagnosis.rules import (
    bearing,
    electrical,
    local_damage,
    looseness,
    mesh,
    misalignment,
    sensor,
    unbalance,
)

RULES: tuple[Rule, ...] = (
    sensor.find,
    local_damage.find,
    bearing.find,
    mesh.find,
    looseness.find,
    misalignment.find,
    unbalance.find,
    electrical.find,
)
