"""The drives, and the lives they lead, on which every study measures.

Sizes and speeds span what is sold: ratios 6 to 119, one and two stages, tooth difference 1 and 2, an RV drive, 600 to
2,900 rpm. Nothing here is used to set a threshold.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import lru_cache
from multiprocessing import get_context
from typing import Any, TypeVar

import numpy as np

from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.tones import ToneTable
from vibe.flow.diagnose.capture_diagnosis import CaptureDiagnosis, diagnose_samples
from vibe.flow.settings import Settings, load_settings
from vibe.kinematics.tone_table import tone_table
from vibe.synth.conditions import Conditions
from vibe.synth.surroundings.surroundings import drawn as around

Work = TypeVar("Work")
Result = TypeVar("Result")


def _bearing(
    name: str, inner: str, outer: str, elements: int, element: float, pitch: float, load: str | None
) -> dict[str, Any]:
    made = {"name": name, "inner": inner, "outer": outer, "elements": elements, "element_diameter_mm": element}
    return {**made, "pitch_diameter_mm": pitch, **({"load": load} if load else {})}


def _cycloid(lobes: int, output_pins: int, *, difference: int = 1, discs: int = 2) -> dict[str, Any]:
    return {
        "kind": "cycloidal", "lobes": lobes, "ring_pins": lobes + difference, "output_pins": output_pins,
        "discs": discs, "fixed": "ring",
    }  # fmt: skip


def _drive(
    tag: str, rpm: float, stages: Sequence[dict[str, Any]], *, poles: int, power_kw: float, rv: bool = False
) -> Drive:
    eccentric, body = ("stage1.crank", "stage1.carrier") if rv else ("stage1.eccentric", "stage1.output")
    last = f"stage{len(stages)}.carrier" if rv else f"stage{len(stages)}.output"
    bearings = [
        _bearing("input bearing", "input", "housing", 9, 7.94, 39.04, None),
        _bearing("eccentric bearing", eccentric, "stage1.disc", 13, 11.0, 52.0, eccentric),
        _bearing("output bearing", last, "housing", 16, 11.11, 92.5, None),
    ]
    if rv:
        bearings.insert(2, _bearing("crank support bearing", eccentric, body, 15, 6.0, 32.0, body))
    synchronous = 120.0 * 50.0 / poles
    line_hz = 50.0 if 0.9 < rpm / synchronous < 1 else (rpm * 1.03) * poles / 120.0
    return Drive.model_validate(
        {
            "tag": tag,
            "input": {"speed_rpm": rpm, "speed_range_rpm": [0.97 * rpm, 1.03 * rpm], "power_kw": power_kw},
            "motor": {"poles": poles, "line_hz": line_hz},
            "stage": list(stages),
            "bearing": bearings,
        }
    )


def _fleet() -> dict[str, Drive]:
    rv = {
        "kind": "rv", "sun_teeth": 10, "planet_teeth": 38, "cranks": 3, "lobes": 39, "ring_pins": 40, "discs": 2,
        "fixed": "ring",
    }  # fmt: skip
    drives = [
        _drive("ratio-6", 2900, [_cycloid(6, 6)], poles=2, power_kw=5.5),
        _drive("ratio-17", 1460, [_cycloid(17, 10, discs=3)], poles=4, power_kw=7.5),
        _drive("ratio-29", 970, [_cycloid(29, 10)], poles=6, power_kw=4.0),
        _drive("ratio-59", 1455, [_cycloid(59, 12)], poles=4, power_kw=2.2),
        _drive("ratio-119", 1440, [_cycloid(119, 16)], poles=4, power_kw=0.55),
        _drive("difference-2", 600, [_cycloid(38, 10, difference=2)], poles=4, power_kw=3.0),
        _drive("two-stage", 1445, [_cycloid(17, 8), _cycloid(11, 8)], poles=4, power_kw=1.5),
        _drive("rv", 1530, [rv], poles=4, power_kw=1.1, rv=True),
    ]
    return {drive.tag: drive for drive in drives}


FLEET = _fleet()
SURROUNDED = 0.5
"""Share of captures with machines around the drive."""


@lru_cache(maxsize=64)
def tones(tag: str) -> ToneTable:
    """The tone table of a drive of the fleet."""
    return tone_table(FLEET[tag])


@lru_cache(maxsize=1)
def settings() -> Settings:
    """The default rules, as a user has them."""
    return load_settings()


def life(seed: int, *, of: str = "", surrounded: str = "", **fixed: Any) -> Conditions:
    """What a capture may meet: pitch errors, speed wander and drift, load, neighbours' lines, stray shocks.

    ``fixed`` values replace the drawn ones. ``of`` parts the streams of studies, so that none repeats another's.
    ``surrounded``: a drive's tag; half of its captures have one to three machines or other causes around it, at random
    strengths. Every study that counts false alarms asks for it; those that measure how little can be found do not.
    """
    rng = np.random.default_rng([seed, *of.encode()])
    drawn: dict[str, Any] = {
        "pitch_errors": float(np.exp(rng.normal(0.0, 0.5))),
        "speed_wander": float(10 ** rng.uniform(-4.5, -3.3)),
        "speed_drift": float(rng.choice([0.0, 0.0, 0.002, -0.004, 0.01])),
        "load_percent": float(rng.uniform(25.0, 110.0)),
        "noise": float(np.exp(rng.normal(0.0, 0.3))),
        "residual_unbalance": float(np.exp(rng.normal(0.0, 0.4))),
        "neighbours": tuple(
            (float(rng.uniform(8.0, 900.0)), float(rng.uniform(0.05, 0.4))) for _ in range(rng.integers(0, 4))
        ),
        "stray_shocks": int(rng.choice([0, 0, 1, 4])),
    }
    if surrounded:
        next_to = np.random.default_rng([seed, *f"{of} around {surrounded}".encode()])
        drawn["surroundings"] = around(next_to) if next_to.random() < SURROUNDED else ()
    return Conditions(**{**drawn, **fixed})


def judged(capture: Capture, drive: Drive) -> CaptureDiagnosis:
    """The capture through the program's own steps, at default settings."""
    return diagnose_samples(capture, drive, tones(drive.tag) if drive.tag in FLEET else tone_table(drive), settings())


def spread_out(do: Callable[[Work], Result], work: Iterable[Work], *, workers: int) -> Iterator[Result]:
    """``do`` for every piece of ``work``, on ``workers`` processes, in order."""
    if workers == 1:
        yield from map(do, work)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(do, work)
