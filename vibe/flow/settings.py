"""Where the shipped folders lie, the rules of ``configs/``, a drive and its tones."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from vibe.core.errors import CallError, ConfigError

if TYPE_CHECKING:
    from vibe.core.drive import Drive
    from vibe.core.tones import ToneTable
    from vibe.diagnosis.settings import DiagnosisSettings
    from vibe.health.alarms.settings import AlarmRules
    from vibe.health.state.settings import Judgement, Limits


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """The rules and numbers of ``configs/``."""

    limits: Limits
    judgement: Judgement
    diagnosis: DiagnosisSettings


def share_dir() -> Path:
    """Where ``configs``, ``pipelines`` and ``sample_signals`` lie: inside the installed package, else the checkout."""
    package = Path(__file__).resolve().parents[1]
    for folder in (package / "share", package.parent):
        if (folder / "configs" / "limits.toml").is_file():
            return folder
    raise CallError("the folders configs, pipelines and sample_signals are missing from this installation")


def load_settings(limits: Path | None = None) -> Settings:
    """The built-in rules; ``limits`` replaces the file of zone limits.

    Raises:
        ConfigError: a file is missing or wrong.
    """
    from vibe.diagnosis.settings import DiagnosisSettings
    from vibe.health.state.settings import Judgement, Limits
    from vibe.ingest import load_model

    folder = share_dir() / "configs"
    return Settings(
        limits=load_model(limits or folder / "limits.toml", Limits),
        judgement=load_model(folder / "judgement.toml", Judgement),
        diagnosis=load_model(folder / "diagnosis.toml", DiagnosisSettings),
    )


def tones_of(drive_path: Path) -> tuple[Drive, ToneTable]:
    """A drive file and what its kinematics say.

    Raises:
        ConfigError: the file is wrong, or describes a drive that cannot be.
    """
    from vibe.ingest import load_drive
    from vibe.kinematics.tone_table import tone_table

    drive = load_drive(drive_path)
    try:
        return drive, tone_table(drive)
    except ConfigError as error:
        raise ConfigError(error.reason, path=drive_path) from error


def load_alarm_rules(path: Path | None = None) -> AlarmRules:
    """The rules of the queue. Raises: ConfigError where the file is wrong."""
    from vibe.health.alarms.settings import AlarmRules
    from vibe.ingest import load_model

    return load_model(path or share_dir() / "configs" / "alarms.toml", AlarmRules)
