from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest

from vibe.health.state.settings import Judgement, Limits

CONFIGS = Path(__file__).parents[2] / "configs"


def _table(name: str) -> dict[str, Any]:
    return tomllib.loads((CONFIGS / name).read_text(encoding="utf-8"))


@pytest.fixture
def limits_table() -> dict[str, Any]:
    return _table("limits.toml")


@pytest.fixture
def judgement_table() -> dict[str, Any]:
    return _table("judgement.toml")


@pytest.fixture
def limits(limits_table: dict[str, Any]) -> Limits:
    return Limits.model_validate(limits_table)


@pytest.fixture
def judgement(judgement_table: dict[str, Any]) -> Judgement:
    return Judgement.model_validate(judgement_table)
