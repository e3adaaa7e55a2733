"""What stands around a drive of the forge: hammers, presses, screens, chains, fans, pumps, inverters, other drives.

Each function gives the forces of one machine over the time of a run, and the table of a drive file that declares it, or
"" where nobody would.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from tests.worlds.forge_bench import (
    Array,
    Force,
    Push,
    Reducer,
    Run,
    Strikes,
    damage,
    moved,
    own_forces,
    slow,
    steady_run,
)

Around = tuple[list[Push], str]
Machine = Callable[[np.random.Generator, Reducer, Run, Reducer], Around]
"""Of a generator, the drive, its run, and another drive of the works."""


def _speed_hz(run: Run) -> float:
    return float((run.turns[-1] - run.turns[0]) / run.length_s)


def _neighbour(name: str, rate_hz: float, per_turn: tuple[float, ...], spread: float = 0.01) -> str:
    low, high = rate_hz * 60 * (1 - spread), rate_hz * 60 * (1 + spread)
    counts = ", ".join(f"{one:g}" for one in per_turn)
    return f'\n[[neighbour]]\nname = "{name}"\nspeed_range_rpm = [{low:.1f}, {high:.1f}]\nper_turn = [{counts}]\n'


def _apart(rng: np.random.Generator, run: Run, low_hz: float, high_hz: float) -> float:
    """A turning rate that is no neighbour of the drive's own, nor of half or twice of it."""
    own = _speed_hz(run)
    while True:
        rate = float(rng.uniform(low_hz, high_hz))
        if all(abs(rate / (own * times) - 1) > 0.012 for times in (0.5, 1, 2, 3)):
            return rate


def _angle(rng: np.random.Generator, run: Run, rate_hz: float, drift: float = 3e-4) -> Array:
    return steady_run(rng, run.rate_hz, run.seconds.size, rate_hz, drift=drift).turns


def _flow(rng: np.random.Generator, size: int, smooth: int) -> Array:
    """Noise that falls with frequency: a running mean over ``smooth`` samples."""
    sums = np.cumsum(rng.standard_normal(size + smooth))
    return np.asarray((sums[smooth:] - sums[:-smooth]) / np.sqrt(smooth))


def fan(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A blower: its turn, its blades, the air."""
    rate, blades = _apart(rng, run, 22.0, 49.3), int(rng.integers(6, 13))
    turns = _angle(rng, run, rate)
    lines = 2 * np.cos(2 * np.pi * turns) + 0.5 * np.cos(4 * np.pi * turns + 1) + np.cos(2 * np.pi * blades * turns)
    air = _flow(rng, run.turns.size, 6) * (1 + 0.2 * np.cos(2 * np.pi * blades * turns))
    return [Force(at="next", samples=lines + 0.2 * air)], _neighbour("blower", rate, (1, blades))


def air(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A blower through its duct: broad noise that swells and fades, no lines."""
    swell = 1 + 0.25 * slow(rng, run.seconds, 0.7)
    return [Force(at="base", samples=_flow(rng, run.turns.size, 4) * swell)], ""


def pump(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A cooling pump: vanes, some cavitation."""
    rate, vanes = _apart(rng, run, 24.1, 49.2), int(rng.integers(5, 8))
    turns = _angle(rng, run, rate)
    lines = (
        np.cos(2 * np.pi * turns) + 1.5 * np.cos(2 * np.pi * vanes * turns) + 0.7 * np.cos(4 * np.pi * vanes * turns)
    )
    bubbles = rng.standard_normal(run.turns.size) * (1 + 0.4 * np.cos(2 * np.pi * vanes * turns))
    return [Force(at="next", samples=lines + 0.4 * bubbles)], _neighbour("cooling pump", rate, (1, vanes))


def hydraulic(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A pump of seven or nine pistons whose load comes and goes with the press."""
    rate, pistons = _apart(rng, run, 23.4, 24.95), int(rng.choice([7, 9]))
    turns = _angle(rng, run, rate, 1e-3)
    level = np.where(np.sin(2 * np.pi * run.seconds / rng.uniform(2.5, 6.0)) > 0.3, 1.0, 0.35)
    lines = np.sum([np.cos(2 * np.pi * k * pistons * turns + k * k) / k**0.7 for k in range(1, 9)], axis=0)
    return [Force(at="next", samples=level * lines), Force(at="next", samples=np.cos(2 * np.pi * turns))], _neighbour(
        "hydraulic pump", rate, (1, pistons)
    )


def hammer(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A drop hammer that a man works: no beat of its own, each blow with its rebounds."""
    blows = np.cumsum(rng.lognormal(np.log(1.6), 0.5, int(run.length_s) + 12)) - 1.5
    sizes = rng.lognormal(0, 0.35, blows.size)
    times = np.concatenate([blows, blows + 0.11 * rng.uniform(0.8, 1.3, blows.size), blows + 0.29])
    sizes = np.concatenate([sizes, 0.35 * sizes, 0.1 * sizes])
    return [Strikes(at="base", times_s=times, sizes=sizes, width_s=rng.uniform(3e-4, 1.5e-3))], ""


def press(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """An automatic press: clutch and blow at every stroke, on its own clock."""
    period = float(rng.uniform(0.45, 1.5))
    count = int(run.length_s / period) + 3
    blows = period * (np.arange(count) + rng.uniform() - 1 + 0.004 * rng.standard_normal(count))
    times = np.concatenate([blows, blows + 0.31 * period])
    sizes = np.concatenate([rng.normal(1, 0.08, count), rng.normal(0.3, 0.05, count)])
    pushes: list[Push] = [Strikes(at="base", times_s=times, sizes=sizes, width_s=rng.uniform(2e-4, 8e-4))]
    return pushes, _neighbour("press", 1 / period, (1, 2))


def screen(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A shake-out screen: two weights that shake the base, and castings that drop on it."""
    rate = _apart(rng, run, 14.2, 16.5)
    turns = _angle(rng, run, rate)
    shake = np.cos(2 * np.pi * turns) + 0.1 * np.cos(4 * np.pi * turns) + 0.05 * np.cos(6 * np.pi * turns)
    count = int(30 * run.length_s)
    # Castings leave the deck with the stroke and fall back at much the same part of it, most of them.
    cycles = rng.integers(int(turns[0]), int(turns[-1]), count) + 0.6 + 0.15 * rng.standard_normal(count)
    times = np.interp(cycles, turns, run.seconds)
    drops = Strikes(at="base", times_s=times, sizes=rng.lognormal(0, 0.8, count), width_s=4e-4)
    return [Force(at="base", samples=0.4 * shake), drops], _neighbour("screen", rate, (1, 2))


def chain(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """The chain on the drive's own output sprocket: a link seats with each tooth, links differ."""
    teeth, links = int(rng.integers(11, 20)), int(rng.integers(70, 140))
    turned = np.abs(drive.rates[drive.output]) * run.turns * teeth
    seats = np.arange(np.ceil(turned[0]), np.floor(turned[-1]) + 1)
    pitch = 0.02 * rng.standard_normal(links)
    link = seats.astype(np.int64) % links
    times = np.interp(seats + pitch[link] + 0.01 * rng.standard_normal(seats.size), turned, run.seconds)
    sizes = (1 + 0.3 * rng.standard_normal(links))[link] * rng.uniform(0.8, 1.2, seats.size)
    pushes: list[Push] = [Strikes(at="out", times_s=times, sizes=np.abs(sizes), width_s=rng.uniform(3e-4, 1e-3))]
    return pushes, f'\n[[driven]]\nname = "drag chain"\non = "{drive.output}"\nsprocket_teeth = {teeth}\n'


def other_chain(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A chain of another conveyor: seats at a rate of its own."""
    rate, teeth = float(rng.uniform(0.35, 0.9)), int(rng.integers(9, 15))
    turned = _angle(rng, run, rate * teeth, 2e-3)
    seats = np.arange(np.ceil(turned[0]), np.floor(turned[-1]) + 1)
    times = np.interp(seats + 0.015 * rng.standard_normal(seats.size), turned, run.seconds)
    pushes: list[Push] = [
        Strikes(at="next", times_s=times, sizes=rng.normal(1, 0.2, seats.size), width_s=rng.uniform(2e-4, 8e-4))
    ]
    return pushes, _neighbour("apron conveyor", rate, (teeth,), 0.02)


def station(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """Stops of an indexing table or cams on the output shaft: in step with the output."""
    counts = int(rng.integers(3, 9))
    turned = np.abs(drive.rates[drive.output]) * run.turns * counts
    stops = np.arange(np.ceil(turned[0]), np.floor(turned[-1]) + 1)
    unequal = 1 + 0.2 * rng.standard_normal(counts)
    times = np.interp(stops + 0.003 * rng.standard_normal(stops.size), turned, run.seconds)
    pushes: list[Push] = [
        Strikes(
            at="out", times_s=times, sizes=unequal[stops.astype(np.int64) % counts], width_s=rng.uniform(4e-4, 2e-3)
        )
    ]
    return pushes, f'\n[[driven]]\nname = "cams"\non = "{drive.output}"\nper_turn = [{counts}]\n'


def tumbling(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """Sand in a mixer: paddles on the output push noise up and down, lumps fall at random."""
    paddles = int(rng.integers(3, 7))
    turned = 2 * np.pi * np.abs(drive.rates[drive.output]) * run.turns
    push = _flow(rng, run.turns.size, 8) * (1 + 0.5 * np.cos(paddles * turned))
    lumps = rng.uniform(0, run.length_s, int(6 * run.length_s))
    fall = Strikes(at="out", times_s=lumps, sizes=4 * rng.lognormal(0, 0.7, lumps.size), width_s=1e-3)
    return [Force(at="out", samples=push), fall], (
        f'\n[[driven]]\nname = "paddles"\non = "{drive.output}"\nblades = {paddles}\n'
    )


def motor_fan(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """The motor's own fan, which touches its cowl with one blade more than with the others: in step with the input."""
    blades = int(rng.integers(5, 9))
    touches = np.arange(np.ceil(run.turns[0] * blades), np.floor(run.turns[-1] * blades) + 1)
    sizes = (1 + 0.25 * rng.standard_normal(blades))[touches.astype(np.int64) % blades]
    rub = rng.standard_normal(run.turns.size) * (1 + 0.6 * np.cos(2 * np.pi * blades * run.turns))
    pushes: list[Push] = [
        Strikes(at="in", times_s=np.interp(touches / blades, run.turns, run.seconds), sizes=sizes, width_s=1.5e-3),
        Force(at="in", samples=0.05 * rub),
    ]
    return pushes, f'\n[[fitted]]\nname = "motor fan"\non = "input"\nfan_blades = {blades}\n'


def riveting(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A chipping hammer in a man's hands: bursts at 20 to 35 Hz that never hold their rate."""
    times: list[float] = []
    now = float(rng.uniform(-1, 0.5))
    while now < run.length_s:
        rate, end = float(rng.uniform(20, 35)), now + float(rng.uniform(0.5, 2.0))
        while now < end:
            times.append(now)
            now += (1 + 0.06 * float(rng.standard_normal())) / rate
        now += float(rng.uniform(0.3, 1.5))
    sizes = rng.lognormal(0, 0.25, len(times))
    return [Strikes(at="base", times_s=np.array(times), sizes=sizes, width_s=rng.uniform(1e-4, 4e-4))], ""


def crane(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A crane that passes overhead: rumble that comes and goes, wheels that knock over the joints of its rails."""
    middle, width = rng.uniform(0.2, 0.8) * run.length_s, rng.uniform(0.15, 0.4) * run.length_s
    swell = np.exp(-(((run.seconds - middle) / width) ** 2))
    joints = np.arange(rng.uniform(0, 1), run.length_s, rng.uniform(2.0, 3.5))
    times = np.sort(np.concatenate([joints, joints + 0.42, joints + 1.27]))
    sizes = 150 * np.exp(-(((times - middle) / width) ** 2)) * rng.uniform(0.6, 1.3, times.size)
    rumble = _flow(rng, run.turns.size, 24) * swell
    return [Force(at="base", samples=rumble), Strikes(at="base", times_s=times, sizes=sizes, width_s=1e-3)], ""


def inverter(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """An inverter's whistle: side lines of its switching rate, at twice the supply of the motor."""
    supply = _speed_hz(run) * drive.poles / 2 * rng.uniform(1.005, 1.03)
    switching = float(rng.choice([2000.0, 2500.0, 4000.0, 5000.0]))
    lines = np.zeros(run.turns.size)
    for k, size in ((-4, 0.3), (-2, 1.0), (0, 0.4), (2, 0.9), (4, 0.3)):
        if 0 < switching + k * supply < 0.45 * run.rate_hz:
            lines += size * np.cos(2 * np.pi * (switching + k * supply) * run.seconds + k)
    pull = 0.5 * np.cos(4 * np.pi * supply * run.seconds)
    return [Force(at="in", samples=lines + pull)], ""


def furnace(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """An induction furnace: a whistle at some hundred hertz, rippled six times per period of the mains."""
    mains, own = drive.line_hz, rng.uniform(240, 950)
    drift = 2 * np.pi * np.cumsum(own * (1 + 2e-3 * slow(rng, run.seconds, 0.4))) / run.rate_hz
    ripple = 1 + 0.3 * np.cos(2 * np.pi * 6 * mains * run.seconds) + 0.15 * np.cos(2 * np.pi * 2 * mains * run.seconds)
    lines = np.cos(2 * drift) * ripple + 0.3 * np.cos(4 * drift) + 0.6 * np.cos(4 * np.pi * mains * run.seconds)
    return [Force(at="base", samples=lines)], _neighbour("furnace supply", mains, (1, 2, 6), 0.001)


def _next_run(rng: np.random.Generator, run: Run, away: float) -> Run:
    """Another drive's run, its speed ``away`` (relative) from the own, to either side."""
    rate = _speed_hz(run) * (1 + away * float(rng.choice([-1, 1])))
    return steady_run(rng, run.rate_hz, run.seconds.size, rate, drift=2e-4)


def _declared(other: Reducer, run: Run, per_turn: tuple[float, ...]) -> str:
    return _neighbour("drive on the same base", _speed_hz(run), per_turn, 0.015)


def sound_drive(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """Another drive of the works on the same base, sound."""
    own = _next_run(rng, run, rng.uniform(0.015, 0.05))
    pushes = own_forces(rng, other, own, noise=0.15, rough=0.03, bearings=0.05)
    return moved(pushes, "next"), _declared(
        other, own, (1, other.stages[0].pins * abs(other.wheels.ratio if other.wheels else 1))
    )


def sister(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """One of the same type, sound, a little faster or slower."""
    own = _next_run(rng, run, rng.uniform(0.015, 0.03))
    return moved(own_forces(rng, drive, own, noise=0.15, rough=0.03, bearings=0.05), "next"), ""


def _struck(rng: np.random.Generator, other: Reducer, own: Run, strikes: Strikes) -> list[Push]:
    """A drive that runs on the next casing and is struck, far above its rolling at high frequencies."""
    rolling = 0.15
    between = own.seconds.size / max(strikes.times_s.size, 1)
    strong = float(rng.uniform(1.5, 5.0)) * rolling * np.sqrt(3 * between)
    pushes = own_forces(rng, other, own, noise=rolling, rough=0.03, bearings=0.0)
    harder = Strikes(at="next", times_s=strikes.times_s, sizes=strong * strikes.sizes, width_s=strikes.width_s)
    return [*moved(pushes, "next"), harder]


def bad_bearing(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """Another drive with a race that strikes hard."""
    own = _next_run(rng, run, rng.uniform(0.02, 0.2))
    what = str(rng.choice(["input outer_race", "eccentric outer_race", "input inner_race"]))
    strikes, tones = damage(rng, other, what, own)
    bearing = next(one for one in other.bearings if f"bearing.{one.name}." in tones[0])
    passed = abs(other.rates[bearing.inner] - other.rates[bearing.outer])
    sign = -1 if tones[0].endswith("outer_race") else 1
    per_turn = bearing.elements / 2 * (1 + sign * bearing.gamma) * passed
    return _struck(rng, other, own, strikes), _declared(other, own, (1, round(per_turn, 3)))


def bad_pair(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """Another drive with a damaged pin or lobe, its speed a few per cent away."""
    own = _next_run(rng, run, rng.uniform(0.025, 0.07))
    what = str(rng.choice(["ring pin", "lobe"]))
    order = abs(other.rates[f"stage{other.first}.eccentric"])
    if what == "lobe":
        order += abs(other.rates[f"stage{other.first}.disc"])
    strikes, _ = damage(rng, other, what, own)
    return _struck(rng, other, own, strikes), _declared(other, own, tuple(sorted({1.0, round(order, 4)})))


def bad_gears(rng: np.random.Generator, drive: Reducer, run: Run, other: Reducer) -> Around:
    """A gear unit with a broken tooth: a blow per turn of its slow shaft, and its mesh."""
    rate = _apart(rng, run, 3.1, 9.7)
    turns, teeth = _angle(rng, run, rate), int(rng.integers(35, 80))
    blows = np.arange(np.ceil(turns[0]), np.floor(turns[-1]) + 1)
    strikes = Strikes(
        at="next", times_s=np.interp(blows, turns, run.seconds), sizes=rng.normal(60, 4, blows.size), width_s=2e-4
    )
    return [strikes, Force(at="next", samples=np.cos(2 * np.pi * teeth * turns))], _neighbour(
        "gear unit", rate, (1, teeth)
    )


MACHINES: dict[str, Machine] = {
    "air": air, "bad bearing": bad_bearing, "bad gears": bad_gears, "bad pair": bad_pair, "chain": chain,
    "crane": crane, "fan": fan, "furnace": furnace, "hammer": hammer, "hydraulic": hydraulic, "inverter": inverter,
    "motor fan": motor_fan, "other chain": other_chain, "press": press, "pump": pump, "riveting": riveting,
    "screen": screen, "sister": sister, "sound drive": sound_drive, "station": station, "tumbling": tumbling,
}  # fmt: skip
