"""A recipe: which drives, which captures, where the results go."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

PathText = Annotated[Path, Field(strict=False)]
"""TOML has text only; a path is made of it."""


class Recipe(BaseModel):
    """One run.

    ``drives``, ``captures``, ``route``, ``readings`` and ``limits`` are relative to the recipe file, ``out``,
    ``earlier``, ``store``, ``keys`` and ``exceedances`` to where one stands.
    """

    model_config = ConfigDict(strict=True, frozen=True, extra="forbid", allow_inf_nan=False, defer_build=True)

    kind: Literal["route", "alarms", "commissioning"]
    title: Annotated[str, Field(min_length=1, max_length=200)]
    note: str = ""
    drives: Annotated[list[str], Field(min_length=1, max_length=1000)] = []
    """Files, folders or patterns such as ``../configs/drives/*.toml``; may be left out where a route names them."""
    route: PathText | None = None
    """The route that the captures were collected on: its rules say what files belong to, and who was not visited."""
    captures: PathText = Path()
    """The folder that is searched, with its folders, for captures; a recipe of kind alarms has none, one of kind
    commissioning names a set's file or a folder of sets."""
    readings: PathText | None = None
    """Kind route: what was read at the stops (speed, load, temperatures), a table or TOML; ``--readings`` overrules."""
    store: PathText | None = None
    """Kind alarms: the history that alarms come from, and that keeps what is decided about them. Kind commissioning:
    where the captures of the new drives are kept, for life."""
    keys: PathText | None = None
    """Kind commissioning: folder of the keys that sign certificates (``vibe certificate key make``)."""
    exceedances: PathText | None = None
    """Kind alarms: another system's alarms as CSV, to be explained too."""
    time_zone: str | None = None
    """Kind alarms: of times in ``exceedances`` that have no offset from UTC. Kind commissioning: of captures that have
    none."""
    limits: PathText | None = None
    """The rules and numbers that set a drive's state; the built-in ones unless given."""
    out: PathText = Path("vibe-out")
    earlier: PathText | None = None
    """The ``out`` of an earlier run, to say what changed since."""
    pdf: bool = True
    """Also print each drive's page to PDF."""

    @field_validator("drives")
    @classmethod
    def _no_empty_pattern(cls, drives: list[str]) -> list[str]:
        if not all(pattern.strip() for pattern in drives):
            raise ValueError("drives holds an empty pattern; name a file, a folder or a pattern such as drives/*.toml")
        return drives

    @model_validator(mode="after")
    def _knows_its_source(self) -> Recipe:
        if self.kind != "route" and self.readings is not None:
            raise ValueError(f"readings belongs to recipes of kind route, this one is of kind {self.kind}")
        if self.kind == "alarms":
            if self.keys is not None:
                raise ValueError("keys belongs to recipes of kind commissioning, this one is of kind alarms")
            if self.store is None:
                raise ValueError("the key 'store' is missing: the folder of the history that alarms come from")
            return self
        if "captures" not in self.model_fields_set:
            raise ValueError("the key 'captures' is missing")
        new_drives = self.kind == "commissioning"
        foreign = ("exceedances",) if new_drives else ("store", "exceedances", "time_zone", "keys")
        own = next((key for key in foreign if getattr(self, key) is not None), None)
        if own is not None:
            of = "commissioning" if own == "keys" else "alarms"
            raise ValueError(f"{own} belongs to recipes of kind {of}, this one is of kind {self.kind}")
        if new_drives:
            # Each set names its drive.
            wrong = next((key for key in ("drives", "route", "earlier") if getattr(self, key)), None)
            if wrong is not None:
                raise ValueError(f"{wrong} has no meaning in recipes of kind commissioning: sets name their drives")
            return self
        if not self.drives and self.route is None:
            raise ValueError("neither drives nor route is given; name drive files or a route")
        return self
