"""Drives, what their kinematics say, and how to capture them."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from pydantic import ValidationError

from vibe.api.tables import Table, fields
from vibe.core.drive import Drive as PlainDrive
from vibe.core.errors import CallError, ConfigError
from vibe.core.text import printable

if TYPE_CHECKING:
    from fractions import Fraction

    import pandas as pd

    from vibe.core.drive import Bearing, Input, Motor, Service
    from vibe.core.stages import Stage
    from vibe.core.surroundings import Driven, Fitted, Neighbour
    from vibe.core.tones import BodySpeed, CapturePlan, Coincidence, Tone, ToneTable, Visibility

AnyPath = str | PathLike[str]
Keys = Mapping[str, Any]
"""A table of a drive file as a dictionary."""


class Drive(PlainDrive):
    """A drive as its drawing describes it; the keywords are the keys of a drive file, tables as dictionaries.

    Speeds are in r/min, lengths in mm, powers in kW, as the keys say. It is frozen; ``to_toml`` gives a file's text.

    Raises:
        ConfigError: a key is unknown or missing, or the drive cannot be; the message names the field.

    Example:
        >>> import vibe
        >>> drive = vibe.Drive(
        ...     tag="X-1", input={"speed_rpm": 1458}, stage=[{"kind": "cycloidal", "lobes": 17, "ring_pins": 18}]
        ... )
        >>> str(vibe.tones(drive).ratio)
        '-17'
        >>> print(drive.to_toml())
        tag = "X-1"
        <BLANKLINE>
        [input]
        speed_rpm = 1458.0
        <BLANKLINE>
        [[stage]]
        kind = "cycloidal"
        lobes = 17
        ring_pins = 18
        <BLANKLINE>
    """

    if TYPE_CHECKING:

        def __init__(
            self,
            *,
            tag: str,
            input: Input | Keys,
            name: str = "",
            motor: Motor | Keys | None = None,
            stage: Sequence[Stage | Keys] = (),
            bearing: Sequence[Bearing | Keys] = (),
            ratio: float | None = None,
            support: Literal["rigid", "flexible"] | None = None,
            shaft_height_mm: float | None = None,
            note: str = "",
            service: Service | Keys | None = None,
            driven: Sequence[Driven | Keys] = (),
            fitted: Sequence[Fitted | Keys] = (),
            neighbour: Sequence[Neighbour | Keys] = (),
        ) -> None: ...

    else:

        def __init__(self, **data: Any) -> None:
            from vibe.ingest.config.toml_file import plainly_wrong

            data = _listed(data)
            try:
                super().__init__(**data)
            except ValidationError as error:
                raise ConfigError(plainly_wrong(error, data, PlainDrive)) from None

    @staticmethod
    def of(drive: PlainDrive) -> Drive:
        """The same drive, read elsewhere, with what this class adds."""
        values = {name: getattr(drive, name) for name in type(drive).model_fields}
        return Drive.model_construct(_fields_set=set(drive.model_fields_set), **values)

    def to_toml(self) -> str:
        """The text of a drive file that says the same, for the command line and for colleagues."""
        return "\n".join(_tables(self.model_dump(exclude_unset=True, exclude_none=True))).strip() + "\n"

    def _repr_html_(self) -> str:
        stages = "; ".join(stage.kind for stage in self.stage) or "no stage"
        text = f"{self.tag} {self.name}".strip()
        return (
            f"<p><b>{html.escape(printable(text))}</b>: {html.escape(stages)}, {len(self.bearing)} bearings, "
            f"{self.input.speed_rpm:g} r/min</p>"
        )


def _listed(value: Any) -> Any:
    """Tuples as lists and mappings as dictionaries, at any depth: what a drive file would have given."""
    if isinstance(value, Mapping):
        return {key: _listed(own) for key, own in value.items()}
    return [_listed(own) for own in value] if isinstance(value, (list, tuple)) else value


def _tables(values: Mapping[str, Any], path: str = "") -> list[str]:
    """Lines of TOML: plain keys first, then tables and lists of tables."""
    tables = {key: value for key, value in values.items() if isinstance(value, Mapping) or _is_rows(value)}
    plain = sorted(
        (key for key in values if key not in tables), key=lambda key: key != "kind"
    )  # what it is comes first
    lines = [f"{key} = {_value(values[key])}" for key in plain]
    for key, value in tables.items():
        full = f"{path}.{key}" if path else key
        if isinstance(value, Mapping):
            lines += ["", f"[{full}]", *_tables(value, full)]
        else:
            for row in value:
                lines += ["", f"[[{full}]]", *_tables(row, full)]
    return lines


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(row, Mapping) for row in value)


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        import json

        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return repr(value)


def read_drive(path: AnyPath) -> Drive:
    """The drive that a drive file (TOML) describes.

    Raises:
        ConfigError: not there, not TOML, or not a drive that can be; the message has file, line and field.

    Example:
        >>> import vibe
        >>> drive = vibe.read_drive("TH-02.toml")
        >>> drive.tag, drive.input.speed_rpm
        ('TH-02', 1458.0)
    """
    from vibe.ingest import load_drive

    return Drive.of(load_drive(Path(path)))


def described(drive: PlainDrive | AnyPath) -> tuple[Drive, ToneTable]:
    """A drive, given or named by its file, and its tone table.

    Raises:
        ConfigError: the file is wrong, or the drive cannot be. CallError: it is neither.
    """
    from vibe.flow.settings import tones_of
    from vibe.kinematics.tone_table import tone_table

    if isinstance(drive, PlainDrive):
        return drive if isinstance(drive, Drive) else Drive.of(drive), tone_table(drive)
    if isinstance(drive, (str, PathLike)):
        read, table = tones_of(Path(drive))
        return Drive.of(read), table
    raise CallError(f"a drive is needed, or the path of its file, not {type(drive).__name__}")


class Tones(Table["Tone"]):
    """All tones of a drive. ``table`` is everything that its kinematics say.

    Orders count events per turn of the input. Sources: rolling without slip between bodies, solved in exact fractions;
    each tone's own ``source`` names its formula.
    """

    def __init__(self, table: ToneTable, nominal_hz: float) -> None:
        self.table = table
        self.nominal_hz = nominal_hz
        """Nominal input speed of the drive [Hz]."""
        super().__init__(table.tones, _tone_columns(nominal_hz))

    def to_frame(self, speed_hz: float | None = None) -> pd.DataFrame:
        """One row per tone; ``hz`` is its frequency at an input of ``speed_hz`` [Hz], the nominal one unless given.

        Columns: tone, component, defect, family, order, order_exact (text of a fraction, None where geometry makes it
        irrational), hz, damage, made_by, source.

        Raises:
            CallError: a speed that is not above 0.
        """
        if speed_hz is None:
            return super().to_frame()
        if not 0 < speed_hz < float("inf"):
            raise CallError(f"speed_hz {speed_hz:g} must be above 0 Hz")
        return Table(self.table.tones, _tone_columns(speed_hz)).to_frame()

    def tone(self, tone_id: str) -> Tone:
        """The tone of that name.

        Raises:
            CallError: there is none; the message lists those there are.
        """
        try:
            return self.table.tone(tone_id)
        except KeyError as error:
            raise CallError(str(error.args[0])) from None

    @property
    def ratio(self) -> Fraction | None:
        """Input turns per output turn, signed; None for a drive without stages."""
        return self.table.ratio

    @property
    def bodies(self) -> Table[BodySpeed]:
        """Speed of every body as a signed order of the input: negative turns against it."""
        return Table(
            self.table.bodies,
            {**fields("body"), "order": lambda b: float(b.order), "order_exact": lambda b: str(b.order),
             "hz": lambda b: abs(float(b.order)) * self.nominal_hz, **fields("what")},
        )  # fmt: skip

    @property
    def coincidences(self) -> Table[Coincidence]:
        """Pairs of tones that share a line."""
        return Table(
            self.table.coincidences,
            fields("tone_a", "harmonic_a", "tone_b", "harmonic_b", "relative_difference", "exact", "what"),
        )


def _tone_columns(speed_hz: float) -> dict[str, Any]:
    return {
        **fields("component", "defect", "family", tone="id"),
        "order": lambda tone: tone.order_at(speed_hz),
        "order_exact": lambda tone: None if tone.order_exact is None else str(tone.order_exact),
        "hz": lambda tone: tone.hz_at(speed_hz),
        **fields("damage", "made_by", "source"),
    }


def tones(drive: PlainDrive | AnyPath) -> Tones:
    """Every body speed and tone of a drive, or of a drive file.

    Raises:
        ConfigError: the drive cannot be, or its file is wrong.

    Example:
        >>> import vibe
        >>> tones = vibe.tones("TH-02.toml")
        >>> str(tones.tone("stage1.lobe").order_exact)
        '18/17'
        >>> frame = tones.to_frame(speed_hz=24.3).set_index("tone")
        >>> round(float(frame.loc["stage1.lobe", "hz"]), 3)
        25.729
    """
    known, table = described(drive)
    return Tones(table, known.input.speed_hz)


@dataclass(frozen=True, eq=False)
class Plan:
    """How to capture a drive. ``settings``: sample rate [Hz], length [s], sensor range [m/s²] and the reasons."""

    drive: Drive
    settings: CapturePlan
    _table: ToneTable

    @property
    def sample_rate_hz(self) -> float:
        return self.settings.sample_rate_hz

    @property
    def duration_s(self) -> float:
        return self.settings.duration_s

    @property
    def tones(self) -> Table[Visibility]:
        """Every tone with whether it can be seen at these settings; if not, why, and what would show it."""
        return Table(self.settings.visibility, _VISIBILITY)

    @property
    def not_detectable(self) -> Table[Visibility]:
        """The tones that these settings cannot show."""
        return Table([one for one in self.settings.visibility if not one.seen], _VISIBILITY)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to mind while capturing."""
        from vibe.health.state.cautions import plan_cautions

        return tuple(plan_cautions())

    def save(self, folder: AnyPath, *, pdf: bool = True, force: bool = False) -> tuple[Path, ...]:
        """Write the sheet to take along: ``plan.html``, ``plan.csv``, ``plan.json`` and, where it can be, ``plan.pdf``.

        Raises:
            OutputError: a file is there already and ``force`` is not given, or the folder cannot be written.
        """
        from vibe.flow.route.plan import plan_of

        return plan_of([(self.drive, self._table)], Path(folder), force, pdf=pdf).files

    def to_frame(self) -> pd.DataFrame:
        """The settings as one row."""
        return self._row().to_frame()

    def _row(self) -> Table[CapturePlan]:
        shown = fields(
            "drive", "sample_rate_hz", "duration_s", "captures", "sensor_range_m_s2", "resolution_hz", "mounting"
        )
        return Table([self.settings], shown)

    def __repr__(self) -> str:
        return repr(self._row())

    def _repr_html_(self) -> str:
        unseen = ", ".join(html.escape(one.tone) for one in self.not_detectable) or "none"
        return self._row()._repr_html_() + f"<p>Not detectable with these settings: {unseen}</p>"


_VISIBILITY = fields("tone", "seen", "why", "needs", "needs_duration_s", "needs_sample_rate_hz")


def plan(drive: PlainDrive | AnyPath) -> Plan:
    """Capture settings for a drive, or a drive file, that show as many of its tones as vibration can.

    Raises:
        ConfigError: the drive cannot be, or its file is wrong.

    Example:
        >>> import vibe
        >>> plan = vibe.plan("TH-02.toml")
        >>> plan.sample_rate_hz, plan.duration_s
        (25600.0, 10.0)
        >>> "bearing.output bearing.cage" in plan.not_detectable.to_frame()["tone"].to_list()
        True
        >>> [file.name for file in plan.save("plan", pdf=False)]
        ['plan.html', 'plan.csv', 'plan.json']
    """
    from vibe.flow.route.plan import plan_of

    known, table = described(drive)
    return Plan(known, plan_of([(known, table)], None, force=False).plans[0], table)
