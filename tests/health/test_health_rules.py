from __future__ import annotations

from typing import Any

import pytest
from pydantic import ValidationError

from vibe.health.state.cautions import cautions, plan_cautions
from vibe.health.state.settings import Boundaries, Judgement, Limits

ZONE_BOUNDARIES = {"velocity_mm_s", "displacement_um"}
SOURCED_BY_NEIGHBOUR = {"ladder": "ladder_source", "acceptance_factor": "acceptance_source"}
SCOPE = {"power_kw", "speed_rpm"}


def unsourced(table: dict[str, Any], path: str = "", sourced: bool = False) -> list[str]:
    """Numbers of a table that neither stand next to a ``source`` nor inside a table that has one."""
    sourced = sourced or "source" in table
    missing = []
    for key, value in table.items():
        here = f"{path}.{key}"
        own = SOURCED_BY_NEIGHBOUR.get(key, "scope_source" if key in SCOPE else "source")
        if isinstance(value, dict):
            missing += unsourced(value, here, sourced)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for i, row in enumerate(value):
                missing += unsourced(row, f"{here}[{i}]", sourced)
        elif isinstance(value, int | float | list) and not (sourced or own in table or key.startswith("class_")):
            missing.append(here)
    return missing


def test_every_number_of_the_shipped_rules_names_its_source(
    limits_table: dict[str, Any], judgement_table: dict[str, Any]
) -> None:
    assert unsourced(limits_table) == []
    assert unsourced(judgement_table) == []
    del judgement_table["finding_rule"][2]["source"]  # a twin without a source is caught
    assert unsourced(judgement_table) == [".finding_rule[2].probability_from"]
    with pytest.raises(ValidationError, match="source"):
        Judgement.model_validate(judgement_table)


def test_unknown_keys_and_text_for_numbers_are_refused(limits_table: dict[str, Any]) -> None:
    limits_table["change"]["ceiling"] = 1.0
    with pytest.raises(ValidationError, match=r"change\.ceiling"):
        Limits.model_validate(limits_table)
    del limits_table["change"]["ceiling"]
    limits_table["change"]["fraction_of_bc"] = "0.25"
    with pytest.raises(ValidationError, match=r"change\.fraction_of_bc"):
        Limits.model_validate(limits_table)


def test_limits_that_cannot_be_are_refused(limits_table: dict[str, Any]) -> None:
    limits_table["coupled_machines"]["group"][1]["rigid"]["velocity_mm_s"]["bc"] = 1.0
    with pytest.raises(ValidationError, match="must rise"):
        Limits.model_validate(limits_table)


def test_a_rating_off_the_ladder_and_a_class_that_is_not_there_are_refused(limits_table: dict[str, Any]) -> None:
    limits_table["gear_units"]["class"][0]["velocity_mm_s"] = 4.0
    with pytest.raises(ValidationError, match="no inner rung"):
        Limits.model_validate(limits_table)
    limits_table["gear_units"]["class"][0]["velocity_mm_s"] = 3.15
    limits_table["gear_units"]["class_of"]["cycloidal"] = "V"
    with pytest.raises(ValidationError, match="none of the classes"):
        Limits.model_validate(limits_table)


def test_rules_must_cover_every_probability_and_every_state(judgement_table: dict[str, Any]) -> None:
    rules = judgement_table["finding_rule"]
    judgement_table["finding_rule"] = [r for r in rules if r["severity"] != "slight"]
    with pytest.raises(ValidationError, match="'slight'"):
        Judgement.model_validate(judgement_table)
    judgement_table["finding_rule"] = rules
    judgement_table["deadline"] = judgement_table["deadline"][:-1]
    with pytest.raises(ValidationError, match="one deadline"):
        Judgement.model_validate(judgement_table)


def test_a_worse_state_must_not_be_due_later(judgement_table: dict[str, Any]) -> None:
    own = {one["state"]: one for one in judgement_table["deadline"]}
    own["plan"]["every_days"] = own["watch"]["days"]
    Judgement.model_validate(judgement_table)
    own["plan"]["every_days"] += 1
    with pytest.raises(ValidationError, match="plan asks for something within 15 days at first, and the better"):
        Judgement.model_validate(judgement_table)
    del own["plan"]["every_days"]
    with pytest.raises(ValidationError, match="every_days, and nowhere else"):
        Judgement.model_validate(judgement_table)


def test_severity_is_the_graver_of_strength_and_growth(judgement: Judgement) -> None:
    bounds = judgement.severity
    assert bounds.severity(None, None) == "slight"
    assert bounds.severity(bounds.hit_over_floor_moderate_db - 0.1) == "slight"
    assert bounds.severity(bounds.hit_over_floor_moderate_db) == "moderate"
    assert bounds.severity(bounds.hit_over_floor_severe_db) == "severe"
    assert bounds.severity(-40.0, bounds.growth_severe_db) == "severe"
    assert bounds.severity(None, bounds.growth_moderate_db) == "moderate"


def test_a_value_on_a_boundary_belongs_to_the_better_zone() -> None:
    b = Boundaries(ab=1.0, bc=2.0, cd=3.0)
    assert [b.zone(v) for v in (0.0, 1.0, 1.01, 2.0, 2.01, 3.0, 3.01)] == ["A", "A", "B", "B", "C", "C", "D"]


def test_cautions_hold_what_must_be_said() -> None:
    for said in (" ".join(cautions()), " ".join(plan_cautions())):
        for word in ("guard", "lock out", "hot", "cables", "reach", "Local rules", "manual", "qualified", "trip"):
            assert word in said, word
    assert "does not make one" in " ".join(cautions())
