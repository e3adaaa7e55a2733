"""What a file may claim to hold: looked at before anything is allocated, so that no small file takes the machine."""

from __future__ import annotations

from pathlib import Path

from vibe.core.errors import CaptureError

MAX_SAMPLES = 100_000_000
"""Samples in one file of a format that is read as a whole, all channels together: up to 0.8 GB as numbers."""
MOST_IN_PARTS = 4_000_000_000
"""Samples in one file of a format of which parts can be read: five hours of four channels at 51.2 kHz."""
MOST_CHANNELS = 1024
"""In one file: a table with more columns is no capture (our choice, wide)."""

MOST_ARRAYS = 4096
"""In one file, those included that describe others: a recorder writes a few for each channel (our choice, wide)."""

HARMLESS_BYTES = 160_000_000
"""Twenty million numbers of eight bytes: any machine that analyses a capture can hold them."""
PACKED_BEST = 25
"""Times that measured samples are packed at best, beyond what is harmless (our choice): numbers of eight bytes in which
four bits move pack to a sixteenth. Deflate packs up to 1032:1 (RFC 1951: 258 bytes in two bits at best), which beyond
what is harmless only made-up files use, and recordings of channels that were not connected."""


def check_unpacked(size_bytes: int, path: Path) -> None:
    """Refuse a file that claims, once unpacked, more bytes than measured samples can be packed from.

    Raises:
        CaptureError: too many.
    """
    size = path.stat().st_size
    if size_bytes > max(HARMLESS_BYTES, PACKED_BEST * size):
        raise CaptureError(
            f"claims {size_bytes:,} bytes of numbers, more than its {size:,} bytes can hold of measured ones", path=path
        )


def check_claim(samples: int, path: Path, most: int = MAX_SAMPLES, *, claimed_bytes: int = 0) -> None:
    """Refuse a file that claims more samples than are read of its format, or, once unpacked, more bytes of them than
    measured ones can be packed into its size.

    Raises:
        CaptureError: too many.
    """
    if samples > most:
        raise CaptureError(f"claims {samples:,} samples; more than {most:,} are not read", path=path)
    check_unpacked(max(samples, claimed_bytes), path)


def check_channels(count: int, path: Path) -> None:
    """Refuse a file of more channels than any recorder has.

    Raises:
        CaptureError: too many.
    """
    if count > MOST_CHANNELS:
        raise CaptureError(f"holds {count:,} channels; more than {MOST_CHANNELS:,} are not read", path=path)
