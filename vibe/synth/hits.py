"""Which damage a drive can have, and when each speaks: when one body angle passes another."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from vibe.core.drive import (
    Bearing,
    BeltStage,
    ChainStage,
    CycloidalPair,
    CycloidalStage,
    Drive,
    GearPairStage,
    PlanetaryStage,
    RvStage,
    SteppedStage,
    WormStage,
)
from vibe.core.errors import CallError
from vibe.synth import rollers
from vibe.synth.bearings import CAGE_PAST, PARTS, bearing_hits, load_frame
from vibe.synth.contact import LOAD_SIDE_TURNS, load_zone
from vibe.synth.damage import Damage, HitTrain, uneven
from vibe.synth.motion import Array, crossings, turning
from vibe.synth.scene import Scene, eccentric_of, path, planets_of

TOOTHED = (GearPairStage, WormStage, ChainStage)
Maker = Callable[[Scene, Damage], list[HitTrain]]

SMOOTH = ("mesh", "second_mesh", "gear_mesh", "output_pin_pass")
"""Wear of all parts of a stage: raises smooth forces, hits nothing."""


def machine_damages(drive: Drive) -> tuple[str, ...]:
    """Damage that is not in one part: speaks through shaft lines."""
    return ("unbalance", "misalignment", "looseness", *(("electrical",) if drive.motor else ()))


def smooth_damages(drive: Drive) -> tuple[str, ...]:
    """Wear of all parts of a stage at once."""
    names: list[str] = []
    for number, stage in enumerate(drive.stage, start=1):
        if isinstance(stage, CycloidalStage | RvStage):
            names.append(f"stage{number}.mesh")
        if isinstance(stage, SteppedStage):
            names += [f"stage{number}.mesh", f"stage{number}.second_mesh"]
        if isinstance(stage, RvStage | PlanetaryStage | GearPairStage | WormStage | ChainStage):
            names.append(f"stage{number}.gear_mesh")
        if isinstance(stage, CycloidalStage) and stage.output_pins:
            names.append(f"stage{number}.output_pin_pass")
    return tuple(names)


def possible_damages(drive: Drive) -> tuple[str, ...]:
    """Every damage this drive can be given."""
    return (*_makers(drive), *smooth_damages(drive), *machine_damages(drive))


def check_damage(drive: Drive, damage: Damage) -> None:
    """Refuse what the drive cannot have.

    Raises:
        CallError: lists what it can have, or how many such parts there are.
    """
    known = possible_damages(drive)
    if damage.tone not in known:
        raise CallError(f"unknown damage {damage.tone!r} for drive {drive.tag!r}; possible: {', '.join(known)}")
    count = part_count(drive, damage.tone)
    if damage.part >= count:
        raise CallError(f"damage {damage.tone!r}: part {damage.part} is not one of 0 to {count - 1}")


def part_count(drive: Drive, tone: str) -> int:
    """How many parts ``tone`` could mean (lobes counted disc after disc, planet teeth planet after planet)."""
    head, _, name = tone.rpartition(".")
    if head.startswith("stage") and name not in SMOOTH:
        stage = drive.stage[int(head.removeprefix("stage")) - 1]
        if isinstance(stage, CycloidalStage | RvStage):
            pins = stage.output_pins if isinstance(stage, CycloidalStage) else None
            own = {
                "ring_pin": stage.pins_fitted,
                "ring_roller": stage.pins_fitted,
                "lobe": stage.lobes * stage.discs,
                "output_pin": pins or 1,
                "output_roller": pins or 1,
                "disc_bore": (pins or 1) * stage.discs,
            }
            if name in own:
                return own[name]
        if isinstance(stage, SteppedStage):
            first, second = stage.lobes * stage.discs, stage.second_lobes * stage.discs
            counts = {"ring_pin": stage.ring_pins, "second_ring_pin": stage.second_ring_pins}
            return (counts | {"lobe": first, "second_lobe": second}).get(name, 1)
        if isinstance(stage, RvStage | PlanetaryStage):
            teeth = {"sun_tooth": stage.sun_teeth, "planet_tooth": stage.planet_teeth * planets_of(stage)}
            if isinstance(stage, PlanetaryStage):
                teeth["ring_tooth"] = stage.ring_teeth
            return teeth.get(name, 1)
        if isinstance(stage, GearPairStage | WormStage | ChainStage):
            return stage.driver_teeth if name == "driver_tooth" else stage.driven_teeth
    if name == "rolling_element":
        bearing = next((b for b in drive.bearing if f"bearing.{b.name}" == head), None)
        return (bearing.elements or 1) if bearing else 1
    return 1


def damage_hits(scene: Scene, damage: Damage) -> list[HitTrain]:
    """Hits of ``damage``; none for damage that speaks smoothly."""
    maker = _makers(scene.drive).get(damage.tone)
    return maker(scene, damage) if maker else []


def _makers(drive: Drive) -> dict[str, Maker]:
    makers: dict[str, Maker] = {}
    for number, stage in enumerate(drive.stage, start=1):
        if isinstance(stage, CycloidalStage | RvStage | SteppedStage):
            for row in ("", "second_") if isinstance(stage, SteppedStage) else ("",):
                makers[f"stage{number}.{row}ring_pin"] = _with(_ring_pin, number)
                makers[f"stage{number}.{row}lobe"] = _with(_lobe, number)
        if isinstance(stage, CycloidalStage | RvStage):
            if stage.ring_roller_diameter_mm is not None:
                makers[f"stage{number}.ring_roller"] = _with(_ring_roller, number)
            if isinstance(stage, CycloidalStage) and stage.output_roller_diameter_mm is not None:
                makers[f"stage{number}.output_roller"] = _with(_output_roller, number)
            if isinstance(stage, CycloidalStage) and stage.output_pins:
                makers[f"stage{number}.output_pin"] = _with(_output_pin, number)
                makers[f"stage{number}.disc_bore"] = _with(_disc_bore, number)
        if isinstance(stage, RvStage | PlanetaryStage):
            makers[f"stage{number}.sun_tooth"] = _with(_sun_tooth, number)
            makers[f"stage{number}.planet_tooth"] = _with(_planet_tooth, number)
            if isinstance(stage, PlanetaryStage):
                makers[f"stage{number}.ring_tooth"] = _with(_ring_tooth, number)
        if isinstance(stage, GearPairStage | WormStage | ChainStage):
            makers[f"stage{number}.driver_tooth"] = _with(_driver_tooth, number)
            makers[f"stage{number}.driven_tooth"] = _with(_driven_tooth, number)
        if isinstance(stage, BeltStage) and stage.belt_length_mm is not None:
            makers[f"stage{number}.belt"] = _with(_belt, number)
    turns = turning(drive)
    for bearing in drive.bearing:
        for part in PARTS:
            makers[f"bearing.{bearing.name}.{part}"] = _of_bearing(bearing, part)
        for part in _cage_parts(bearing, turns):
            makers[f"bearing.{bearing.name}.{part}"] = _of_bearing(bearing, part)
    return makers


def _cage_parts(bearing: Bearing, turns: dict[str, float]) -> list[str]:
    """What else the bearing's cage can strike: each frame that turns as no other does, none twice."""
    known = [turns.get(bearing.outer)]
    parts: list[str] = []
    for frame, body in zip(CAGE_PAST, (load_frame(bearing), bearing.inner, "housing"), strict=True):
        if turns.get(body) not in known:
            parts.append(f"cage_past_{frame}")
            known.append(turns.get(body))
    return parts


def _of_bearing(bearing: Bearing, part: str) -> Maker:
    return lambda scene, damage: bearing_hits(scene, bearing, part, damage)


def _with(maker: Callable[[Scene, Damage, int], list[HitTrain]], number: int) -> Maker:
    return lambda scene, damage: maker(scene, damage, number)


def _train(
    scene: Scene,
    damage: Damage,
    number: int,
    passing: Array,
    where: Array,
    *,
    strength: float = 1.0,
    pulse_s: float = 1.3e-4,
    jitter_turns: float = 4e-4,
    track: str = "",
    met: Callable[[Array], Array] | None = None,
) -> HitTrain:
    """Hits where ``passing`` (turns) goes through whole numbers; ``where`` is the housing angle of the contact.

    ``met``: how hard the part is met at given times [s], 1 unless given; not at all where it is 0.
    """
    motion = scene.motion
    times = crossings(passing, motion.time_s)
    rng = scene.streams.capture(f"hits {damage.tone} {track}")
    rate = abs(passing[-1] - passing[0]) / (motion.time_s[-1] - motion.time_s[0])
    seen = path(np.interp(times, motion.time_s, where))
    # Slow contacts knock less: the speed of approach is what rings the casing.
    gentle = float(np.clip(np.sqrt(rate / 20.0), 0.25, 1.0)) if rate > 0 else 0.0
    heights = damage.size * strength * gentle * seen * uneven(rng, times.size)
    if met is not None:
        share = met(times)
        times, heights = times[share > 0], (heights * share)[share > 0]
    times = times + jitter_turns / max(rate, 1e-9) * rng.standard_normal(times.size)
    side = scene.stage_side(number)
    return HitTrain(
        label=damage.tone,
        source=f"stage{number} {damage.tone.rpartition('.')[2]}",
        times_s=times,
        heights=scene.at_side(side)[:, None] * heights[None, :],
        pulse_s=pulse_s,
        side=side,
    )


def _cyclo(scene: Scene, number: int) -> CycloidalStage | RvStage:
    stage = scene.drive.stage[number - 1]
    assert isinstance(stage, CycloidalStage | RvStage)
    return stage


def _row(scene: Scene, number: int, damage: Damage) -> tuple[CycloidalPair, str]:
    """The row of lobes that a damage is in, and its ring's name."""
    stage = scene.drive.stage[number - 1]
    if isinstance(stage, SteppedStage):
        second = damage.tone.rpartition(".")[2].startswith("second_")
        return stage.rows[second], "second_ring" if second else "ring"
    return _cyclo(scene, number), "ring"


def _disc_share(scene: Scene, number: int, disc: int) -> float:
    """Discs do not share the load equally: a damaged part is struck hardest by the disc that holds its track."""
    if disc == 0:
        return 1.0
    return float(scene.streams.machine(f"track stage{number} {disc}").uniform(0.5, 0.7))


def _hub(scene: Scene, number: int, disc: int) -> Array:
    """Housing angle of the eccentric under one disc."""
    stage = scene.drive.stage[number - 1]
    assert isinstance(stage, CycloidalStage | RvStage | SteppedStage)
    return scene.motion.angle(f"stage{number}.{eccentric_of(stage)}") + stage.disc_turns[disc]


def _swing(scene: Scene, number: int, disc: int) -> Array:
    """Housing angle of the loaded side of one disc: the eccentric's direction, the disc's phase, the load side."""
    return _hub(scene, number, disc) + LOAD_SIDE_TURNS


def _ring_pin(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    row, ring = _row(scene, number, damage)
    pin = scene.motion.angle(f"stage{number}.{ring}") + damage.part / row.pins_fitted
    return [
        _train(
            scene, damage, number, _swing(scene, number, disc) - pin, pin,
            strength=_disc_share(scene, number, disc), track=f"disc {disc}",
        )
        for disc in range(row.discs)
    ]  # fmt: skip


def _lobe(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    row, ring = _row(scene, number, damage)
    disc, lobe = divmod(damage.part, row.lobes)
    place = scene.motion.angle(f"stage{number}.disc") + lobe / row.lobes
    swing = _swing(scene, number, disc)
    past_ring = swing - scene.motion.angle(f"stage{number}.{ring}")

    def met(times: Array) -> Array:
        """Where the load passes an empty place no pin meets the lobe."""
        at = np.round(np.interp(times, scene.motion.time_s, past_ring) * row.ring_pins)
        return np.asarray(np.mod(at, row.ring_pins // row.pins_fitted) == 0, dtype=np.float64)

    seldom = row.pins_fitted < row.ring_pins
    return [_train(scene, damage, number, swing - place, place, pulse_s=1.6e-4, met=met if seldom else None)]


def _ring_roller(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _cyclo(scene, number)
    pin = scene.motion.angle(f"stage{number}.ring") + damage.part / stage.pins_fitted
    disc = scene.motion.angle(f"stage{number}.disc")
    passing = rollers.ring_roller(stage, _hub(scene, number, 0), pin, disc, _loss(scene, damage))
    return _rolled(scene, damage, number, passing, pin)


def _output_roller(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _cyclo(scene, number)
    assert isinstance(stage, CycloidalStage)
    pin = scene.motion.angle(f"stage{number}.pins") + damage.part / (stage.output_pins or 1)
    disc = scene.motion.angle(f"stage{number}.disc")
    passing = rollers.output_roller(stage, _hub(scene, number, 0), pin, disc, _loss(scene, damage))
    return _rolled(scene, damage, number, passing, pin)


def _loss(scene: Scene, damage: Damage) -> float:
    if scene.conditions.cage_slip == 0.0:
        return 0.0
    return float(scene.streams.machine(f"coast {damage.tone}").uniform(*rollers.COAST))


def _rolled(scene: Scene, damage: Damage, number: int, passing: Array | None, pin: Array) -> list[HitTrain]:
    """A roller's spot meets what it rolls on; it is heard while the load stands there."""
    if passing is None:
        return []
    from_load = _swing(scene, number, 0) - pin
    return [
        _train(
            scene, damage, number, passing, pin, jitter_turns=2e-3, pulse_s=1.5e-4,
            met=lambda times: load_zone(np.interp(times, scene.motion.time_s, from_load)),
        )
    ]  # fmt: skip


def _output_pin(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _cyclo(scene, number)
    assert isinstance(stage, CycloidalStage)
    assert stage.output_pins
    pin = scene.motion.angle(f"stage{number}.pins") + damage.part / stage.output_pins
    return [
        _train(
            scene, damage, number, _swing(scene, number, disc) - pin, pin,
            strength=_disc_share(scene, number, disc), pulse_s=1.5e-4, track=f"disc {disc}",
        )
        for disc in range(stage.discs)
    ]  # fmt: skip


def _disc_bore(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _cyclo(scene, number)
    assert isinstance(stage, CycloidalStage)
    assert stage.output_pins
    disc, bore = divmod(damage.part, stage.output_pins)
    place = scene.motion.angle(f"stage{number}.disc") + bore / stage.output_pins
    return [_train(scene, damage, number, _swing(scene, number, disc) - place, place, pulse_s=1.5e-4)]


def _epicyclic(scene: Scene, number: int) -> RvStage | PlanetaryStage:
    stage = scene.drive.stage[number - 1]
    assert isinstance(stage, RvStage | PlanetaryStage)
    return stage


def _sun_tooth(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _epicyclic(scene, number)
    count = planets_of(stage)
    tooth = scene.motion.angle(f"stage{number}.sun") + damage.part / stage.sun_teeth
    carrier = scene.motion.angle(f"stage{number}.carrier")
    return [
        _train(scene, damage, number, tooth - carrier - planet / count, tooth, track=f"planet {planet}")
        for planet in range(count)
    ]


def _ring_tooth(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = _epicyclic(scene, number)
    assert isinstance(stage, PlanetaryStage)
    tooth = scene.motion.angle(f"stage{number}.ring") + damage.part / stage.ring_teeth
    carrier = scene.motion.angle(f"stage{number}.carrier")
    return [
        _train(scene, damage, number, carrier + planet / stage.planets - tooth, tooth, track=f"planet {planet}")
        for planet in range(stage.planets)
    ]


def _planet_tooth(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    """Meets the sun, and in a planetary stage the ring half a turn of the planet later, with its other flank."""
    stage = _epicyclic(scene, number)
    planet, tooth_number = divmod(damage.part, stage.planet_teeth)
    tooth = scene.motion.angle(f"stage{number}.planet") + tooth_number / stage.planet_teeth
    centre = scene.motion.angle(f"stage{number}.carrier") + planet / planets_of(stage)
    trains = [_train(scene, damage, number, tooth - centre - 0.5, centre, track="sun")]
    if isinstance(stage, PlanetaryStage):
        trains.append(_train(scene, damage, number, tooth - centre, centre, strength=0.6, track="ring"))
    return trains


def _driver_tooth(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = scene.drive.stage[number - 1]
    assert isinstance(stage, TOOTHED)
    tooth = scene.motion.angle(f"stage{number}.driver") + damage.part / stage.driver_teeth
    return [_train(scene, damage, number, tooth, np.zeros(tooth.size))]


def _driven_tooth(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    stage = scene.drive.stage[number - 1]
    assert isinstance(stage, TOOTHED)
    tooth = scene.motion.angle(f"stage{number}.driven") + damage.part / stage.driven_teeth
    return [_train(scene, damage, number, tooth - 0.5, np.zeros(tooth.size))]


def _belt(scene: Scene, damage: Damage, number: int) -> list[HitTrain]:
    """A splice or crack thumps on each pulley it runs over."""
    belt = scene.motion.angle(f"stage{number}.belt")
    still = np.zeros(belt.size)
    return [
        _train(scene, damage, number, belt + place, still, pulse_s=2.5e-3, strength=size, track=f"pulley {place}")
        for place, size in ((0.0, 1.0), (0.45, 0.7))
    ]
