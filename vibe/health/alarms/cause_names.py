"""Names of causes that stay the same while evidence wavers between parts that cannot be distinguished."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime

from vibe.core.records.alarm_case import CaptureFinding
from vibe.core.tones import CAGES

_SIGNS = "23456789bcdfghjkmnpqrstvwxz"
"""No vowels, so that no word arises, and nothing that looks like something else: 27 signs."""
_ID_LENGTH = 6
"""27^6 is 4·10^8: a site with a thousand alarms has two of one name with a chance of 1 in 800."""
_RACES = ("outer_race", "inner_race", "rolling_element", *CAGES)


def owner_of(name: str) -> str:
    """The part that a tone, line or component belongs to: a bearing as a whole, a stage's part, shaft, motor."""
    if name.startswith("bearing."):
        whole, _, last = name.rpartition(".")
        return whole if last in _RACES else name
    if name.startswith("twice line"):
        return "motor"
    if name.endswith("x") and name[:-1].replace(".", "", 1).isdigit():
        return "input.shaft"
    return name.split(" ")[0] if name.startswith("stage") else name


def owners(names: Iterable[str | None]) -> frozenset[str]:
    """Parts behind several names."""
    return frozenset(owner_of(name) for name in names if name)


def cause_of(finding: CaptureFinding) -> str:
    """One name for a finding: of parts of one stage that cannot be distinguished always the same one."""
    own = owner_of(finding.component)
    stage = own.partition(".")[0]
    if not stage.startswith("stage"):
        return f"{own} {finding.defect}" if "." not in own or own == "input.shaft" else own
    return min({own, *(name for name in owners(finding.names) if name.partition(".")[0] == stage)})


def alarm_id(drive: str, cause: str, epoch: datetime | None) -> str:
    """A short name that is easy to type, the same for ever: made of drive, cause and the last new baseline."""
    since = "" if epoch is None else epoch.astimezone(UTC).isoformat(timespec="seconds")
    number = int.from_bytes(hashlib.sha256("\n".join((drive, cause, since)).encode("utf-8")).digest()[:12])
    signs = ""
    for _ in range(_ID_LENGTH):
        number, rest = divmod(number, len(_SIGNS))
        signs += _SIGNS[rest]
    return f"{signs[:3]}-{signs[3:]}"


def typed(text: str) -> str:
    """An id as somebody typed it: capitals, and the dash forgotten."""
    plain = "".join(sign for sign in text.lower() if sign.isalnum())
    return f"{plain[:3]}-{plain[3:]}" if len(plain) == _ID_LENGTH else text.strip().lower()
