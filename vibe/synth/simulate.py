"""Drive, damage and seed to a capture with known truth."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from vibe.core.capture import Capture, Channel
from vibe.core.drive import Drive
from vibe.synth.conditions import Conditions
from vibe.synth.impacts import (
    check_damage,
    damage_impacts,
    machine_damages,
    possible_damages,
    smooth_damages,
    smooth_forces,
)
from vibe.synth.machine.bearings import load_frame
from vibe.synth.machine.damage import Damage, ImpactTrain, parse_damage
from vibe.synth.machine.forces import MACHINE_SPREAD
from vibe.synth.machine.motion import Array
from vibe.synth.machine.sensors import sensor_noise, spoil, tachometer
from vibe.synth.machine.shaft import shaft_motion
from vibe.synth.machine.structure import Complex, Structure, casing, place_pulses, pulse_table
from vibe.synth.scene import LEAD_S, NOMINAL_NOISE_M_S2, Scene, set_scene
from vibe.synth.surroundings.machines import coloured, source_signal
from vibe.synth.surroundings.surroundings import APART, Surrounding

__all__ = ["Conditions", "Damage", "events", "parse_damage", "possible_damages", "simulate", "truth"]

IMPACT_OVER_NOISE = 6.5
"""Peak of an impact of size 1 at the nearest sensor over the broadband noise of a healthy drive, r.m.s."""
NOISE_FOLLOWS_CONTACT = 0.04
"""How far friction noise swells with the contact (our choice: hardly)."""
SHOCK_OVER_NOISE = 60.0
"""Peak of a stray shock over the broadband noise, r.m.s.: something falls on the deck (our choice)."""
NEIGHBOUR_SHARE = 0.25
"""How much of a neighbour on the same frame is picked up at strength 1 (our choice: 12 dB down)."""


def simulate(
    drive: Drive, damage: Sequence[Damage] = (), *, seed: int, conditions: Conditions | None = None
) -> Capture:
    """A capture of ``drive`` with ``damage``.

    Every line and impact is set by body angles that roll on one another; no tone formula is used. Equal arguments give
    equal samples.

    Raises:
        CallError: a damage that this drive cannot have, a bearing on a body that is not there, a negative seed.
    """
    conditions = conditions or Conditions()
    scene, trains = _act(drive, damage, seed, conditions)
    count = round(conditions.duration_s * conditions.sample_rate_hz)
    acceleration = _acceleration(scene, damage, trains)[:, -count:]
    channels = []
    for row, point in enumerate(conditions.points):
        clean = acceleration[row] + sensor_noise(scene, point, count)
        faults = tuple(fault for where, fault in conditions.sensor_faults if where == point)
        samples, limit = spoil(scene, point, clean, faults)
        channels.append(
            Channel(
                name=point,
                samples=samples.astype(np.float32),
                sample_rate_hz=conditions.sample_rate_hz,
                quantity="acceleration",
                recorded_unit="m/s^2",
                axis="axial" if "axial" in point else "radial" if "radial" in point else None,
                full_scale=limit,
            )
        )
    if conditions.tachometer:
        channels.append(
            Channel(
                name="tachometer",
                samples=tachometer(scene, count).astype(np.float32),
                sample_rate_hz=conditions.sample_rate_hz,
                quantity="tachometer",
                recorded_unit="V",
                pulses_per_rev=float(conditions.pulses_per_rev),
            )
        )
    digest = hashlib.sha256()
    for channel in channels:
        digest.update(channel.samples.tobytes())
    return Capture(
        source=Path(f"simulated {drive.tag} seed {seed}"),
        sha256=digest.hexdigest(),
        channels=tuple(channels),
        drive=drive.tag,
        measured_at=conditions.measured_at,
        speed_rpm=_mean_rpm(scene) if conditions.tell_speed else None,
        load_percent=conditions.load_percent,
    )


def events(
    drive: Drive, damage: Sequence[Damage], *, seed: int, conditions: Conditions | None = None
) -> dict[str, Array]:
    """Instants [s] of every impact inside the capture, by damage and track: the truth behind the samples."""
    conditions = conditions or Conditions()
    _, trains = _act(drive, damage, seed, conditions)
    found: dict[str, Array] = {}
    for number, train in enumerate(trains):
        inside = (train.times_s >= 0) & (train.times_s < conditions.duration_s)
        found[f"{train.label} #{number}"] = np.sort(train.times_s[inside])
    return found


def truth(
    drive: Drive, damage: Sequence[Damage], *, seed: int, conditions: Conditions | None = None
) -> dict[str, object]:
    """What is in the capture, in plain values: speeds, body speeds, damage with the impacts counted."""
    conditions = conditions or Conditions()
    scene, trains = _act(drive, damage, seed, conditions)
    counted = []
    for item in damage:
        impacts = sum(
            int(np.count_nonzero((t.times_s >= 0) & (t.times_s < conditions.duration_s)))
            for t in trains
            if t.label == item.tone
        )
        counted.append({"tone": item.tone, "size": item.size, "part": item.part, "hits": impacts})
    around = [{"kind": item.kind, "strength": item.strength} for item in conditions.surroundings]
    return {
        "drive": drive.tag,
        "seed": seed,
        "speed_rpm": _mean_rpm(scene),
        "load_percent": conditions.load_percent,
        "damage": counted,
        "sensor_faults": [{"point": point, "fault": fault} for point, fault in conditions.sensor_faults],
        "running": conditions.running,
        **({"surroundings": around} if around else {}),
        "body_hz": {body: _mean_rpm(scene) / 60.0 * rate for body, rate in scene.motion.turns.items()},
    }


def _act(drive: Drive, damage: Sequence[Damage], seed: int, conditions: Conditions) -> tuple[Scene, list[ImpactTrain]]:
    scene = set_scene(drive, seed, conditions)
    for bearing in drive.bearing:
        for body in (bearing.inner, bearing.outer, load_frame(bearing)):
            scene.motion.rate(body)
    trains: list[ImpactTrain] = []
    for item in damage:
        check_damage(drive, item)
        if conditions.running:
            trains += damage_impacts(scene, item)
    return scene, trains


def _mean_rpm(scene: Scene) -> float:
    lead = int(np.searchsorted(scene.motion.time_s, -1e-9))
    return float(60.0 * np.mean(scene.motion.input_hz[lead:]))


def _acceleration(scene: Scene, damage: Sequence[Damage], trains: list[ImpactTrain]) -> Array:
    conditions, count = scene.conditions, scene.motion.time_s.size
    structure = Structure(casing(conditions.points, scene.streams), count, conditions.sample_rate_hz)
    spectra = [np.zeros(structure.axis_hz.size, dtype=np.complex128) for _ in conditions.points]
    noise_rms = NOMINAL_NOISE_M_S2 * scene.load
    sizes = dict.fromkeys(machine_damages(scene.drive), 0.0)
    wear = dict.fromkeys(smooth_damages(scene.drive), 0.0)
    for item in damage:
        for extent in (sizes, wear):
            if item.tone in extent:
                extent[item.tone] += item.size
    follow = np.ones(count)
    if conditions.running:
        smooth = smooth_forces(scene, wear)
        for row in range(len(spectra)):
            spectra[row] += structure.smooth(row) * structure.spectrum(smooth.at_points[row])
        if (spread := float(np.std(smooth.contact))) > 0:
            follow = 1.0 + NOISE_FOLLOWS_CONTACT * smooth.contact / spread
        rubbing = 1.0 + 0.5 * sum(wear.values())
        rubbing *= float(np.exp(MACHINE_SPREAD * scene.streams.machine("friction").standard_normal()))
        for row, point in enumerate(conditions.points):
            spectra[row] += conditions.noise * rubbing * _friction(scene, structure, row, point, noise_rms, follow)
    for train in trains:
        _strike(scene, structure, train, spectra)
    if conditions.stray_shocks:
        _strike(scene, structure, _shocks(scene), spectra)
    low = shaft_motion(scene, {name: size for name, size in sizes.items() if size > 0})
    for number, around in enumerate(conditions.surroundings):
        if around.kind in ("neighbour", "damaged neighbour"):
            low += _neighbour(scene, structure, around, number)
            continue
        added = source_signal(scene, around, number)
        for train in added.trains:
            _strike(scene, structure, train, spectra)
        if added.noise is not None:
            for row, noise in enumerate(added.noise):
                spectra[row] += coloured(structure, row, noise)
        if added.motion is not None:
            low += added.motion
    return np.stack([structure.signal(spectrum) for spectrum in spectra]) + low


def _neighbour(scene: Scene, structure: Structure, item: Surrounding, number: int) -> Array:
    """A drive of the same type next to this one, through floor and frame, which damp high frequencies first."""
    rng = scene.streams.capture(f"surrounding {number} {item.kind}")
    drawn = float(np.exp(rng.uniform(*np.log(APART)))) * float(rng.choice((-1.0, 1.0)))
    apart = item.apart if item.apart is not None else drawn
    seed = int(rng.integers(2**62))
    damages: list[Damage] = []
    if item.kind == "damaged neighbour":
        able = [name for name in possible_damages(scene.drive) if name not in machine_damages(scene.drive)]
        chosen = str(rng.choice(able))
        damages = [Damage(item.damage or chosen, size=float(np.exp(rng.uniform(np.log(1.0), np.log(4.0)))))]
    own = scene.conditions
    conditions = replace(
        own, speed_rpm=60.0 * scene.mean_hz * (1.0 + apart), speed_drift=0.0, surroundings=(), neighbours=(),
        stray_shocks=0, machine_seed=seed, running=True, sensor_faults=(), load_percent=float(rng.uniform(40.0, 110.0)),
    )  # fmt: skip
    other, trains = _act(scene.drive, damages, seed, conditions)
    away = _acceleration(other, damages, trains)
    corner_hz = float(np.exp(rng.uniform(np.log(1500.0), np.log(8000.0))))
    path = NEIGHBOUR_SHARE * item.strength / (1.0 + 1j * structure.axis_hz / corner_hz)
    return np.stack([structure.signal(path * structure.spectrum(signal)) for signal in away])


def _friction(scene: Scene, structure: Structure, row: int, point: str, rms: float, follow: Array) -> Complex:
    """Friction noise of the given r.m.s., whose strength follows the contact forces a little."""
    white = scene.streams.capture(f"friction {point}").standard_normal(follow.size) * follow
    response = structure.friction(row) * structure.recorder
    gain = np.sqrt(np.mean(np.abs(response) ** 2))
    return np.asarray(structure.friction(row) * structure.spectrum(white) * (rms / gain))


def _shocks(scene: Scene) -> ImpactTrain:
    """Somebody drops a tool: a few shocks at any time."""
    rng = scene.streams.capture("shocks")
    count = scene.conditions.stray_shocks
    times = np.sort(rng.uniform(0.05, 0.95, count)) * scene.conditions.duration_s
    heights = SHOCK_OVER_NOISE / IMPACT_OVER_NOISE * rng.uniform(0.7, 1.4, (len(scene.sides), count))
    return ImpactTrain(
        label="stray shock", source="shock", times_s=times, heights=heights, pulse_s=4e-4, side="middle"
    )  # fmt: skip


def _strike(scene: Scene, structure: Structure, train: ImpactTrain, spectra: list[Complex]) -> None:
    """Ring the casing: an impact of height 1 peaks ``IMPACT_OVER_NOISE`` above nominal noise at the nearest sensor."""
    if train.times_s.size == 0:
        return
    rate = scene.conditions.sample_rate_hz
    paths = [structure.path_of_impact(row, train.source, scene.streams) for row in range(len(spectra))]
    reach = scene.at_side(train.side)
    nearest = int(np.argmax(reach))
    table = pulse_table(train.pulse_s, rate)
    single = np.zeros(structure.count)
    single[: table.shape[1]] = table[0][: structure.count]
    peak = float(np.max(np.abs(structure.signal(paths[nearest] * structure.spectrum(single)))))
    scale = IMPACT_OVER_NOISE * NOMINAL_NOISE_M_S2 * scene.load / max(peak, 1e-12)
    for row, response in enumerate(paths):
        force = place_pulses(
            structure.count, -LEAD_S, rate, train.times_s, scale * train.heights[row], train.pulse_s
        )  # fmt: skip
        spectra[row] += response * structure.spectrum(force)
