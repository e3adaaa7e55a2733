"""Records that carry a hash of their own content, so that a changed digit shows.

The canonical form, over which the hash is taken: JSON in UTF-8; the keys of every object in the order of their code
points; ``,`` and ``:`` without spaces; characters outside ASCII as they are; whole numbers without a point, all others
as the shortest decimals that read back as the same double, with a point or an exponent; NaN and infinities refused.
The hash proves that a copy is unchanged against the original's hash. It does not prove who made it.
"""

from __future__ import annotations

import hashlib
import json
import math
import re
from collections.abc import Mapping
from typing import Any

from vibe.storage.files import writable
from vibe.storage.json_text import refuse_crowded

SEAL = "seal"
"""The key that holds the hash of everything else."""


class SealError(ValueError):
    """A text is no sealed record. The message says why, without the file's name."""


def canonical(content: Mapping[str, Any]) -> bytes:
    """The canonical form of ``content`` without its seal.

    Raises:
        SealError: a number is NaN or infinite, a text is no UTF-8, or something is no JSON at all.
    """
    rest = {key: value for key, value in content.items() if key != SEAL}
    try:
        text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
        return text.encode("utf-8")
    except (ValueError, TypeError, RecursionError) as error:  # UnicodeEncodeError is a ValueError
        raise SealError(f"it cannot be written in the canonical form ({error})") from error


def seal_of(content: Mapping[str, Any]) -> str:
    """SHA-256 over the canonical form, 64 hexadecimal digits.

    Raises:
        SealError: there is no canonical form.
    """
    return hashlib.sha256(canonical(content)).hexdigest()


def sealed(content: Mapping[str, Any]) -> dict[str, Any]:
    """``content`` with its seal.

    Raises:
        SealError: there is no canonical form.
    """
    return {**content, SEAL: seal_of(content)}


def cleaned(value: Any) -> Any:
    """JSON values with every text made such that UTF-8 can hold it."""
    if isinstance(value, str):
        return writable(value)
    if isinstance(value, dict):
        return {writable(key): cleaned(item) for key, item in value.items()}
    return [cleaned(item) for item in value] if isinstance(value, list) else value


def written(record: Mapping[str, Any]) -> str:
    """A record as a file for people and programs; ``schema`` and ``seal`` stand first."""
    first = {key: record[key] for key in ("schema", SEAL) if key in record}
    rest = {key: record[key] for key in sorted(record) if key not in first}
    return json.dumps({**first, **rest}, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_sealed(text: str | bytes) -> dict[str, Any]:
    """The record in ``text``. Whether its seal fits is not asked here.

    Raises:
        SealError: no JSON object, a key that stands twice, a number in another form than the canonical one (digits
            beyond what a double holds would otherwise be changed unseen), or no seal.
    """
    try:
        refuse_crowded(text)
        record = json.loads(
            text.encode("utf-8") if isinstance(text, str) else text,
            parse_float=_number, parse_constant=_no_number, object_pairs_hook=_once,
        )  # fmt: skip
    except json.JSONDecodeError as error:
        raise SealError(f"it is no whole JSON text (line {error.lineno}: {error.msg.lower()})") from error
    except SealError:
        raise
    except RecursionError as error:
        raise SealError("it is nested too deeply") from error
    except UnicodeError as error:
        raise SealError("it is no text in UTF-8") from error
    except ValueError as error:  # a whole number of thousands of digits
        raise SealError(f"it cannot be read ({error})") from error
    if not isinstance(record, dict):
        raise SealError("it is no JSON object")
    if not isinstance(record.get(SEAL), str) or not re.fullmatch(r"[0-9a-f]{64}", record[SEAL]):
        raise SealError("it has no seal of 64 hexadecimal digits")
    return record


def groups(seal: str, size: int = 4) -> list[str]:
    """A hash in groups that people can compare."""
    return [seal[at : at + size] for at in range(0, len(seal), size)]


def _number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value) or repr(value) != text:
        raise SealError(f"the number {text[:40]} is not in the canonical form; it would be {value!r}")
    return value


def _no_number(text: str) -> float:
    raise SealError(f"{text} is no number")


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise SealError("a name occurs twice in one object")
    return found
