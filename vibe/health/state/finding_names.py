"""Findings in words that a plant manager uses. No numbers, no frequencies, no abbreviations."""

from __future__ import annotations

import re

from vibe.core.health import LOCAL_DAMAGE, Finding
from vibe.core.labels import BEARING_PARTS, every_part, in_stage, one_part

_WHOLE = {
    "unbalance": "something that turns with the input is out of balance",
    "misalignment": "the coupling or the shafts are out of line",
    "looseness": "the drive or its base is loose",
    "soft foot": "one foot of the drive does not sit flat",
    "electrical": "the motor has an electrical fault",
    "neighbour machine": "vibration from another machine",
    "wear": "{0} are worn all around",
    "unexplained impacts": "impacts that no part in the drive file explains",
}
_INSPECT = {
    "unbalance": "coupling, fan and balance",
    "misalignment": "alignment, coupling and feet",
    "looseness": "the fastening of drive and base",
    "soft foot": "the feet of the drive",
    "electrical": "the motor and its supply",
    "neighbour machine": "the vibration that comes from the neighbouring machine",
    "wear": "{0}",
    "unexplained impacts": "guards, fastening, coupling and what the drive turns",
}
_MESHING = {"gear_mesh": "the gear teeth", "second_mesh": "the lobes and ring pins of the second row"}
"""What wears where parts mesh, by the last name of the tone; else lobes and ring pins."""


_POINT_OF_A_NAME = re.compile(r"(?<!\d)\.|\.(?!\d)")
"""Not that of a number."""

MOST_TWINS = 3
"""More alternatives would bury the sentence; the finding lists them all."""


NO_CHANCE = 0.01
"""Chance of a false alarm below which what was found is there, whoever makes it (common practice: one in a hundred)."""
LIKELIER_BELOW = 0.5
"""Probability of damage below which the other explanation of what is there is the likelier (even odds)."""


def how_sure(probability: float) -> str:
    """A probability as an adverb; the scale is common practice."""
    if probability >= 0.99:
        return "almost certainly"
    if probability >= 0.9:
        return "very probably"
    if probability >= 0.7:
        return "probably"
    return "more likely than not" if probability >= 0.5 else "possibly"


def part_in_words(where: str) -> str:
    """A tone or component as a part: "a ring pin in stage 2", "the outer race of the eccentric bearing"."""
    if where.startswith("bearing."):
        name, _, race = where.removeprefix("bearing.").rpartition(".")
        if race in BEARING_PARTS and name:
            return f"the {BEARING_PARTS[race]} of the {_as_bearing(name)}"
        return f"the {_as_bearing(where.removeprefix('bearing.'))}"
    if words := one_part(where) or every_part(where):
        return words
    plain = _POINT_OF_A_NAME.sub(" ", where).replace("_", " ")
    return plain if " " in where else f"the {plain}"  # free words stand as they were written


def named(where: str, defect: str) -> str:
    """Part and defect: "a ring pin in stage 1, local damage"; the defect alone where it names the part."""
    part = part_in_words(where)
    return defect if part.removeprefix("the ") in defect else f"{part}, {defect}"


def to_inspect(finding: Finding) -> str:
    """What to inspect, as the object of a sentence: the part, and those that it cannot be distinguished from."""
    whole = _INSPECT.get(finding.defect)
    if whole is not None:
        return whole.format(_meshing(finding))
    where = finding.where
    twins = _twins(finding, where)
    if len(twins) > MOST_TWINS:
        twins = [*twins[: MOST_TWINS - 1], f"{len(twins) - MOST_TWINS + 1} other parts named below"]
    return " and ".join([part_in_words(where), *twins])


def _meshing(finding: Finding) -> str:
    place = in_stage(finding.where)
    return "the lobes and ring pins" if place is None else _MESHING.get(place[1], "the lobes and ring pins")


def _as_bearing(name: str) -> str:
    return name if "bearing" in name.lower() else f"{name} bearing"


def finding_in_words(finding: Finding) -> str:
    """What is wrong, as half a sentence with its doubt: "a ring pin in stage 1 is very probably damaged"."""
    sure = how_sure(finding.probability)
    if finding.component == "sensor":
        return "the sensor or its mounting is unreliable"
    whole_drive = _WHOLE.get(finding.defect)
    if whole_drive is not None:
        return f"{sure} {whole_drive.format(_meshing(finding))}"
    where = finding.where
    whole, part = how_sure(finding.damage_probability), ""
    if whole != sure and where.startswith("bearing."):
        # That the bearing is damaged is surer than which of its elements it is.
        where, _, race = where.rpartition(".")
        sure, part = whole, f", {sure} its {BEARING_PARTS.get(race, race)}"
    # Of a bearing named as a whole its own elements need no mention.
    twins = _twins(finding, where)
    if len(twins) > MOST_TWINS:
        twins = [*twins[: MOST_TWINS - 1], f"{len(twins) - MOST_TWINS + 1} other parts"]
    either = "" if not twins else f", or {' or '.join(twins)} (not distinguishable by vibration),"
    plural = where.endswith((".rolling_element", ".output_pin_pass"))  # all others are single parts
    state = "damaged" if finding.defect == LOCAL_DAMAGE else f"affected by {finding.defect}"
    whose = ""
    if finding.may_be_a_twins:
        whose = ", here or in the machine of the same kind next to it"
    elif finding.other_machine is not None:
        whose = ", or what the drive turns strikes as often"
    elif finding.outside_causes:
        whose = ", or a machine outside the drive strikes as often"
    verb = "are" if plural and not twins else "is"
    if finding.other_machine is None and _outside_is_likelier(finding):
        what = f"{part_in_words(where)}{either}"
        return f"vibration as from damage of {what} is more likely that of a machine outside the drive"
    return f"{part_in_words(where)}{either} {verb} {sure} {state}{part}{whose}"


def _outside_is_likelier(finding: Finding) -> bool:
    """Whether a machine outside is likelier than damage: what is no chance is one of the two."""
    by_chance = finding.false_alarm_probability
    no_chance = by_chance is not None and by_chance < NO_CHANCE
    return bool(finding.outside_causes) and no_chance and finding.damage_probability < LIKELIER_BELOW


def _twins(finding: Finding, where: str) -> list[str]:
    """Other parts of this drive that it may be."""
    outside = {finding.other_machine, *finding.outside_causes}
    alike = (twin for twin in finding.cannot_be_told_from if twin not in outside)
    return [part_in_words(twin) for twin in alike if not twin.startswith(f"{where}.")]
