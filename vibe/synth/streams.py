"""Random streams by name, so that adding a damage leaves noise, casing and pitch errors as they were."""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np

from vibe.core.errors import CallError


@dataclass(frozen=True, slots=True)
class Streams:
    """``machine`` seeds what is built into the drive, ``capture`` what differs from one measurement to the next."""

    machine_seed: int
    capture_seed: int

    def __post_init__(self) -> None:
        for seed in (self.machine_seed, self.capture_seed):
            if not 0 <= seed < 2**63:
                raise CallError(f"seed {seed} must be zero or a positive whole number")

    def machine(self, name: str) -> np.random.Generator:
        return np.random.default_rng([self.machine_seed, zlib.crc32(name.encode()), 1])

    def capture(self, name: str) -> np.random.Generator:
        return np.random.default_rng([self.capture_seed, zlib.crc32(name.encode()), 2])
