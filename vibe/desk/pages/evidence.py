"""``/api/…``: numbers that pictures are drawn from, worked out from stored samples while somebody looks.

Rows of numbers go as float32, least byte first; what their axes are stands in the header ``X-Rows`` as JSON.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import closing
from math import isfinite
from typing import TYPE_CHECKING, Any, TypeVar

from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from vibe.core.errors import CallError
from vibe.desk.context import desk_of

if TYPE_CHECKING:
    from vibe.core.records.evidence_rows import EvidenceRows
    from vibe.flow.cases.stores import Store

T = TypeVar("T")
_MOST_CASCADE = 40
"""Spectra of one cascade: more lie on top of each other (our choice)."""


def asked_store(request: Request) -> Store:
    """The store of the site that is asked for, open. Raises: CallError where there is none."""
    return desk_of(request).sites.opened(request.query_params.get("site", ""))


def number(request: Request, name: str) -> float | None:
    """A number of the address, None where it is not given. Raises: CallError: it is none."""
    text = request.query_params.get(name, "")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not isfinite(value):
        raise CallError(f"{name}={text[:40]!r} is no number")
    return value


def _words(request: Request, name: str, usual: str = "") -> Any:
    return request.query_params.get(name, usual)


def _cells(request: Request) -> int:
    return int(number(request, "cells") or 4000)


def spectrum(request: Request) -> Response:
    """A spectrum of one capture."""
    from vibe.flow.evidence import spectra

    with closing(asked_store(request)) as store:
        rows = spectra.spectrum(
            store, _words(request, "capture"), _words(request, "point"), kind=_words(request, "kind", "acceleration"),
            axis=_words(request, "axis", "Hz"), window=_words(request, "window", "hann"), low_hz=number(request, "lo"),
            high_hz=number(request, "hi"), start=number(request, "from"), stop=number(request, "to"),
            from_s=number(request, "from_s"), to_s=number(request, "to_s"), most=_cells(request),
        )  # fmt: skip
    return _answered(request, rows)


def waveform(request: Request) -> Response:
    """Samples of one capture, least and greatest of each cell."""
    from vibe.flow.evidence import waveforms

    with closing(asked_store(request)) as store:
        rows = waveforms.waveform(
            store, _words(request, "capture"), _words(request, "point"), from_s=number(request, "from"),
            to_s=number(request, "to"), low_hz=number(request, "lo"), high_hz=number(request, "hi"),
            most=_cells(request),
        )  # fmt: skip
    return _answered(request, rows)


def turn(request: Request) -> Response:
    """The envelope of one capture on one turn of a part."""
    from vibe.flow.evidence import turns

    with closing(asked_store(request)) as store:
        rows = turns.turn(
            store, _words(request, "capture"), _words(request, "point"), _words(request, "tone"),
            low_hz=number(request, "lo"), high_hz=number(request, "hi"),
        )  # fmt: skip
    return _answered(request, rows)


def cascade(request: Request) -> Response:
    """Spectra of several captures."""
    from vibe.flow.evidence import cascades

    contents = request.query_params.getlist("capture")[:_MOST_CASCADE]
    with closing(asked_store(request)) as store:
        rows = cascades.cascade(
            store, contents, _words(request, "point"), kind=_words(request, "kind", "envelope"),
            axis=_words(request, "axis", "order"), start=number(request, "from"), stop=number(request, "to"),
        )  # fmt: skip
    return _answered(request, rows)


def series(request: Request) -> Response:
    """A series with its captures and events."""
    from vibe.flow.evidence import series

    with closing(asked_store(request)) as store:
        found = series.series(
            store, _words(request, "drive"), _words(request, "point"), _words(request, "measure"),
            _words(request, "subject"),
        )  # fmt: skip
    return JSONResponse(series_values(found))


def series_values(found: Any) -> dict[str, Any]:
    """A series as JSON has it."""
    return {
        "title": found.title, "unit": found.unit, "time_s": found.time_s.tolist(), "values": _plain(found.values),
        "speed_hz": _plain(found.speed_hz), "load_percent": _plain(found.load_percent),
        "accepted": found.accepted.tolist(), "content": list(found.content), "rejected_s": found.rejected_s.tolist(),
        "events": [{"time_s": event.at.timestamp(), "what": event.note or event.kind} for event in found.events],
    }  # fmt: skip


def _plain(values: Any) -> list[float | None]:
    return [round(value, 6) if isfinite(value) else None for value in values.tolist()]


def sound(request: Request) -> Response:
    """A band of one capture to listen to."""
    from vibe.flow.evidence import sounds

    with closing(asked_store(request)) as store:
        found = sounds.sound(
            store, _words(request, "capture"), _words(request, "point"), low_hz=number(request, "lo"),
            high_hz=number(request, "hi"),
        )  # fmt: skip
    if _held(request, found.etag):
        return Response(status_code=304)
    headers = {"etag": f'"{found.etag}"', "cache-control": "private, no-cache", "x-title": json.dumps(found.title)}
    return Response(found.wav, media_type="audio/wav", headers=headers)


def points(request: Request) -> Response:
    """Points of a capture, and the tones of its drive."""
    with closing(asked_store(request)) as store:
        return JSONResponse(points_values(store, _words(request, "capture")))


def points_values(store: Store, content: str) -> dict[str, Any]:
    """Points of a capture, and the speed at which its orders are counted."""
    from vibe.flow.evidence import points

    capture = store.capture(content)
    return {
        "drive": capture.drive, "speed_hz": capture.speed_hz,
        "points": [
            {"name": one.name, "rate_hz": one.sample_rate_hz, "duration_s": one.duration_s}
            for one in points.points(store, content)
        ],
    }  # fmt: skip


def captures(request: Request) -> Response:
    """Captures of a drive, latest first, to choose one to lay over."""
    with closing(asked_store(request)) as store:
        return JSONResponse(captures_of(store, _words(request, "drive")))


def captures_of(store: Store, drive: str) -> list[dict[str, Any]]:
    """Captures of a drive whose files are there, latest first."""
    return [
        {"content": one.content, "at": one.measured_at.isoformat(), "kept": one.kept, "speed_hz": one.speed_hz,
         "load_percent": one.load_percent, "thinned": one.waveform == "thinned"}
        for one in reversed(store.captures(drive)) if one.waveform != "lost"
    ]  # fmt: skip


def tones_of(store: Store, drive: str) -> list[dict[str, Any]]:
    """Orders at which cursors may be put."""
    from vibe.flow.evidence import tone_marks

    return [
        {"id": one.id, "words": one.words, "order": one.order, "count": one.count,
         "side": one.sidebands[0].order if one.sidebands else None}
        for one in tone_marks.tones(store, drive)
    ]  # fmt: skip


def _held(request: Request, etag: str) -> bool:
    return f'"{etag}"' in request.headers.get("if-none-match", "")


def said_of(rows: EvidenceRows) -> dict[str, Any]:
    """What the axes of rows are, as JSON has it."""
    return {
        "title": rows.title, "x0": rows.x0, "dx": rows.dx, "x_name": rows.x_name, "x_unit": rows.x_unit,
        "y_name": rows.y_name, "unit": rows.unit, "shape": list(rows.values.shape), "remarks": list(rows.remarks),
        "count": rows.count, "marked": list(rows.marked), "within": rows.within, "part": rows.part,
        "rows": [
            {"content": row.content, "drive": row.drive, "at": row.measured_at.isoformat(), "kept": row.kept}
            for row in rows.rows
        ],
    }  # fmt: skip


def _answered(request: Request, rows: EvidenceRows) -> Response:
    if _held(request, rows.etag):
        return Response(status_code=304)
    headers = {"etag": f'"{rows.etag}"', "cache-control": "private, no-cache", "x-rows": json.dumps(said_of(rows))}
    body = rows.values.astype("<f4").tobytes()
    return Response(body, media_type="application/octet-stream", headers=headers)


READS: list[tuple[str, Callable[..., Any]]] = [
    ("/api/spectrum", spectrum), ("/api/waveform", waveform), ("/api/turn", turn), ("/api/cascade", cascade),
    ("/api/series", series), ("/api/sound", sound), ("/api/points", points), ("/api/captures", captures),
]  # fmt: skip
