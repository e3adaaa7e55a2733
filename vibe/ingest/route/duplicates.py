"""The same delivery twice: files of the same bytes, and channels of the same samples in other clothes."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from vibe.core.capture import Channel
from vibe.storage.files import file_sha256

_BLOCKS = 64
"""Enough places to be sure, few enough that two samples of nearly one size rarely change places when rounded."""
_FEWEST_SAMPLES = 256
"""Shorter rows hold too few places to distinguish one from another."""


def same_content(paths: Iterable[Path]) -> tuple[tuple[Path, ...], ...]:
    """Groups of two and more files that hold the same bytes, in the order given.

    Only files of one size are read. One that is empty, gone or cannot be read belongs to no group.
    """
    by_size: dict[int, list[Path]] = {}
    for path in dict.fromkeys(paths):
        try:
            by_size.setdefault(path.stat().st_size, []).append(path)
        except OSError:
            continue
    by_bytes: dict[str, list[Path]] = {}
    for size, alike in by_size.items():
        if size == 0 or len(alike) < 2:
            continue
        for path in alike:
            try:
                by_bytes.setdefault(file_sha256(path), []).append(path)
            except OSError:
                continue
    return tuple(tuple(group) for group in by_bytes.values() if len(group) > 1)


def samples_hash(channel: Channel) -> str:
    """A text that two channels share when they hold the same recording, whatever file, unit or scale it came in.

    It is made of how many samples there are and where, block by block, the largest and the smallest lie: conversion
    and rounding move values but not these places. Empty where that says nothing: too few samples, a channel that
    stands still in most blocks. A recording cut short counts as another one.
    """
    samples = channel.samples
    if samples.size < _FEWEST_SAMPLES:
        return ""
    length = samples.size // _BLOCKS
    blocks = samples[: length * _BLOCKS].reshape(_BLOCKS, length)
    missing = np.isnan(blocks)
    top = np.where(missing, -np.inf, blocks)
    bottom = np.where(missing, np.inf, blocks)
    if np.count_nonzero(top.max(axis=1) > bottom.min(axis=1)) < _BLOCKS // 2:
        return ""
    places = np.concatenate((top.argmax(axis=1), bottom.argmin(axis=1))).astype("<u4")
    return hashlib.sha256(f"{samples.size} ".encode() + places.tobytes()).hexdigest()
