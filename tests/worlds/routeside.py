"""A survey: the drives of a water works and of its neighbours, as a technician's route brings them over a year.

No capture tries a trick; each is an ordinary day, drawn from distributions that are stated here with their reason. Of
each ten captures seven are of sound drives that run, one is unusable, two are of damaged drives.

* Drive: half of them two discs in one stage, the common build; one disc (13 %), three (8 %), tooth difference 2 (6 %),
  RV (11 %) at positioners, a planetary (6 %) or spur (6 %) stage before the pins for slow shafts. Ratios 9 to 87 in one
  stage, 57 to 171 for RV, 30 to 171 with a stage before the pins.
* Motor: 7 of 10 stand on the mains (4 poles mostly; full slip 1.5 to 6 %, small motors slip more) under a load of 15
  to 105 %, so true speed lies between plate and synchronous speed; the rest on inverters at 45 to 105 % of their plate.
  Speed is noted (within 0.5 %) in 35 % of the former and 85 % of the latter, whose plate says little; 8 % have a pulse
  per turn. It swings by 0.01 to 0.3 % (log-uniform, r.m.s.); 8 % have a ramp of 1 %, as tanks empty.
* Making: grades 5 to 7, so errors of 2 to 4.5 µm (standard deviation) under 6 to 40 µm of wind-up. Noise of rubbing
  over the rest of what pins and discs do normal, 8 ± 7 dB: accurate drives are mostly noise. What is driven lets the
  load swing by 1 to 15 % (log-uniform), once to four times per turn of the output.
* Sensor: magnet (55 %), glue, stud, few held by hand: its resonance lies at 3.5 to 7.5, 8 to 12, 12 to 20, 1.2 to
  2.2 kHz. One point or two (45 %). Rates 5.12 to 51.2 kHz, lengths 8 to 30 s (log-uniform), 5 % of 6 s. Noise of 30 to
  500 (µm/s²)/√Hz, 16 or 24 bits; the hall adds 3 to 50 mm/s² of rumble, one lead in ten a little hum.
* Level: r.m.s. log-normal, 1.2 m/s² at 25 turns/s in proportion to speed, ± 5 dB, but no more than 2 to 6 mm/s from 10
  to 1000 Hz (log-uniform): what shakes more is not left running.
* Around: every second capture, one to four machines (`route_around.py`), most of them 10 to 30 dB below the drive,
  since the sensor sits on the drive. One of eight of these is next to a twin at a speed 0.2 to 6 % off, at least 3 dB
  below the drive; half of the twins are damaged. Half of the surroundings are declared in the drive file.
* Unusable: at rest next to running machines (4 of 10), another drive (3), a dead sensor (2), a start or stop (1 of 10).
* Damage: the parts as they fail, bearings on the eccentric first; strikes peak at 0.3 to 6 times the r.m.s. of the
  sound drive (log-uniform), slip 0 to 1.5 %, one in three with a far edge.

What is drawn is dropped and drawn again, by rules on levels alone (`runs_visibly`, `damage_visibly`), where nothing of
the drive stands in the record at its true speed, or nothing of the damage in any band's envelope; strikes are a fifth
larger with each further draw. Three of four stand as first drawn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.fft import rfft
from scipy.signal import lfilter

from tests.worlds.case import Truth, WorldCase
from tests.worlds.route_around import Machine, any_machine, at_sensors, distant, level_db, steady
from tests.worlds.route_bench import (
    LEAD_S,
    TAIL_S,
    TAU,
    Bins,
    Design,
    Floats,
    Making,
    Motion,
    Way,
    housing,
    rates,
    record,
    samples_for,
    settled,
    struck,
    velocity_of,
    way,
)
from tests.worlds.route_drives import Plate, drive_file, log_uniform, pick, some_damage, some_design, some_plate
from tests.worlds.route_fair import damage_visibly, runs_visibly

COUNT = 400
SEED = 20_417
TRIES = 12
RATES_HZ = (5120, 6400, 10240, 12800, 16000, 20480, 25600, 51200)
RATE_SHARES = (0.07, 0.06, 0.17, 0.2, 0.08, 0.1, 0.24, 0.08)
KEYS = ("x", "y", "twist", "shaft", "rough", "damage")
POINTS = ("input side", "output side")


# ---------------------------------------------------------------- captures


@dataclass(frozen=True, slots=True, kw_only=True)
class Recorder:
    """Sensors and logger."""

    rate_hz: float
    seconds: float
    points: int
    foot_hz: float
    mount_hz: float
    noise: float
    """(m/s²)/√Hz."""
    step: float
    """Of the converter [m/s²]."""


def some_recorder(rng: np.random.Generator) -> Recorder:
    rate = float(rng.choice(RATES_HZ, p=RATE_SHARES))
    seconds = 6.0 if rng.uniform() < 0.05 else round(log_uniform(rng, 8, 30), 1)
    mount = {"magnet": (3500, 7500), "glue": (8000, 12000), "stud": (12000, 20000), "hand": (1200, 2200)}
    low, high = mount[pick(rng, {"magnet": 0.55, "glue": 0.2, "stud": 0.2, "hand": 0.05})]
    return Recorder(
        rate_hz=rate, seconds=seconds, points=2 if rng.uniform() < 0.45 else 1, foot_hz=log_uniform(rng, 18, 70),
        mount_hz=log_uniform(rng, low, high), noise=log_uniform(rng, 3e-5, 5e-4),
        step=float(rng.choice([490 / 2**15, 98 / 2**15, 490 / 2**23])),
    )  # fmt: skip


def some_motion(rng: np.random.Generator, speed_hz: float, seconds: float) -> Motion:
    motion = steady(rng, speed_hz, seconds, log_uniform(rng, 1e-4, 3e-3))
    if rng.uniform() < 0.08:
        slope = rng.choice([-1, 1]) * np.linspace(-0.005, 0.005, len(motion.speed_hz))
        motion = Motion(seconds, motion.speed_hz * (1 + slope))
    return motion


def _of_drive(rng: np.random.Generator, plate: Plate, seconds: float) -> Motion:
    """On the mains nothing turns faster than its field."""
    motion = some_motion(rng, plate.speed_hz, seconds)
    if plate.mains:
        motion = Motion(seconds, np.minimum(motion.speed_hz, plate.range_rpm[1] / 60 * 0.9997))
    return motion


def _making(rng: np.random.Generator, plate: Plate) -> Making:
    grade = rng.choice([2.0, 3.0, 4.5])
    return Making(
        error_um=float(grade * rng.uniform(0.8, 1.2)), windup_um=log_uniform(rng, 6, 40),
        rough_db=float(np.clip(rng.normal(8, 7), -8, 22)), unbalance=float(rng.lognormal(-0.5, 0.6)),
        electric=float(rng.lognormal(-1, 0.7)), line_hz=plate.line_hz if plate.mains else 0.0,
        swing=log_uniform(rng, 0.01, 0.15), blades=int(rng.integers(1, 5)),
        direction_depth=float(rng.uniform(0.03, 0.3)),
    )  # fmt: skip


def _ways(rng: np.random.Generator, recorder: Recorder) -> list[dict[str, Way]]:
    places = [housing(rng, recorder.foot_hz, recorder.mount_hz) for _ in range(recorder.points)]
    return [{key: way(rng, place) for key in KEYS} for place in places]


def _logged(rng: np.random.Generator, bins: Bins, recorder: Recorder, samples: int) -> Floats:
    """What the logger stores: no lowest frequencies, nothing near half the rate, noise, steps."""
    frequency = np.linspace(0, recorder.rate_hz / 2, len(bins))
    passed = frequency / np.hypot(frequency, 1.0) / np.sqrt(1 + (frequency / (0.42 * recorder.rate_hz)) ** 24)
    values = settled(np.asarray(bins * passed, dtype=np.complex64), samples, recorder.rate_hz)
    samples = len(values)
    values += rng.standard_normal(samples, dtype=np.float32) * np.float32(
        recorder.noise * np.sqrt(recorder.rate_hz / 2)
    )
    keep = np.exp(-TAU * 400 / recorder.rate_hz)  # a floor passes low notes better
    rumble = lfilter([1.0], [1.0, -keep], rng.standard_normal(samples)) * np.sqrt(1 - keep**2)
    values += (log_uniform(rng, 0.003, 0.05) * rumble).astype(np.float32)
    if rng.uniform() < 0.1:
        turned = TAU * 50 * np.arange(samples) / recorder.rate_hz
        values += (log_uniform(rng, 0.003, 0.05) * (np.cos(turned) + 0.4 * np.cos(3 * turned))).astype(np.float32)
    return np.asarray(np.round(values / recorder.step) * recorder.step, dtype=np.float32)


@dataclass(slots=True, kw_only=True)
class Scene:
    """A capture on its way: spectra at each point [m/s²] and what is known of it."""

    seen: list[Bins]
    around: list[tuple[str, float, tuple[float, ...]]]
    twin: str = ""


def _add_machines(rng: np.random.Generator, scene: Scene, recorder: Recorder, samples: int, strength: float) -> None:
    for number in range(int(rng.choice([1, 2, 3, 4], p=[0.4, 0.3, 0.2, 0.1]))):
        machine: Machine = any_machine(rng, recorder.seconds)
        loud = strength * 10 ** (level_db(rng) / 20)
        for bins, more in zip(
            scene.seen, at_sensors(rng, machine, recorder.points, samples, recorder.rate_hz), strict=True
        ):
            bins += more * np.float32(loud)
        if machine.per_turn:
            scene.around.append((f"{machine.what} {number + 1}", machine.speed_hz, machine.per_turn))


def _add_twin(
    rng: np.random.Generator,
    scene: Scene,
    recorder: Recorder,
    samples: int,
    strength: float,
    design: Design,
    plate: Plate,
    speed_hz: float,
) -> None:
    """A drive of the same type on the same frame, at a speed a little off; every second one is damaged."""
    speed = speed_hz * (1 + rng.choice([-1, 1]) * log_uniform(rng, 0.002, 0.06))
    motion = some_motion(rng, speed, recorder.seconds)
    far = [{key: distant(rng) for key in KEYS} for _ in range(recorder.points)]
    parts = record(design, _making(rng, plate), motion, far, samples, rng)
    scene.twin = "twin"
    if rng.uniform() < 0.5:
        damage, _ = some_damage(rng, design)
        added, _ = struck(design, damage, motion, far, samples, rng)
        size = np.float32(log_uniform(rng, 0.5, 6))
        parts = [np.asarray(one + size * other) for one, other in zip(parts, added, strict=True)]
        scene.twin = "damaged twin"
    loud = strength * 10 ** (min(level_db(rng), rng.uniform(-8, -3)) / 20)
    for bins, more in zip(scene.seen, parts, strict=True):
        bins += more * np.float32(loud)
    scene.around.append(("twin", speed, (1.0,)))


def truth_of(number: int) -> Truth:
    """Seven sound, one unusable, two damaged of each ten, in an order of their own."""
    order = np.random.default_rng([SEED, number // 10]).permutation(10)
    place = int(order[number % 10])
    return "sound" if place < 7 else "unusable" if place == 7 else "damaged"


def case(number: int) -> WorldCase:
    """Capture ``number`` of the survey."""
    if not 0 <= number < COUNT:
        raise ValueError(f"number must be from 0 to {COUNT - 1}")
    truth = truth_of(number)
    for attempt in range(TRIES):
        rng = np.random.default_rng([SEED, number, attempt, 7])
        made = _unusable(rng, number) if truth == "unusable" else _running(rng, number, truth, attempt)
        if made is not None:
            made.marks["attempt"] = float(attempt)
            return made
    raise RuntimeError(f"nothing of capture {number} stands in {TRIES} draws")


def _running(rng: np.random.Generator, number: int, truth: Truth, attempt: int) -> WorldCase | None:
    design, recorder = some_design(rng), some_recorder(rng)
    plate = some_plate(rng, design.kind == "rv")
    making, samples = _making(rng, plate), samples_for(recorder.seconds + LEAD_S + TAIL_S, recorder.rate_hz)
    recorder = replace(recorder, seconds=samples / recorder.rate_hz)
    motion = _of_drive(rng, plate, recorder.seconds)
    kept = motion.kept()
    speed = kept.turns / kept.seconds
    ways = _ways(rng, recorder)
    strength = float(1.2 * speed / 25 * 10 ** (rng.normal(0, 5) / 20))
    sound = record(design, making, motion, ways, samples, rng)
    strength *= min(1.0, log_uniform(rng, 2e-3, 6e-3) / (strength * velocity_of(sound[0], samples, recorder.rate_hz)))
    scene = Scene(seen=[bins * np.float32(strength) for bins in sound], around=[])
    marks = {
        "strength_m_s2": strength,
        "rough_db": making.rough_db,
        "ratio": 1 / abs(rates(design)[f"{design.stage}.output"]),
    }
    place = np.random.default_rng([SEED, number, 3])  # a place stays what it is, however often is drawn
    surrounded = place.uniform() < 0.5
    twinned = surrounded and place.uniform() < 0.125
    if surrounded and (not twinned or rng.uniform() < 0.5):
        _add_machines(rng, scene, recorder, samples, strength)
    if twinned:
        _add_twin(rng, scene, recorder, samples, strength, design, plate, speed)
    tones: tuple[str, ...] = ()
    kind = f"sound, {scene.twin or ('machines' if surrounded else 'alone')}"
    if truth == "damaged":
        damage, tones = some_damage(rng, design)
        size = log_uniform(rng, 0.3, 6) * 1.2**attempt
        added, order = struck(design, damage, motion, ways, samples, rng)
        pairs = []
        for point, more in enumerate(added):
            before = scene.seen[point]
            scene.seen[point] = before + np.float32(size * strength) * more
            pairs.append([rfft(_logged(rng, bins, recorder, samples)) for bins in (scene.seen[point], before)])
        if not any(damage_visibly(now, then, recorder.rate_hz, kept, order) for now, then in pairs):
            return None
        kind = "damaged " + (damage.element or damage.part).replace("_", " ")
        marks |= {"strike_over_rms": size, "order": order}
    channels = [_logged(rng, bins, recorder, samples) for bins in scene.seen]
    if not runs_visibly(channels, kept, design, recorder.rate_hz):
        return None
    declared = scene.around if rng.uniform() < 0.5 else []
    noted = rng.uniform() < (0.35 if plate.mains else 0.85)
    pulse = _pulse(rng, kept, len(channels[0])) if rng.uniform() < 0.08 else None
    return WorldCase(
        name=f"route {number:03d}", kind=kind, truth=truth, damaged=tones, marks=marks,
        drive_toml=drive_file(f"RT-{number:03d}", design, plate, declared),
        channels=dict(zip(POINTS, channels, strict=False)), sample_rate_hz=recorder.rate_hz, speed_hz=speed,
        pulses=pulse,
        noted_rpm=round(speed * 60 * (1 + rng.uniform(-0.005, 0.005)), 1) if noted else None,
    )  # fmt: skip


def _pulse(rng: np.random.Generator, motion: Motion, samples: int) -> Floats:
    """A pulse per turn of 5 V, a twelfth of a turn long."""
    place = np.mod(motion.angle(samples) / TAU + rng.uniform(0, 1), 1.0)
    return np.asarray(5.0 * (place < 1 / 12) + rng.normal(0, 0.02, samples), dtype=np.float32)


def _unusable(rng: np.random.Generator, number: int) -> WorldCase:
    design, recorder = some_design(rng), some_recorder(rng)
    plate = some_plate(rng, design.kind == "rv")
    samples = samples_for(recorder.seconds + LEAD_S + TAIL_S, recorder.rate_hz)
    recorder = replace(recorder, seconds=samples / recorder.rate_hz)
    what = pick(rng, {"at rest": 4, "another drive": 3, "dead sensor": 2, "start or stop": 1})
    strength = float(1.2 * plate.speed_hz / 25 * 10 ** (rng.normal(0, 5) / 20))
    scene = Scene(seen=[np.zeros(samples // 2 + 1, dtype=np.complex64) for _ in range(recorder.points)], around=[])
    speed: float | None = None
    if what == "another drive":
        other = some_design(rng)
        while (
            0.87 < other.pins / design.pins < 1.15 and other.kind == design.kind and other.pre_kind == design.pre_kind
        ):
            other = some_design(rng)
        motion = _of_drive(rng, plate, recorder.seconds)
        parts = record(other, _making(rng, plate), motion, _ways(rng, recorder), samples, rng)
        scene.seen = [bins * np.float32(strength) for bins in parts]
    elif what == "start or stop":
        motion = _stopping(rng, plate.speed_hz, recorder.seconds)
        parts = record(design, _making(rng, plate), motion, _ways(rng, recorder), samples, rng)
        scene.seen = [bins * np.float32(0.5 * strength) for bins in parts]
        speed = motion.kept().turns / motion.kept().seconds
    if what == "at rest" or rng.uniform() < 0.4:
        _add_machines(rng, scene, recorder, samples, strength)
    if what == "dead sensor":
        channels = [_dead(rng, bins, recorder, samples) for bins in scene.seen]
    else:
        channels = [_logged(rng, bins, recorder, samples) for bins in scene.seen]
    noted = what != "at rest" and rng.uniform() < (0.35 if plate.mains else 0.85)
    return WorldCase(
        name=f"route {number:03d}", kind=f"unusable, {what}", truth="unusable",
        drive_toml=drive_file(f"RT-{number:03d}", design, plate, scene.around if rng.uniform() < 0.5 else []),
        channels=dict(zip(POINTS, channels, strict=False)), sample_rate_hz=recorder.rate_hz, speed_hz=speed,
        noted_rpm=round(plate.speed_hz * 60, 1) if noted else None, marks={"strength_m_s2": strength},
    )  # fmt: skip


def _stopping(rng: np.random.Generator, speed_hz: float, seconds: float) -> Motion:
    """About a second at speed and a coast to rest, or the other way round; the rest of the record it stands."""
    times = np.linspace(0, seconds, int(seconds * 100))
    held, coast = LEAD_S + rng.uniform(0.3, 1.0), rng.uniform(0.5, 2.0)
    speed = speed_hz * np.clip(1 - (times - held) / coast, 0, 1)
    return Motion(seconds, speed[::-1].copy() if rng.uniform() < 0.5 else speed)


def _dead(rng: np.random.Generator, bins: Bins, recorder: Recorder, samples: int) -> Floats:
    """A broken lead that picks up the mains, noise alone, or a supply that fails: drift and steps."""
    samples -= int(LEAD_S * recorder.rate_hz) + int(TAIL_S * recorder.rate_hz)
    times = np.arange(samples) / recorder.rate_hz
    own = rng.standard_normal(samples) * log_uniform(rng, 3e-4, 5e-3)
    what = rng.integers(3)
    if what == 0:
        for multiple in (1, 2, 3, 5, 7):
            own += log_uniform(rng, 0.01, 1) / multiple * np.cos(TAU * 50 * multiple * times + rng.uniform(0, TAU))
    elif what == 1:
        own += np.cumsum(rng.standard_normal(samples)) * 1e-3
        for when in rng.uniform(0, recorder.seconds, rng.integers(2, 30)):
            own += rng.normal(0, 5) * np.exp(-np.clip(times - when, 0, None) / 0.3) * (times > when)
    return np.asarray(np.round(own / recorder.step) * recorder.step, dtype=np.float32)
