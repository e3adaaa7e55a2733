"""What commands print: tone tables and run summaries, for eyes (rich) and for other programs (CSV, TSV, JSON)."""

from __future__ import annotations

import io
import json
from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from vibe.core.tones import Tone, ToneTable
from vibe.report import words
from vibe.report.run_rows import IndexRow, gravest_first
from vibe.storage.csv_table import Cell, csv_text

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

Form = Literal["table", "csv", "tsv", "json"]

_STATE_STYLE = {"act": "bold red", "plan": "bold yellow", "watch": "bold blue", "unknown": "bold", "sound": "green"}
_STATE_SHAPE = {"act": "▲", "plan": "◧", "watch": "◎", "unknown": "?", "sound": "✓"}

_TONE_HEADER = [
    "kind", "id", "order_exact", "order", "hz", "direction", "defect", "family", "damage", "made_by", "sidebands",
    "coincides_with", "source",
]  # fmt: skip


def tones_table(table: ToneTable, input_hz: float | None, *, form: Form = "table", width: int | None = None) -> str:
    """Body speeds and tones of a drive as text.

    ``input_hz`` None leaves every Hz "not known" (empty in CSV, null in JSON). "table" is drawn without colour;
    use :func:`tones_view` on a console for colour. "csv" and "tsv" hold bodies and tones in one list distinguished by
    their first column.
    """
    if form == "json":
        return tones_json(table, input_hz)
    if form == "csv":
        return csv_text(_TONE_HEADER, _tone_cells(table, input_hz))
    if form == "tsv":
        return _tsv(_TONE_HEADER, _tone_cells(table, input_hz))
    return _drawn(tones_view(table, input_hz), width)


def tones_json(table: ToneTable, input_hz: float | None) -> str:
    """Bodies, tones, coincidences and disc phasing as JSON; ``order_exact`` is a fraction as text, or null."""
    record = {
        "schema": "vibe.tones/1",
        "drive": table.drive,
        "input_hz": input_hz,
        "ratio": None if table.ratio is None else float(table.ratio),
        "ratio_exact": _text(table.ratio),
        "output": table.output,
        "bodies": [
            {
                "body": b.body,
                "order": float(b.order),
                "order_exact": _text(b.order),
                "hz": _hz(abs(float(b.order)), input_hz),
                "direction": words.direction(b.order),
                "what": b.what,
            }
            for b in table.bodies
        ],
        "tones": [
            {
                "tone": t.id,
                "component": t.component,
                "defect": t.defect,
                "family": t.family,
                "order": t.order_at(input_hz),
                "order_exact": _text(t.order_exact),
                "hz": _tone_hz(t, input_hz),
                "damage": t.damage,
                "made_by": t.made_by,
                "source": t.source,
                "slip": list(t.slip),
                "sidebands": [
                    {"order": s.order, "order_exact": _text(s.order_exact), "hz": _hz(s.order, input_hz), "why": s.why}
                    for s in t.sidebands
                ],
            }
            for t in table.tones
        ],
        "coincidences": [
            {
                "tone_a": c.tone_a,
                "tone_b": c.tone_b,
                "harmonic_a": c.harmonic_a,
                "harmonic_b": c.harmonic_b,
                "relative_difference": c.relative_difference,
                "exact": c.exact,
                "what": c.what,
            }
            for c in table.coincidences
        ],
        "phasing": [
            {"stage": p.stage, "harmonic": p.harmonic, "effect": p.effect, "order_exact": _text(p.order)}
            for p in table.phasing
        ],
    }
    return json.dumps(record, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def tones_view(table: ToneTable, input_hz: float | None) -> RenderableType:
    """Body speeds, tones and disc phasing to print on a rich console."""
    from rich.console import Group
    from rich.text import Text

    speed = "speed not known" if input_hz is None else f"{words.number(60 * input_hz, 5)} r/min ({input_hz:.4f} Hz)"
    ratio = "" if table.ratio is None else f", ratio {words.ratio_text(table.ratio)}"
    bodies = _table("Bodies", ["body", ">order", ">r/min", "turns", "what it is"])
    for body in table.bodies:
        rpm = None if input_hz is None else abs(float(body.order)) * input_hz * 60
        sign = "+" if body.order > 0 else ""
        _row(
            bodies, body.body, f"{sign}{words.fraction(body.order)}", words.number(rpm, 5), words.direction(body.order),
            body.what,
        )  # fmt: skip
    tones = _table("Tones", ["tone", ">order", ">decimal", ">Hz", "what makes it"])
    coincidences = _table("Sidebands and coincidences", ["tone", "sidebands", "coincides with"])
    for tone in table.tones:
        _row(
            tones, f"{tone.id}{' *' if tone.damage else ''}", words.fraction(tone.order_exact),
            words.number(tone.order_at(input_hz), 7), words.number(_tone_hz(tone, input_hz), 6), tone.made_by,
        )  # fmt: skip
        sidebands, shared = _sidebands(tone, "\n"), _some(words.coincidences_of(table, tone.id), 4)
        if sidebands or shared:
            _row(coincidences, tone.id, sidebands, shared)
    parts: list[RenderableType] = [
        Text(f"{words.printable(table.drive)}: {speed}{ratio}", style="bold"),
        Text("Orders count events per turn of the input; a minus sign turns against it."),
        bodies,
        tones,
        Text("* damage of one part shows here; the other lines are made by healthy drives too."),
        coincidences,
    ]
    if table.phasing:
        effects = {"torque": "drives torque", "radial": "leaves a net radial force", "cancels": "cancels"}
        phasing = _table("Mesh harmonics of all discs together", ["stage", ">harmonic", ">order", "what is left"])
        for entry in table.phasing:
            _row(phasing, entry.stage, str(entry.harmonic), words.fraction(entry.order), effects[entry.effect])
        parts.append(phasing)
    return Group(*parts)


def summary_view(rows: Sequence[IndexRow]) -> Table:
    """A run's drives, gravest first: state, drive, finding, probability, what to do."""
    from rich.text import Text

    table = _table(None, ["state", "drive", "finding", ">probability", "recommended action"])
    for row in gravest_first(rows):
        state = Text(f"{_STATE_SHAPE[row.state]} {row.state}", style=_STATE_STYLE[row.state])
        sure = "" if row.top_finding is None else words.probability(row.probability)
        finding = row.top_finding or ("not assessed" if row.state == "unknown" else "none")
        cells = [Text(words.printable(text)) for text in (row.tag, finding, sure, row.do_by)]
        table.add_row(state, *cells)
    return table


# ── small things ──────────────────────────────────────────────────────────────────────────────────────────────────


def _hz(order: float, input_hz: float | None) -> float | None:
    return None if input_hz is None else order * input_hz


def _tone_hz(tone: Tone, input_hz: float | None) -> float | None:
    return None if input_hz is None else tone.hz_at(input_hz)


def _text(value: Fraction | None) -> str | None:
    return None if value is None else str(value)


def _sidebands(tone: Tone, glue: str) -> str:
    return glue.join(
        f"± {words.number(s.order, 5) if s.order_exact is None else s.order_exact} ({s.why})" for s in tone.sidebands
    )


def _some(texts: Sequence[str], most: int) -> str:
    rest = len(texts) - most
    return "\n".join([*texts[:most], *([f"and {rest} more"] if rest > 0 else [])])


def _tone_cells(table: ToneTable, input_hz: float | None) -> list[Sequence[Cell]]:
    bodies: list[Sequence[Cell]] = [
        (
            "body", b.body, _text(b.order), float(b.order), _hz(abs(float(b.order)), input_hz),
            words.direction(b.order), None, None, None, b.what, None, None, None,
        )
        for b in table.bodies
    ]  # fmt: skip
    tones: list[Sequence[Cell]] = [
        (
            "tone", t.id, _text(t.order_exact), t.order_at(input_hz), _tone_hz(t, input_hz), None, t.defect, t.family,
            "yes" if t.damage else "no", t.made_by, _sidebands(t, "; "), "; ".join(words.coincidences_of(table, t.id)),
            t.source,
        )
        for t in table.tones
    ]  # fmt: skip
    return bodies + tones


def _tsv(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    lines = ["\t".join(header)]
    lines += ["\t".join("" if c is None else words.printable(str(c)) for c in row) for row in rows]
    return "\n".join(lines) + "\n"


def _table(title: str | None, columns: Sequence[str]) -> Table:
    from rich import box
    from rich.table import Table

    table = Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, pad_edge=False)
    for column in columns:
        table.add_column(column.lstrip(">"), justify="right" if column.startswith(">") else "left", overflow="fold")
    return table


def _row(table: Table, *cells: str) -> None:
    """Cells as plain text: a tag with square brackets is no markup."""
    from rich.text import Text

    table.add_row(*(Text("\n".join(words.printable(line) for line in cell.split("\n"))) for cell in cells))


def _drawn(view: RenderableType, width: int | None) -> str:
    from rich.console import Console

    stream = io.StringIO()
    Console(file=stream, width=width or 160, no_color=True, highlight=False).print(view)
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()) + "\n"
