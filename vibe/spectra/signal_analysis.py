"""What the samples of a capture say, of one segment or of all of them: values only.

Everything that later steps or pictures need is kept in one value, so that nothing is transformed twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from vibe.core.comb_history import Trace
from vibe.core.evidence import CombEvidence, CrossLine, Level, Line, SpeedEstimate
from vibe.core.outside_combs import OutsideComb
from vibe.spectra.basic.angle_law import AngleLaw
from vibe.spectra.envelope.bands import BandEnvelopes
from vibe.spectra.envelope.envelope_spectrum import EnvelopeSpectra, MeanSquares, over_floor
from vibe.spectra.envelope.synchronous_average import Turn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChannelSpectrum:
    """Mean-square acceleration per bin of one channel, on an axis that follows the shaft (steps in mean Hz)."""

    channel: str
    power: NDArray[np.float64]
    bin_hz: float


@dataclass(frozen=True, kw_only=True, eq=False)
class BandAnalysis:
    """One set of bands per channel, and the mean-square envelope lines of their groups."""

    bands: tuple[BandEnvelopes, ...]
    means: MeanSquares
    slow: bool = False
    """Whether these are thinned envelopes of a whole long recording, for slow tones alone."""
    pieces: bool = False
    """Whether the lines are means over pieces of the recording, for tones that slip alone."""

    @cached_property
    def spectra(self) -> EnvelopeSpectra:
        """The same lines over their local floor, which is worked out when it is first asked for: of many segments only
        their average needs one."""
        return over_floor(self.means)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SignalAnalysis:
    """All that the samples said. What is weighed of them together (``combs``, ``turns``, ``trace``) is empty as long as
    it was not asked for: ``segment.py`` gives the rest, of one segment, ``analysis.py`` adds it."""

    speed: SpeedEstimate
    law: AngleLaw
    looks: tuple[BandAnalysis, ...]
    """The sets of bands in which combs are looked for, the widest bands first; none where there is no band or there are
    too few turns."""
    lines: tuple[Line, ...]
    levels: tuple[Level, ...]
    spectra: tuple[ChannelSpectrum, ...]
    samples: dict[str, tuple[NDArray[np.float32], float]]
    """By channel: acceleration (n,) [m/s²] and its rate [Hz]."""
    absolute: bool
    """Whether angles count from a pulse that comes once per turn."""
    cross_lines: tuple[CrossLine, ...] = ()
    """Phase of every line asked for by its order, between all channels of one rate and length; none of one channel."""
    combs: tuple[CombEvidence, ...] = ()
    outside_combs: tuple[OutsideComb, ...] = ()
    """Combs that explain their lines better than any part of the machine does, found before parts were asked for."""
    turns: dict[str, Turn] = field(default_factory=dict)
    """By the name of a comb: the envelope on one turn of the body that the comb belongs to."""
    trace: Trace | None = None
    """What later captures are compared with."""
    quiet_combs: tuple[CombEvidence, ...] = ()
    """Combs that may have grown since earlier captures, as the quiet places of the noise show them; none where no trace
    was asked for."""
