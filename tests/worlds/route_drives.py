"""The drives of a route as they are ordered, what is on their plates, their files, and how they fail."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.worlds.route_bench import Damage, Design, Rolling, rates


def pick(rng: np.random.Generator, shares: dict[str, float]) -> str:
    weights = np.array(list(shares.values()))
    return list(shares)[int(rng.choice(len(shares), p=weights / weights.sum()))]


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _ball(rng: np.random.Generator, name: str, inner: str, outer: str, load: str) -> Rolling:
    ball = round(float(rng.uniform(6, 16)), 2)
    elements = int(rng.integers(7, 11))
    return Rolling(name, inner, outer, load, elements, ball, round(ball * elements / rng.uniform(1.72, 2.0), 2))


def _roller(rng: np.random.Generator, name: str, inner: str, outer: str, load: str, low: int, high: int) -> Rolling:
    roller = round(float(rng.uniform(4, 15)), 2)
    elements = int(rng.integers(low, high))
    pitch = roller * elements / np.pi * rng.uniform(1.08, 1.3)
    return Rolling(name, inner, outer, load, elements, roller, round(float(pitch), 2))


def _planetary(rng: np.random.Generator) -> tuple[int, int, int]:
    """Sun, planet, planets: those that can be put together."""
    while True:
        sun, planet, planets = int(rng.integers(14, 25)), int(rng.integers(16, 36)), int(rng.choice([3, 3, 4]))
        if (2 * sun + 2 * planet) % planets == 0 and 3 <= 2 + 2 * planet / sun <= 6:
            return sun, planet, planets


def some_design(rng: np.random.Generator) -> Design:
    """A drive as it is ordered."""
    build = pick(
        rng,
        {"two": 0.5, "one": 0.13, "three": 0.08, "difference 2": 0.06, "rv": 0.11, "planetary": 0.06, "spur": 0.06},
    )
    lobes = int(rng.choice([9, 11, 13, 15, 17, 19, 21, 25, 29, 35, 43, 51, 59, 71, 87]))
    eccentric, disc = "stage1.eccentric", "stage1.disc"
    balls = _ball(rng, "input bearing", "input", "housing", "housing")
    if build == "rv":
        while True:
            sun, planet, pins = int(rng.integers(10, 22)), int(rng.integers(28, 46)), int(rng.choice([32, 40, 40, 52]))
            if 57 <= 1 + planet / sun * pins <= 171:
                break
        crank, carrier = "stage1.crank", "stage1.carrier"
        bearings = (
            balls,
            _roller(rng, "crank bearing", crank, disc, crank, 11, 17),
            _roller(rng, "crank support bearing", crank, carrier, carrier, 12, 18),
            replace(_roller(rng, "output bearing", carrier, "housing", "housing", 28, 44), contact_deg=30.0),
        )
        cranks = int(rng.choice([2, 3, 3]))
        return Design("rv", pins - 1, pins, 2, sun=sun, planet=planet, cranks=cranks, bearings=bearings)
    pre: tuple[int, ...] = ()
    pre_kind = ""
    difference = 2 if build == "difference 2" else 1
    if build == "difference 2":
        lobes = 2 * int(rng.integers(9, 26))
    if build in ("planetary", "spur"):
        while True:
            lobes = int(rng.choice([11, 15, 17, 21, 25, 29, 35, 43]))
            pre_kind = "planetary" if build == "planetary" else "gear pair"
            pre = _planetary(rng) if build == "planetary" else (int(rng.integers(17, 26)), int(rng.integers(36, 80)))
            first = 2 + 2 * pre[1] / pre[0] if build == "planetary" else pre[1] / pre[0]
            if 30 <= first * lobes <= 171:
                break
        eccentric, disc = "stage2.eccentric", "stage2.disc"
    output = _ball(rng, "output bearing", f"{disc[:6]}.output", "housing", "housing")
    output = replace(output, elements=output.elements + 6, pitch_mm=round(output.pitch_mm * 1.9, 2))
    return Design(
        "cycloidal", lobes, lobes + difference, {"one": 1, "three": 3}.get(build, 2),
        output_pins=int(rng.integers(6, 13)),
        bearings=(balls, _roller(rng, "eccentric bearing", eccentric, disc, eccentric, 9, 17), output),
        pre_kind=pre_kind, pre=pre,  # type: ignore[arg-type]
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Plate:
    """What is on the motor, and how fast it turns today."""

    mains: bool
    poles: int
    line_hz: int
    full_rpm: float
    range_rpm: tuple[float, float]
    power_kw: float
    speed_hz: float


def some_plate(rng: np.random.Generator, servo: bool) -> Plate:
    poles = int(rng.choice([4, 4, 4, 4, 4, 4, 6, 6, 2, 8]))
    line = int(rng.choice([50, 50, 50, 50, 60]))
    synchronous = 120 * line / poles
    power = float(rng.choice([0.37, 0.55, 0.75, 1.1, 1.5, 2.2, 3, 4, 5.5, 7.5, 11, 15]))
    slip = float(np.clip(0.05 * power**-0.35 * rng.uniform(0.8, 1.2), 0.015, 0.06))
    full = round(synchronous * (1 - slip))
    mains = not servo and rng.uniform() < 0.78
    if mains:
        speed = synchronous * (1 - slip * rng.uniform(0.15, 1.05)) / 60
        return Plate(
            mains=True, poles=poles, line_hz=line, full_rpm=full, range_rpm=(round(full * 0.99), round(synchronous)),
            power_kw=power, speed_hz=speed,
        )  # fmt: skip
    speed = full * rng.uniform(0.45, 1.05) / 60
    return Plate(
        mains=False, poles=poles, line_hz=line, full_rpm=full, range_rpm=(round(full * 0.4), round(full * 1.1)),
        power_kw=power, speed_hz=speed,
    )  # fmt: skip


def drive_file(tag: str, design: Design, plate: Plate, around: list[tuple[str, float, tuple[float, ...]]]) -> str:
    """The drive file, with what is declared of the surroundings."""
    lines = [f'tag = "{tag}"', f"ratio = {1 / abs(rates(design)[f'{design.stage}.output']):.9g}", "[input]"]
    lines += [f"speed_rpm = {plate.full_rpm:g}", f"speed_range_rpm = [{plate.range_rpm[0]:g}, {plate.range_rpm[1]:g}]"]
    lines += [f"power_kw = {plate.power_kw:g}"]
    if plate.mains:
        lines += ["[motor]", f"poles = {plate.poles}", f"line_hz = {plate.line_hz}"]
    if design.pre_kind:
        lines += ["[[stage]]", f'kind = "{design.pre_kind}"']
    if design.pre_kind == "planetary":
        sun, planet, planets = design.pre
        lines += [f"sun_teeth = {sun}", f"planet_teeth = {planet}", f"ring_teeth = {sun + 2 * planet}"]
        lines += [f"planets = {planets}", 'fixed = "ring"']
    elif design.pre_kind == "gear pair":
        lines += [f"driver_teeth = {design.pre[0]}", f"driven_teeth = {design.pre[1]}"]
    lines += ["[[stage]]", f'kind = "{design.kind}"', f"lobes = {design.lobes}", f"ring_pins = {design.pins}"]
    lines += [f"discs = {design.discs}", 'fixed = "ring"']
    if design.kind == "rv":
        lines += [f"sun_teeth = {design.sun}", f"planet_teeth = {design.planet}", f"cranks = {design.cranks}"]
    else:
        lines += [f"output_pins = {design.output_pins}"]
    for bearing in design.bearings:
        lines += ["[[bearing]]", f'name = "{bearing.name}"', f'inner = "{bearing.inner}"', f'outer = "{bearing.outer}"']
        lines += [f'load = "{bearing.load}"', f"elements = {bearing.elements}"]
        lines += [f"element_diameter_mm = {bearing.element_mm:g}", f"pitch_diameter_mm = {bearing.pitch_mm:g}"]
        lines += [f"contact_angle_deg = {bearing.contact_deg:g}"]
    for what, speed_hz, per_turn in around:
        lines += ["[[neighbour]]", f'name = "{what}"']
        lines += [f"speed_range_rpm = [{speed_hz * 58.5:.2f}, {speed_hz * 61.5:.2f}]", f"per_turn = {list(per_turn)}"]
    return "\n".join(lines) + "\n"


def some_damage(rng: np.random.Generator, design: Design) -> tuple[Damage, tuple[str, ...]]:
    """A part as parts fail, and the tones that may rightly be named: those at the same order share them."""
    life = "crank bearing" if design.kind == "rv" else "eccentric bearing"
    shares = {life: 0.38, "input bearing": 0.2, "output bearing": 0.05, "ring_pin": 0.13, "lobe": 0.13}
    if design.kind == "rv":
        shares |= {"crank support bearing": 0.1, "sun_tooth": 0.06, "planet_tooth": 0.05}
    else:
        shares |= {"output_pin": 0.1}
    if design.pre_kind == "planetary":
        shares |= {"sun_tooth": 0.1, "planet_tooth": 0.07}
    elif design.pre_kind == "gear pair":
        shares |= {"driver_tooth": 0.1, "driven_tooth": 0.07}
    part = pick(rng, shares)
    bearing = part.endswith("bearing")
    element = pick(rng, {"outer_race": 0.5, "inner_race": 0.33, "rolling_element": 0.17}) if bearing else ""
    damage = Damage(
        part,
        element,  # type: ignore[arg-type]
        slip=float(rng.uniform(0, 0.015)) if bearing else 0.0,
        jitter=log_uniform(rng, 0.002, 0.012),
        width_s=log_uniform(rng, 4e-5, 2.5e-4),
        second=float(rng.uniform(0.03, 0.12)) if rng.uniform() < 0.33 else 0.0,
        tracks=design.discs if rng.uniform() < 0.4 else 1,
        depth=float(rng.uniform(0.1, 0.5)),
    )
    pins, first = design.stage, "stage1"
    same = {
        "ring_pin": [f"{pins}.ring_pin"],
        "lobe": [f"{pins}.lobe", f"{first}.planet_tooth" if design.kind == "rv" else f"{pins}.output_pin"],
        "output_pin": [f"{pins}.output_pin", f"{pins}.lobe"],
        "planet_tooth": [f"{first}.planet_tooth", *([f"{pins}.lobe"] if design.kind == "rv" else [])],
        "driven_tooth": [f"{first}.driven_tooth", f"{pins}.ring_pin"],
    }.get(part, [f"bearing.{part}.{element}" if bearing else f"{first}.{part}"])
    if part == "ring_pin" and design.pre_kind:
        same.append(f"{first}.{'ring' if design.pre_kind == 'planetary' else 'driven'}_tooth")
    return damage, tuple(same)
