"""``vibe simulate``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import typer

from vibe.cli.shared.options import DriveFile, Force
from vibe.core.errors import CallError


def simulate(
    drive: DriveFile,
    out: Annotated[
        Path,
        typer.Option(
            "--out",
            metavar="FILE",
            help="The capture. Its ending says the format: .h5 .csv .wav .npz .mat .uff .parquet",
            show_default=False,
        ),
    ],
    damage: Annotated[
        list[str] | None,
        typer.Option(
            "--damage",
            metavar="TONE_ID[:SIZE[:PART]]",
            help="What is damaged. Size 1 is a clear mid-life spall; part counts pins or lobes from 0. May be "
            "repeated. A sound drive unless given.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, metavar="N", help="Equal seeds give equal samples.")] = 0,
    force: Force = False,
    duration_s: Annotated[float | None, typer.Option("--duration-s", metavar="N", help="Length [s].")] = None,
    sample_rate_hz: Annotated[
        float | None, typer.Option("--sample-rate-hz", metavar="N", help="Samples per second [Hz].")
    ] = None,
    speed_rpm: Annotated[
        float | None,
        typer.Option(
            "--speed-rpm",
            metavar="N",
            help="Input speed [r/min]; drawn from the drive's range by the seed unless given.",
        ),
    ] = None,
    load_percent: Annotated[
        float | None, typer.Option("--load-percent", metavar="N", help="Load [% of rated].")
    ] = None,
    speed_wander: Annotated[
        float | None,
        typer.Option("--speed-wander", metavar="N", help="Random change of speed, relative r.m.s. (0.001 is 0.1 %)."),
    ] = None,
    speed_drift: Annotated[
        float | None,
        typer.Option("--speed-drift", metavar="N", help="Steady change of speed, first to last sample, relative."),
    ] = None,
    point: Annotated[
        list[str] | None,
        typer.Option(
            "--point", metavar="NAME", help='Name of a sensor\'s place, such as "input side radial". May be repeated.'
        ),
    ] = None,
    tachometer: Annotated[bool, typer.Option("--tachometer", help="Add a pulse sensor on the input.")] = False,
    pulses_per_rev: Annotated[
        int | None,
        typer.Option("--pulses-per-rev", metavar="N", help="Pulses per turn of the input; implies --tachometer."),
    ] = None,
    noise: Annotated[
        float | None, typer.Option("--noise", metavar="N", help="Noise of the machine, times the usual.")
    ] = None,
    cage_slip: Annotated[
        float | None,
        typer.Option("--cage-slip", metavar="N", help="Slip of the bearing cages, relative (0.01 is 1 %)."),
    ] = None,
    stray_shocks: Annotated[
        int | None,
        typer.Option("--stray-shocks", metavar="N", help="Number of shocks that have nothing to do with the drive."),
    ] = None,
    neighbour: Annotated[
        list[str] | None,
        typer.Option(
            "--neighbour",
            metavar="HZ:MM_S",
            help="A line from another machine: frequency [Hz], velocity r.m.s. [mm/s]. May be repeated.",
        ),
    ] = None,
    around: Annotated[
        list[str] | None,
        typer.Option(
            "--around",
            metavar="KIND[:STRENGTH[:COUNT]]",
            help="A machine or another cause around the drive: chain, screw, mixer, fan, belt, pump, two fans, "
            "inverter, torque ripple, twice line, rotor slots, load cycles, process shocks, neighbour or damaged "
            "neighbour. Count is per turn, such as teeth. May be repeated.",
        ),
    ] = None,
    sensor_fault: Annotated[
        list[str] | None,
        typer.Option(
            "--sensor-fault",
            metavar="POINT:FAULT",
            help="A fault of one sensor: clipped, loose, settling, dropouts, dead, wrong unit, ski slope, coarse or "
            "offset. May be repeated.",
        ),
    ] = None,
    stopped: Annotated[bool, typer.Option("--stopped", help="The machine stands still.")] = False,
    tell_speed: Annotated[
        bool, typer.Option("--tell-speed", help="Note the true speed in the file, as read with a strobe.")
    ] = False,
    measured_at: Annotated[
        str | None, typer.Option("--measured-at", metavar="TIME", help="Time, such as 2026-03-09T08:12:00+01:00.")
    ] = None,
    machine_seed: Annotated[
        int | None,
        typer.Option(
            "--machine-seed", min=0, metavar="N", help="Keeps the machine the same while --seed changes the capture."
        ),
    ] = None,
) -> None:
    """Make a capture whose truth is known."""
    from vibe.cli.shared import output
    from vibe.cli.shared.paths import check_free
    from vibe.flow.samples.simulation import simulate_file

    given: dict[str, Any] = {
        "duration_s": duration_s, "sample_rate_hz": sample_rate_hz, "speed_rpm": speed_rpm,
        "load_percent": load_percent, "speed_wander": speed_wander, "speed_drift": speed_drift,
        "points": tuple(point) if point else None, "tachometer": tachometer or pulses_per_rev is not None or None,
        "pulses_per_rev": pulses_per_rev, "noise": noise, "cage_slip": cage_slip, "stray_shocks": stray_shocks,
        "neighbours": tuple(_neighbour(text) for text in neighbour) if neighbour else None,
        "sensor_faults": tuple(_sensor_fault(text) for text in sensor_fault) if sensor_fault else None,
        "running": False if stopped else None, "tell_speed": tell_speed or None,
        "measured_at": _time(measured_at), "machine_seed": machine_seed,
    }  # fmt: skip
    check_free(out, force=force)
    conditions = {name: value for name, value in given.items() if value is not None}
    output.say(str(simulate_file(drive, damage or [], seed, out, force, around or [], **conditions)))


def _neighbour(text: str) -> tuple[float, float]:
    try:
        frequency_hz, velocity_mm_s = (float(piece) for piece in text.split(":"))
    except ValueError:
        raise CallError(f"--neighbour {text!r} must read HZ:MM_S, for example 49.2:1.5") from None
    if not (0 < frequency_hz < float("inf") and 0 <= velocity_mm_s < float("inf")):
        raise CallError(f"--neighbour {text!r} needs a frequency above 0 Hz and a velocity of 0 mm/s or more")
    return frequency_hz, velocity_mm_s


def _sensor_fault(text: str) -> tuple[str, str]:
    where, colon, fault = text.rpartition(":")
    if not colon or not where:
        raise CallError(f'--sensor-fault {text!r} must read POINT:FAULT, for example "input side radial:loose"')
    return where, fault


def _time(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        raise CallError(f"--measured-at {text!r} is no time such as 2026-03-09T08:12:00+01:00") from None
