"""A kind of stage is a form, its kinematics and its motion: one that is made up here works everywhere at once."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import Annotated, ClassVar, Literal

import numpy as np
import pytest
from pydantic import Field, ValidationError

from vibe.core.drive import Drive, Input
from vibe.core.health import Finding
from vibe.core.stages import FORMS, PartWords, StageForm
from vibe.core.tones import Tone
from vibe.health.alarms.explanation import owner_in_words
from vibe.health.state.finding_names import finding_in_words
from vibe.kinematics.families.make import counted
from vibe.kinematics.relations import Linkage, Relation, Speeds, joined
from vibe.kinematics.stages import KINDS
from vibe.kinematics.stages.kind import StageKind
from vibe.kinematics.tone_table import tone_table
from vibe.report.words import component
from vibe.synth.impacts import part_count, possible_damages
from vibe.synth.machine.damage import Damage, ImpactTrain
from vibe.synth.machine.forces import Smooth
from vibe.synth.machine.strikes import strikes
from vibe.synth.scene import Scene
from vibe.synth.simulate import simulate
from vibe.synth.stages import ACTS, turning
from vibe.synth.stages.act import Breakable, StageAct, Wear


class GenevaStage(StageForm):
    """A wheel with slots that a driver's pin moves on by one slot per turn."""

    kind: Literal["geneva"]
    slots: Annotated[int, Field(ge=3, le=100)]
    parts: ClassVar = {"slot": PartWords(name="slot of the wheel", one="a slot of the wheel", every="the slots")}


def link(stage: GenevaStage, name: str, feed: str, _slip: Fraction) -> Linkage:
    driver, output = f"{name}.driver", f"{name}.output"
    step = Relation({driver: Fraction(1), output: Fraction(-stage.slots)})
    return Linkage(((driver, "driver with one pin"), (output, "wheel")), (joined(driver, feed), step), output)


def tones(_stage: GenevaStage, name: str, speeds: Speeds) -> Iterator[Tone]:
    yield counted(
        f"{name}.slot", speeds[f"{name}.output"], family="gear tooth", made_by="one worn slot meets the pin",
        source="count of slots", defect="local damage", damage=True,
    )  # fmt: skip


def turns(stage: GenevaStage, speed: float) -> dict[str, float]:
    return {"input": speed, "driver": speed, "output": speed / stage.slots}


def slot_impacts(scene: Scene, damage: Damage, number: int, _stage: GenevaStage) -> list[ImpactTrain]:
    wheel = scene.motion.angle(f"stage{number}.output")
    return [strikes(scene, damage, number, wheel, np.zeros(wheel.size))]


def parts(stage: GenevaStage) -> dict[str, Breakable[GenevaStage]]:
    return {"slot": Breakable(stage.slots, slot_impacts)}


def force(_scene: Scene, _number: int, _stage: GenevaStage, _wear: Wear, _total: Smooth) -> None:
    """A sound one is silent here."""


@pytest.fixture
def geneva(monkeypatch: pytest.MonkeyPatch) -> Iterator[Drive]:
    """A drive file with the made-up kind in it; the kind is forgotten afterwards."""
    with monkeypatch.context() as patch:
        patch.setitem(FORMS, "geneva", GenevaStage)
        patch.setitem(KINDS, GenevaStage, StageKind(form=GenevaStage, link=link, tones=tones))
        act = StageAct(form=GenevaStage, turns=turns, parts=parts, wears=lambda _: (), force=force)
        patch.setitem(ACTS, GenevaStage, act)
        Drive.model_rebuild(force=True)
        yield Drive.model_validate(
            {"tag": "G", "input": {"speed_rpm": 1500.0}, "stage": [{"kind": "geneva", "slots": 6}]}
        )
    Drive.model_rebuild(force=True)


def test_its_bodies_and_tones_stand_in_the_table(geneva: Drive) -> None:
    table = tone_table(geneva)
    assert table.ratio == 6
    assert table.tone("stage1.slot").order_exact == Fraction(1, 6)
    assert geneva.model_dump()["stage"] == [{"kind": "geneva", "ratio": None, "slots": 6}]


def test_its_parts_are_called_what_it_calls_them(geneva: Drive) -> None:
    assert tone_table(geneva).tone("stage1.slot").id == "stage1.slot"
    assert component("stage1.slot") == "slot of the wheel, stage 1"
    assert owner_in_words("stage1.slot") == "the slots of stage 1"
    finding = Finding(
        tone="stage1.slot", component="stage1.slot", defect="local damage", probability=0.95,
        false_alarm_probability=None, severity="moderate", why="", advice="",
    )  # fmt: skip
    assert finding_in_words(finding) == "a slot of the wheel in stage 1 is very probably damaged"


def test_it_moves_and_its_damage_is_detected(geneva: Drive) -> None:
    assert turning(geneva)["stage1.output"] == pytest.approx(1 / 6)
    assert "stage1.slot" in possible_damages(geneva)
    assert part_count(geneva, "stage1.slot") == 6
    sound = simulate(geneva, seed=1)
    damaged = simulate(geneva, [Damage("stage1.slot", 5.0)], seed=1)
    assert np.abs(damaged.channels[0].samples - sound.channels[0].samples).max() > 0


def test_without_it_the_file_is_refused() -> None:
    with pytest.raises(ValidationError, match="geneva"):
        Drive.model_validate({"tag": "G", "input": {"speed_rpm": 1500.0}, "stage": [{"kind": "geneva", "slots": 6}]})


@pytest.mark.parametrize("form", list(dict.fromkeys(FORMS.values())), ids=lambda form: form.__name__)
def test_every_kind_has_kinematics_and_motion(form: type[StageForm]) -> None:
    assert KINDS[form].form is form
    assert ACTS[form].form is form


def test_no_two_kinds_give_one_part_different_words() -> None:
    """Words are looked up by a part's name alone."""
    said: dict[str, PartWords] = {}
    for form in FORMS.values():
        for part, words in form.parts.items():
            assert said.setdefault(part, words) == words


def test_every_damage_of_a_stage_has_words() -> None:
    """Input drives nothing here: the names alone are asked for."""
    drive = Drive.model_validate(
        {"tag": "all", "input": Input(speed_rpm=1500.0), "stage": [
            {"kind": "planetary", "sun_teeth": 20, "planet_teeth": 20, "ring_teeth": 60},
            {"kind": "belt", "driver_diameter_mm": 100.0, "driven_diameter_mm": 100.0, "belt_length_mm": 900.0},
            {"kind": "stepped discs", "lobes": 10, "ring_pins": 11, "second_lobes": 12, "second_ring_pins": 13},
        ]}
    )  # fmt: skip
    for tone in tone_table(drive).tones:
        if tone.damage:
            assert "_" not in finding_name(tone.id)


def finding_name(tone: str) -> str:
    """The part as findings call it; falls back to the bare name where its kind has no words."""
    from vibe.core.labels import one_part

    return one_part(tone) or "_"
