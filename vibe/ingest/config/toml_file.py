"""TOML file -> frozen model; every way it can be wrong becomes one sentence with file, line and field."""

from __future__ import annotations

import difflib
import re
import typing
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from types import UnionType
from typing import Any, Literal, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from vibe.core.errors import ConfigError
from vibe.ingest.config.other_file import BY_MODEL, FileKind, instead, kind_of_file, kind_of_tables
from vibe.ingest.config.toml_lines import Place, line_of, line_table, real_place
from vibe.storage.toml_text import read_text, toml_of

M = TypeVar("M", bound=BaseModel)

KNOWN_KEYS = "; known keys: "
"""Said once of a table, however many keys are unknown."""
_OTHERS_SHOWN = 4
"""Further mistakes of a file that are listed with the first (our choice)."""


def load_model(path: Path, model: type[M]) -> M:
    """Read ``path`` and check it against ``model``.

    Raises:
        ConfigError: not there, not a file, not readable, not UTF-8, not TOML, or not what ``model`` asks for. The
            message names file and line, the field, the value given and the nearest known key.
    """
    wanted = BY_MODEL.get(model.__name__)
    try:
        text = read_text(path)
    except ConfigError as error:
        _refuse_other(path, kind_of_file(path), wanted)
        if wanted is not None and path.is_dir():
            raise ConfigError(f"is a folder where {wanted.name} is needed", path=path) from None
        raise error from None
    try:
        data = toml_of(text, path)
    except ValueError as error:
        _refuse_other(path, kind_of_file(path), wanted)
        reason, line = _syntax(str(error), text)
        raise ConfigError(reason, path=path, line=line) from None
    try:
        return model.model_validate(data)
    except ValidationError as error:
        if wanted is not None and not text.strip():
            raise ConfigError(f"is empty where {wanted.name} is needed", path=path) from None
        _refuse_other(path, kind_of_tables(data), wanted)
        found = error.errors(include_url=False)
        problems = _problems(found, data, text, model)
    except (OverflowError, RecursionError):
        raise ConfigError("holds a number that is too large", path=path) from None
    (line, first), others = problems[0], problems[1:]
    _, listed, known = first.partition(KNOWN_KEYS)
    more = [f"line {number}: {reason.removesuffix(listed + known)}" for number, reason in others]
    if len(found) > len(problems):
        more.append(f"and {len(found) - len(problems)} more")
    raise ConfigError(first + (f" (also {'; '.join(more)})" if more else ""), path=path, line=line)


def _refuse_other(path: Path, found: FileKind | None, wanted: FileKind | None) -> None:
    """Raises: ConfigError: the file is of another kind than what is wanted."""
    if wanted is not None and (said := instead(found, wanted.name)):
        raise ConfigError(said, path=path) from None


def plainly_wrong(error: ValidationError, data: Mapping[str, Any], model: type[BaseModel]) -> str:
    """What is wrong with values that come from no file, in one sentence: as ``load_model`` says it, without lines."""
    found = error.errors(include_url=False)
    # Unknown keys first: a misspelt key often explains a missing one.
    found.sort(key=lambda one: one["type"] != "extra_forbidden")
    reasons = [
        _reason(one, real_place(data, one["loc"], last_may_be_missing=one["type"] == "missing"), data, model)
        for one in found[: _OTHERS_SHOWN + 1]
    ]
    more = reasons[1:] + ([f"and {len(found) - len(reasons)} more"] if len(found) > len(reasons) else [])
    return reasons[0] + (f" (also {'; '.join(more)})" if more else "")


_SYNTAX = {
    "Cannot overwrite a value": "a key or table is given twice",
    "Invalid value": "no value that TOML knows (text needs quotes)",
    "Invalid statement": "neither a key, a [table] nor a comment",
    "Expected '=' after a key in a key/value pair": "a key without '=' and value",
    "Expected newline or end of document after a statement": "something follows the value (text needs quotes)",
    "Unclosed array": "a list that is not closed with ]",
}


def _syntax(message: str, text: str) -> tuple[str, int]:
    """Plain words and line of a TOML syntax error."""
    found = re.search(r"\s*\(at (?:line (\d+), column (\d+)|end of document)\)", message)
    if found is None:
        digits = re.search(r"\d[\d_]{4000}", text) if "digits" in message else None
        if digits is None:
            return f"is not TOML: {message}", 1
        return "holds a number of thousands of digits", text.count("\n", 0, digits.start()) + 1
    what = message[: found.start()].strip()
    what = _SYNTAX.get(what, what[:1].lower() + what[1:])
    if found[1] is None:
        return f"is not TOML at its end: {what}", text.count("\n") + 1
    return f"is not TOML at column {found[2]}: {what}", int(found[1])


def _problems(
    errors: Sequence[ErrorDetails], data: Mapping[str, Any], text: str, model: type[BaseModel]
) -> list[tuple[int, str]]:
    """(line, sentence) of the first errors, unknown keys first: a misspelt key often explains a missing one.

    A file of something else may hold hundreds of thousands, so that sentences are made only for those that are shown.
    """
    lines = line_table(text)
    rows: list[tuple[bool, int, int, Place]] = []
    for number, error in enumerate(errors):
        place = real_place(data, error["loc"], last_may_be_missing=error["type"] == "missing")
        here = (*place, "kind") if error["type"].startswith("union_tag") and (*place, "kind") in lines else place
        rows.append((error["type"] != "extra_forbidden", line_of(lines, here), number, place))
    rows.sort(key=lambda row: row[:3])
    return [(line, _reason(errors[number], place, data, model)) for _, line, number, place in rows[: _OTHERS_SHOWN + 1]]


def _reason(error: ErrorDetails, place: Place, data: Mapping[str, Any], model: type[BaseModel]) -> str:
    where = _in_table(place[:-1], data) if error["type"] == "missing" else ""
    return _plain(error, place, model) + where


def _in_table(table: Place, data: Any) -> str:
    if not table:
        return ""
    here = data
    for part in table:
        try:
            here = here[part]
        except (KeyError, IndexError, TypeError):
            return f" in {_dotted(table)}"
    name = here.get("name") if isinstance(here, Mapping) else None
    return f" in {_dotted(table)}" + (f" ({name})" if isinstance(name, str) else "")


def _dotted(place: Place) -> str:
    """``("bearing", 0, "inner")`` -> ``bearing[1].inner``: people count from one."""
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _given(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{value[:60]}"' if value.isprintable() else f"the text {value[:60]!a}"
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list):
        return f"a list of {len(value)}"
    text = f"{value}"
    return text if len(text) <= 40 else f"a number of {len(text)} digits" if isinstance(value, int) else text[:40]


_WANTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "list_type": "a list in square brackets",
    "tuple_type": "a list in square brackets",
    "dict_type": "a table",
    "model_type": "a table",
    "model_attributes_type": "a table",
    "finite_number": "a finite number",
    "path_type": "a path in quotes",
    "datetime_type": "a date with time such as 2026-03-04T10:15:00+01:00",
    "datetime_parsing": "a date with time such as 2026-03-04T10:15:00+01:00",
    "datetime_from_date_parsing": "a date with time such as 2026-03-04T10:15:00+01:00",
}

_BOUND = {"greater_than": "above", "greater_than_equal": "at least", "less_than": "below", "less_than_equal": "at most"}


def _plain(error: ErrorDetails, place: Place, model: type[BaseModel]) -> str:
    """One error in plain words."""
    kind, context, given = error["type"], error.get("ctx", {}), error["input"]
    field = _dotted(place) or "the file"
    if kind == "missing":
        return f"the key {str(place[-1])!r} is missing"
    if kind == "extra_forbidden":
        return _unknown_key(place, error["loc"], model)
    if kind == "value_error":
        reason = str(context.get("error", error["msg"]))
        return reason if not place or str(place[-1]) in reason else f"{field}: {reason}"
    if kind in _WANTED:
        return f"{field} must be {_WANTED[kind]}, not {_given(given)}"
    if kind in _BOUND:
        bound = next(iter(context.values()))
        return f"{field} must be {_BOUND[kind]} {bound:g}, not {_given(given)}"
    if kind in ("literal_error", "union_tag_invalid"):
        listed = str(context.get("expected") or context.get("expected_tags"))
        allowed = re.findall(r"'([^']*)'", listed)
        if kind == "union_tag_invalid":
            field, given = f"{field}.kind", context.get("tag", given)
        return f"{field} must be {_choice(allowed)}, not {_given(given)}{_did_you_mean(given, allowed)}"
    if kind == "union_tag_not_found":
        return f"the key 'kind' is missing in {field}"
    if kind in ("string_too_short", "string_too_long", "too_short", "too_long"):
        limit = context.get("min_length", context.get("max_length"))
        side = "at least" if kind.endswith("short") else "at most"
        what = "characters" if kind.startswith("string") else "entries"
        return f"{field} must have {side} {limit} {what}, not {_given(given)}"
    if kind == "string_pattern_mismatch":
        return f"{field} must not be {_given(given)}: letters, digits, spaces, _ / and - only, a letter or digit first"
    return f"{field}: {error['msg'][:1].lower()}{error['msg'][1:]}, given {_given(given)}"


def _choice(words: Sequence[str]) -> str:
    quoted = [f'"{word}"' for word in words]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} or {quoted[-1]}"


def _did_you_mean(given: object, known: Iterable[str]) -> str:
    if not isinstance(given, str) or len(given) > 80:
        return ""
    near = difflib.get_close_matches(given.lower(), list(known), n=1, cutoff=0.6)
    return f"; did you mean {near[0]!r}?" if near else ""


def _unknown_key(place: Place, loc: Sequence[str | int], model: type[BaseModel]) -> str:
    key = str(place[-1])
    known = sorted({name for found in _models_at(model, loc[:-1]) for name in _keys(found)})
    where = f" in {_dotted(place[:-1])}" if len(place) > 1 else ""
    hint = _did_you_mean(key, known) or (f"{KNOWN_KEYS}{', '.join(known)}" if known else "")
    return f"unknown key {key!r}{where}{hint}"


def _keys(model: type[BaseModel]) -> list[str]:
    return [field.alias or name for name, field in model.model_fields.items()]


def _models_at(model: type[BaseModel], loc: Sequence[str | int]) -> list[type[BaseModel]]:
    """The models that may stand at ``loc``, following fields, list items and the kind of a union."""
    here: list[Any] = [model]
    for part in loc:
        models = [kind for kind in here if _is_model(kind)]
        if isinstance(part, int):
            here = [
                item for kind in here if get_origin(kind) in (list, tuple, Sequence) for item in _flat(get_args(kind))
            ]
        elif fields := [m.model_fields[part].annotation for m in models if part in m.model_fields]:
            here = _flat(fields)
        elif tables := [get_args(kind)[1] for kind in here if get_origin(kind) is dict]:
            here = _flat(tables)
        else:
            kinds = [kind for m in models for kind in (m, *_below(m)) if "kind" in kind.model_fields]
            tagged = [kind for kind in kinds if part in _literals(kind.model_fields["kind"].annotation)]
            here = list(tagged or models)
    return [kind for kind in here if _is_model(kind)]


def _below(model: type[BaseModel]) -> list[type[BaseModel]]:
    """All forms that are made from this one."""
    return [deeper for kind in model.__subclasses__() for deeper in (kind, *_below(kind))]


def _is_model(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _literals(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation) if get_origin(annotation) is Literal else ()


def _flat(annotations: Iterable[Any]) -> list[Any]:
    """Unions and annotated types opened up."""
    flat: list[Any] = []
    for annotation in annotations:
        origin = get_origin(annotation)
        if origin is typing.Annotated:
            flat += _flat(get_args(annotation)[:1])
        elif origin in (Union, UnionType):
            flat += _flat(get_args(annotation))
        else:
            flat.append(annotation)
    return flat
