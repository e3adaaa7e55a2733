"""Standard words: what the trade has a word for is not called by one of our own."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
STANDARD = {
    r"told|telling": "stated, known, shown",
    r"heard|unheard|hears?|hearing": "detected",
    r"beside": "next to, compared with, besides",
    r"hits?": "impact",
    r"strangers?": "unmatched comb",
    r"aside": "impulse gating, left out, kept apart",
    r"grounds?": "decoy null, reason",
    r"asking": "request",
    r"flatter\w*": "selection bias",
    r"wander\w*": "speed variation, drift",
    r"stretch(es)?": "segment",
}
"""A word, and what is said instead."""
BY_DESIGN = re.compile(
    r"cannot_be_told_from|cannot be told( yet)?\b|heard_probability|not_heard"  # of health.json and of stores
    r"|\w*hit_over_floor\w*|hit_m_s2|hit_line_over_floor_db|[\"'`]hits?[\"'`]"  # of stores, settings and truth files
    r"|f\"hits \{"  # names of random numbers: by another name a sample would be another one
    r"|speed[-_]wander"  # an option
    r"|stretch_width|align-self: stretch|</?aside\b"  # of libraries and browsers
    r"|\b(set|sets|put|written|copied|place|space|memory) aside"  # plain English
    r"|[Gg]round floor|ground its screen"
)
"""What stays: names that files, options and settings have already, and words that mean what they say."""
ELSEWHERE = re.compile(r"vibe/synth/samples/years_\w+\.py")
"""A stretch of weeks is no segment."""
SUFFIXES = {".py", ".toml", ".md", ".j2"}


WRONG = re.compile(rf"(?<![^\W_])({'|'.join(STANDARD)})(?![^\W_])", re.IGNORECASE)


def found_in(text: str) -> list[str]:
    """The lines in which a word stands, by itself or as a part of a name, where it need not."""
    if not WRONG.search(text):
        return []
    return [line.strip() for line in text.splitlines() if WRONG.search(line) and WRONG.search(BY_DESIGN.sub("", line))]


def test_standard_words_are_used() -> None:
    files = [
        path
        for place in ("vibe", "configs", "pipelines")
        for path in (ROOT / place).rglob("*")
        if path.suffix in SUFFIXES and not ELSEWHERE.fullmatch(path.relative_to(ROOT).as_posix())
    ]
    files += [ROOT / "README.md", ROOT / "DEVELOPERS.md"]
    found = {
        path.relative_to(ROOT).as_posix(): lines
        for path in files
        if (lines := found_in(path.read_text(encoding="utf-8")))
    }
    assert found == {}, f"standard words: {STANDARD}"


def test_names_of_tests_use_them_too() -> None:
    found = {
        f"{path.relative_to(ROOT).as_posix()}: {name}"
        for path in (ROOT / "tests").rglob("test_*.py")
        for name in re.findall(r"^ *def (test_\w+)", path.read_text(encoding="utf-8"), re.MULTILINE)
        if found_in(name.replace("_", " "))
    }
    assert found == set(), f"standard words: {STANDARD}"


def test_a_word_is_found_in_prose_and_names_and_left_where_it_belongs() -> None:
    text = "what was told\nif told_here:\nBESIDE = 3\n  cannot_be_told_from=alike\nthe toll\n"
    assert found_in(text) == ["what was told", "if told_here:", "BESIDE = 3"]
