"""Seeded ways to spoil a file: its bytes, its text, its tree of values. The same generator spoils it the same way."""

from __future__ import annotations

import json
import re
from random import Random
from typing import Any

NUMBERS = (
    "0", "-0", "1", "-1", "2", "3", "7", "255", "256", "32767", "65535", "2147483647", "-2147483648",
    "4294967295",
    "9223372036854775807", "1e-300", "1e300", "-1e300", "1e308", "1e999", "nan", "NaN", "inf", "-inf", "1_0", "0x10",
    "1,5", "1.5e", ".", "+", "1e5", "1000000000", "99999999999999999999", "0.0000001", "9" * 400,
)  # fmt: skip
WORDS = (
    "", " ", "\t", "\x00", "\r", "\n", "\x0b", "\x1b[31m", "\u2028", "\ufeff", "é\u202e", "../../etc/passwd",
    "/dev/zero",
    "<script>alert(1)</script>", "=1+1", "'", '"', '"""', "''' ", "[", "]", "[[", "{", "}", "#", "=", ",", ";", "\\",
    "[channels]", "null", "true", "g", "mm/s", "m/s^2", "V", "furlong", "2026-03-04T10:15:00+01:00", "0001-01-01",
    "9999-12-31T23:59:59-12:00", "drive", "time_s", "-1", "    -1", "    58", "x" * 300, " " * 300, "[" * 300,
    "(" * 300,
)  # fmt: skip
_INTS = (
    0,
    1,
    2,
    0x7F,
    0x80,
    0xFF,
    0x7FFF,
    0xFFFF,
    0x7FFFFFFF,
    0x80000000,
    0xFFFFFFFF,
    1_000_000_000,
    1 << 40,
    (1 << 63) - 1,
)
_NUMBER = re.compile(rb"[-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?")


def cut(rng: Random, data: bytes) -> bytes:
    """The file as a broken connection leaves it."""
    return data[: rng.randrange(len(data))] if data else data


def spoiled(rng: Random, data: bytes, other: bytes = b"") -> bytes:
    """Bytes changed in one to eight places, more often near the beginning, where headers stand."""
    content = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        if not content:
            return bytes(content)
        reach = min(len(content), rng.choice((64, 512, 4096, len(content))))
        at = rng.randrange(reach)
        if rng.random() < 0.15:
            at = len(content) - 1 - at  # Zip and Parquet have their tables at the end.
        match rng.randrange(9):
            case 0:
                content[at] ^= 1 << rng.randrange(8)
            case 1:
                content[at] = rng.choice((0, 1, 0x7F, 0x80, 0xFF, 10, 13, 32, rng.randrange(256)))
            case 2:
                size = rng.choice((1, 2, 4, 8))
                value = rng.choice(_INTS) & ((1 << 8 * size) - 1)
                content[at : at + size] = value.to_bytes(size, rng.choice(("little", "big")))
            case 3:
                del content[at : at + rng.choice((1, 2, 8, 64, 512))]
            case 4:
                content[at:at] = bytes(rng.randrange(256) for _ in range(rng.choice((1, 2, 8, 64))))
            case 5:
                size = rng.choice((4, 16, 128, 1024))
                content[at:at] = content[at : at + size]
            case 6:
                size = rng.choice((4, 16, 128, 1024))
                content[at : at + size] = bytes(len(content[at : at + size]))
            case 7:
                start = rng.randrange(len(other)) if other else 0
                size = rng.choice((8, 64, 1024))
                content[at : at + size] = other[start : start + size]
            case _:
                other_at = rng.randrange(len(content))
                size = rng.choice((1, 8, 64))
                content[at : at + size] = content[other_at : other_at + size]
    return bytes(content)


def numbers_changed(rng: Random, data: bytes) -> bytes:
    """One to three numbers of a text replaced, mostly near its beginning."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        found = list(_NUMBER.finditer(data[: rng.choice((400, 1500, len(data)))]))
        if not found:
            return data
        one = rng.choice(found)
        new = rng.choice(NUMBERS).encode()
        if rng.random() < 0.5:  # Columns of fixed width stay where they were.
            new = new.rjust(one.end() - one.start())
        data = data[: one.start()] + new + data[one.end() :]
    return data


def lines_changed(rng: Random, data: bytes) -> bytes:
    """Lines exchanged, doubled, dropped, joined, or with a stray word in them."""
    lines = data.split(b"\n")
    for _ in range(rng.choice((1, 1, 2, 4))):
        at = rng.randrange(min(len(lines), rng.choice((8, 40, len(lines)))))
        word = rng.choice(WORDS).encode("utf-8", "surrogatepass")
        match rng.randrange(7):
            case 0:
                del lines[at]
            case 1:
                lines.insert(at, lines[at])
            case 2:
                other = rng.randrange(len(lines))
                lines[at], lines[other] = lines[other], lines[at]
            case 3:
                lines[at : at + 2] = [b"".join(lines[at : at + 2])]
            case 4:
                lines.insert(at, word)
            case 5:
                place = rng.randrange(len(lines[at]) + 1)
                lines[at] = lines[at][:place] + word + lines[at][place:]
            case _:
                lines[at] = word
        if not lines:
            return b""
    return b"\n".join(lines)


def stated_otherwise(rng: Random, data: bytes) -> bytes:
    """The same text in another encoding, with other ends of lines, another divider or decimal sign."""
    text = data.decode("utf-8", "replace")
    match rng.randrange(8):
        case 0:
            return text.encode("utf-16")
        case 1:
            return text.encode("utf-16-be", "surrogatepass")
        case 2:
            return text.encode("latin-1", "replace")
        case 3:
            return b"\xef\xbb\xbf" + data
        case 4:
            return data.replace(b"\n", rng.choice((b"\r", b"\r\n", b"\n\n", b"\n\r", b"\x0b")))
        case 5:
            return data.replace(b",", rng.choice((b";", b"\t", b"|", b" ")))
        case 6:
            return data.replace(b",", b";").replace(b".", b",")
        case _:
            return text.encode("utf-32")


def value_changed(rng: Random, data: bytes) -> bytes:
    """In a text of ``key = value`` lines: another value, an unknown key, or nesting without end."""
    lines = data.split(b"\n")
    places = [k for k, line in enumerate(lines) if b"=" in line and not line.lstrip().startswith(b"#")]
    if not places:
        return lines_changed(rng, data)
    at = rng.choice(places)
    key = lines[at].split(b"=")[0]
    match rng.randrange(8):
        case 0:
            lines[at] = key + b"= " + b"[" * rng.choice((1, 50, 3000)) + b"]" * rng.choice((0, 1, 50, 3000))
        case 1:
            lines[at] = key + b"= " + b"{a=" * rng.choice((1, 50, 3000)) + b"1" + b"}" * rng.choice((1, 50, 3000))
        case 2:
            lines[at] = key.strip() + b".a" * rng.choice((1, 3, 2000)) + b" = 1"
        case 3:
            lines.insert(at, b"unknown_%d = 1" % rng.randrange(100))
        case 4:
            word = json.dumps(rng.choice(WORDS), ensure_ascii=rng.random() < 0.5)
            lines[at] = key + b"= " + word.encode("utf-8", "surrogatepass")
        case 5:
            other = lines[rng.choice(places)]
            lines[at] = key + b"=" + other.split(b"=", 1)[1]
        case 6:
            lines[at] = key + b"= " + rng.choice((b"true", b"[]", b"{}", b"1979-05-27", b"07:32:00", b'""', b"[[1]]"))
        case _:
            lines[at] = key + b"= " + rng.choice(NUMBERS).encode()
    return b"\n".join(lines)


def text_spoiled(rng: Random, data: bytes, other: bytes = b"") -> bytes:
    """Any of the ways for text."""
    way = rng.random()
    if way < 0.3:
        return numbers_changed(rng, data)
    if way < 0.6:
        return lines_changed(rng, data)
    if way < 0.7:
        return stated_otherwise(rng, data)
    return spoiled(rng, data, other)


def toml_spoiled(rng: Random, data: bytes, other: bytes = b"") -> bytes:
    """Any of the ways for a file of ``key = value`` lines."""
    return value_changed(rng, data) if rng.random() < 0.5 else text_spoiled(rng, data, other)


def odd_value(rng: Random) -> Any:
    """A value that JSON can hold and nobody expects."""
    deep: Any = 1
    for _ in range(rng.choice((1, 30, 900))):
        deep = [deep]
    return rng.choice(
        (None, True, 0, -1, 2**64, 10**400, 1e300, -1e-300, float("nan"), float("inf"), "", "x" * 5000, "\ud800",
         rng.choice(WORDS), rng.choice(NUMBERS), [], {}, [None], {"": {}}, [[]] * 50, deep)
    )  # fmt: skip


def tree_changed(rng: Random, root: Any) -> Any:
    """A tree of JSON values with one to three of them exchanged, dropped or doubled. ``root`` is changed in place."""
    for _ in range(rng.choice((1, 1, 2, 3))):
        here: Any = root
        path: list[Any] = []
        while isinstance(here, (dict, list)) and here and (not path or rng.random() < 0.8):
            keys = list(here) if isinstance(here, dict) else range(len(here))
            key = rng.choice(list(keys))
            path.append((here, key))
            here = here[key]
        if not path:
            return odd_value(rng)
        holder, key = path[-1]
        match rng.randrange(4):
            case 0 | 1:
                holder[key] = odd_value(rng)
            case 2:
                del holder[key]
            case _ if isinstance(holder, list):
                holder.append(holder[key])
            case _:
                holder[rng.choice(WORDS)] = odd_value(rng)
    return root


def json_spoiled(rng: Random, data: bytes, other: bytes = b"") -> bytes:
    """A JSON file with its tree changed, or its text."""
    if rng.random() < 0.35:
        return text_spoiled(rng, data, other)
    return json.dumps(tree_changed(rng, json.loads(data)), ensure_ascii=rng.random() < 0.5).encode(
        "utf-8", "surrogatepass"
    )
