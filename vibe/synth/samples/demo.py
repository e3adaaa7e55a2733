"""The sample captures, made again from their recipe: ``python -m vibe.synth.samples.demo OUTDIR``."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

import vibe
from vibe.core.capture import Capture
from vibe.core.drive import Drive
from vibe.core.errors import CallError, ConfigError, VibeError
from vibe.storage.files import write_whole
from vibe.synth.conditions import Conditions
from vibe.synth.machine.damage import Damage, parse_damage
from vibe.synth.simulate import simulate, truth
from vibe.synth.toml_text import toml_value
from vibe.synth.writers import write_capture

_KEYS = {
    "file", "drive", "damage", "seed", "bits", "conditions",
    "tone", "component", "defect", "cannot_be_told_from", "note",
}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """One line of the recipe: what to make, and what a diagnosis ought to say of it."""

    file: str
    drive: Drive
    drive_file: str
    damage: tuple[Damage, ...]
    seed: int
    bits: int
    conditions: Conditions
    tone: str | None
    component: str | None
    defect: str | None
    cannot_be_told_from: tuple[str, ...]
    note: str

    def capture(self) -> Capture:
        return simulate(self.drive, self.damage, seed=self.seed, conditions=self.conditions)


def shared_folder(name: str) -> Path:
    """``configs`` or ``sample_signals``: next to the package in a checkout, inside it when installed.

    Raises:
        ConfigError: it is in neither place.
    """
    package = Path(vibe.__file__).resolve().parent
    for folder in (package.parent / name, package / "share" / name):
        if folder.is_dir():
            return folder
    raise ConfigError(f"the folder {name} was not found next to the program")


def load_samples(recipe: Path | None = None, drives: Path | None = None) -> tuple[Sample, ...]:
    """The samples that ``rebuild.toml`` describes.

    Raises:
        ConfigError: the recipe or a drive file cannot be read or does not fit.
        CallError: a damage or a condition that cannot be.
    """
    recipe = recipe or shared_folder("sample_signals") / "rebuild.toml"
    drives = drives or shared_folder("configs") / "drives"
    return tuple(_sample(entry, recipe, drives) for entry in _load(recipe).get("capture", []))


def _load(path: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ConfigError(f"cannot be read: {error}", path=path) from None


def _sample(entry: dict[str, Any], recipe: Path, drives: Path) -> Sample:
    if unknown := sorted(entry.keys() - _KEYS):
        raise ConfigError(f"unknown key {unknown[0]!r}", path=recipe)
    if missing := sorted({"file", "drive", "seed"} - entry.keys()):
        raise ConfigError(f"an entry lacks {missing[0]!r}", path=recipe)
    drive_path = drives / entry["drive"]
    try:
        drive = Drive.model_validate(_load(drive_path))
    except ValidationError as error:
        raise ConfigError(error.errors()[0]["msg"], path=drive_path) from None
    asked = dict(entry.get("conditions", {}))
    for key in ("points", "neighbours", "sensor_faults"):
        if key in asked:
            asked[key] = tuple(tuple(v) if isinstance(v, list) else v for v in asked[key])
    try:
        conditions = Conditions(**asked)
    except TypeError as error:
        raise ConfigError(f"conditions of {entry['file']}: {error}", path=recipe) from None
    return Sample(
        file=entry["file"],
        drive=drive,
        drive_file=entry["drive"],
        damage=tuple(parse_damage(text) for text in entry.get("damage", [])),
        seed=entry["seed"],
        bits=entry.get("bits", 16),
        conditions=conditions,
        tone=entry.get("tone"),
        component=entry.get("component"),
        defect=entry.get("defect"),
        cannot_be_told_from=tuple(entry.get("cannot_be_told_from", ())),
        note=entry.get("note", ""),
    )


def rebuild(
    folder: Path, *, only: Sequence[str] | None = None, recipe: Path | None = None, force: bool = False
) -> tuple[Path, ...]:
    """Make the sample captures (or ``only`` some files of them) in ``folder``, and ``truth.toml`` next to them.

    ``truth.toml`` is written when all are made.

    Raises:
        CallError: ``only`` names a file that the recipe does not know.
        OutputError: a file is there already and ``force`` is not given.
    """
    samples = load_samples(recipe)
    known = [sample.file for sample in samples]
    if unknown := [name for name in only or () if name not in known]:
        raise CallError(f"no sample is called {unknown[0]!r}; there are {', '.join(known)}")
    written = [
        write_capture(sample.capture(), folder / sample.file, force=force, bits=sample.bits)
        for sample in samples
        if only is None or sample.file in only
    ]
    if only is None:
        written.append(write_whole(folder / "truth.toml", truth_text(samples), force=force))
    return tuple(written)


def truth_text(samples: Sequence[Sample]) -> str:
    """``truth.toml``: per file what is in it, and what ought to be found."""
    lines = ["# What is really in each capture. Made together with the captures; rebuild.toml says how."]
    for sample in samples:
        known = truth(sample.drive, sample.damage, seed=sample.seed, conditions=sample.conditions)
        stated: dict[str, object] = {
            "file": sample.file,
            "drive": sample.drive_file,
            "tag": sample.drive.tag,
            "sound": not sample.damage,
            "tone": sample.tone,
            "component": sample.component,
            "defect": sample.defect,
            "cannot_be_told_from": list(sample.cannot_be_told_from) or None,
            "damage": [f"{item.tone}:{item.size:g}:{item.part}" for item in sample.damage],
            "speed_rpm": round(float(str(known["speed_rpm"])), 4),
            "load_percent": sample.conditions.load_percent,
            "note": sample.note,
        }
        lines += [
            "",
            "[[capture]]",
            *(f"{key} = {toml_value(value)}" for key, value in stated.items() if value is not None),
        ]
    return "\n".join(lines) + "\n"


def main(arguments: Sequence[str]) -> int:
    """One argument: the folder to fill."""
    if len(arguments) != 1:
        sys.stderr.write("give one folder: python -m vibe.synth.samples.demo OUTDIR\n")
        return 2
    try:
        for path in rebuild(Path(arguments[0])):
            sys.stdout.write(f"{path}\n")
    except VibeError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
