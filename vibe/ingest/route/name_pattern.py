"""A rule for file names, cut into pieces, and laid over a name.

In a rule, ``{drive}`` and ``{point}`` stand for 1 to 80 signs of a name, ``{any}`` for up to 255 or none, ``{time}``
for what ``time_format`` describes; none of them crosses a ``/``, except a ``time_format`` that holds one. Everything
else stands for itself, in capitals or not.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

from vibe.core.errors import ConfigError
from vibe.core.route.route import FileRule, folded
from vibe.storage.files import writable

_LONGEST_NAME = 80
"""Characters of a name that a message quotes, and of a part that is not free (our choice)."""
_LONGEST_ANY = 255
"""As long as one name may be in common file systems (POSIX NAME_MAX; from memory)."""
LONGEST_PATH = 1000
"""Signs; a longer one fits no rule."""
_MOST_ANY = 4
"""Each more multiplies the ways in which a name can be cut; a logger needs one or two."""

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")
_KINDS = ("drive", "point", "time", "any")
_CLOCK = {
    "Y": r"\d{4}", "y": r"\d\d", "m": r"\d\d", "d": r"\d\d", "j": r"\d{3}", "b": r"[a-z]{3}", "H": r"\d\d",
    "I": r"\d\d", "p": r"[ap]m", "M": r"\d\d", "S": r"\d\d", "f": r"\d{1,6}", "z": r"(?:[+-]\d\d:?\d\d|z)", "%": "%",
}  # fmt: skip
"""Signs of strftime that are understood, and what each may look like in a folded name."""


class RuleError(ConfigError):
    """A rule is wrong; ``place`` names the field, seen from the top of the route file."""

    def __init__(self, reason: str, place: tuple[str | int, ...]) -> None:
        super().__init__(reason)
        self.place = place


@dataclass(frozen=True, slots=True)
class PatternPiece:
    """A piece of a rule: ``text`` for itself, or one of the placeholders."""

    kind: str
    text: str = ""
    pattern: re.Pattern[str] | None = None


@dataclass(frozen=True, slots=True)
class Known:
    """Folded names that a placeholder may stand for, and their lengths, longest first."""

    names: frozenset[str]
    lengths: tuple[int, ...]

    @classmethod
    def of(cls, names: Iterable[str]) -> Known:
        kept = frozenset(names)
        return cls(kept, tuple(sorted({len(name) for name in kept}, reverse=True)))


def clean(name: str) -> str:
    """A name out of a file that may hold anything, fit to be printed and written."""
    return "".join(sign if sign.isprintable() else "\ufffd" for sign in writable(name))


def shown(name: str) -> str:
    """``name`` for a sentence."""
    name = clean(name)
    return repr(name if len(name) <= _LONGEST_NAME else name[:_LONGEST_NAME] + "…")


def cut(parts: tuple[PatternPiece, ...], text: str, known: Mapping[str, Known]) -> dict[str, tuple[int, int]] | None:
    """First way to lay ``parts`` over all of ``text``.

    What failed from some place on is remembered, so that the work grows with the product of the lengths and not
    with a power of them, however the rule and the name were chosen.
    """
    dead: set[tuple[int, int]] = set()

    def rest(index: int, at: int) -> dict[str, tuple[int, int]] | None:
        if index == len(parts):
            return {} if at == len(text) else None
        if (index, at) in dead:
            return None
        for end in _ends(parts[index], text, at, known):
            found = rest(index + 1, end)
            if found is not None:
                found[parts[index].kind] = (at, end)
                return found
        dead.add((index, at))
        return None

    return rest(0, 0)


def _ends(part: PatternPiece, text: str, at: int, known: Mapping[str, Known]) -> Iterable[int]:
    """Where ``part`` may end when it begins at ``at``."""
    if part.kind == "text":
        return (at + len(part.text),) if text.startswith(part.text, at) else ()
    if part.pattern is not None:
        match = part.pattern.match(text, at)
        return () if match is None else (match.end(),)
    if part.kind in known:
        names = known[part.kind]
        return [at + size for size in names.lengths if text[at : at + size] in names.names]
    slash = text.find("/", at)
    longest = _LONGEST_ANY if part.kind == "any" else _LONGEST_NAME
    last = min(at + longest, len(text) if slash < 0 else slash)
    return range(at if part.kind == "any" else at + 1, last + 1)


def parts_of(rule: FileRule, place: tuple[str | int, ...]) -> tuple[PatternPiece, ...]:
    """``like`` in pieces."""

    def wrong(reason: str) -> RuleError:
        return RuleError(f"like = {shown(rule.like)}: {reason}", (*place, "like"))

    if "\\" in rule.like:
        raise wrong("write / between folders, on every system")
    if not rule.like.isprintable():
        raise wrong("it holds signs that cannot be printed")
    if any(name in ("", ".", "..") for name in rule.like.split("/")):
        raise wrong("it begins below the folder of captures: no / at its ends, no //, no . or .. as a folder")
    parts: list[PatternPiece] = []
    at = 0
    for match in _PLACEHOLDER.finditer(rule.like):
        kind = match[1]
        if kind not in _KINDS:
            raise wrong(f"{match[0]} is not known; known are {', '.join(f'{{{name}}}' for name in _KINDS)}")
        if kind != "any" and any(part.kind == kind for part in parts):
            raise wrong(f"{match[0]} may stand there once only; write {{any}} for the other")
        parts += [_text(rule.like[at : match.start()]), PatternPiece(kind, pattern=_clock(rule, place, kind))]
        at = match.end()
    parts = [part for part in (*parts, _text(rule.like[at:])) if part.kind != "text" or part.text]
    if any("{" in part.text or "}" in part.text for part in parts):
        raise wrong("a brace is opened or closed without its other; a brace in a file's name is matched by {any}")
    kinds = [part.kind for part in parts]
    if kinds.count("any") > _MOST_ANY:
        raise wrong(f"more than {_MOST_ANY} {{any}}")
    for first, second in pairwise(kinds):
        if "text" not in (first, second) and "time" not in (first, second):
            raise wrong(
                f"between {{{first}}} and {{{second}}} it is not clear where one ends: put a character between them"
            )
    return tuple(parts)


def clock_format(rule: FileRule) -> str:
    """``time_format`` with a plain Z behind a sign of the clock read as what ISO 8601 means by it, UTC."""
    return re.sub(r"(%[HIMSfp])Z", r"\1%z", rule.time_format)


def _text(text: str) -> PatternPiece:
    return PatternPiece("text", folded(text))


def _clock(rule: FileRule, place: tuple[str | int, ...], kind: str) -> re.Pattern[str] | None:
    """What ``{time}`` may look like, None for another placeholder.

    Only signs whose looks are fixed are taken: else ``{time}`` would swallow its neighbours.
    """
    if kind != "time":
        return None

    def wrong(reason: str) -> RuleError:
        return RuleError(f"time_format = {shown(rule.time_format)}: {reason}", (*place, "time_format"))

    pattern, used = "", set()
    for match in re.finditer(r"%(.?)|[^%]", clock_format(rule), re.DOTALL):
        sign = match[1]
        if sign is None:
            pattern += re.escape(folded(match[0]))
        elif sign not in _CLOCK:
            raise wrong(f"%{sign} is not known; known are {', '.join('%' + name for name in _CLOCK)}")
        elif sign != "%" and sign in used:
            raise wrong(f"%{sign} stands there twice")
        else:
            pattern += _CLOCK[sign]
            used.add(sign)
    if not (used & {"Y", "y"} and (used & {"j"} or (used & {"m", "b"} and "d" in used))):
        raise wrong("it must give the day: year, month and day, e.g. %Y%m%d_%H%M%S")
    if not ("M" in used and ("H" in used or {"I", "p"} <= used)):
        raise wrong("it must give the time of day: at least hour and minute, e.g. %Y%m%d_%H%M%S")
    try:
        sample = datetime(2026, 11, 25, 17, 42)
        datetime.strptime(sample.astimezone().strftime(clock_format(rule)), clock_format(rule))
    except ValueError as error:
        raise wrong(f"it cannot be read back ({str(error)[:80]})") from None
    return re.compile(pattern, re.ASCII)
