"""Compressors that the receivers of a process share."""

from __future__ import annotations

import functools

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import Pulse


@functools.lru_cache(maxsize=16)
def compressor_for(
    pulse: Pulse,
    block_samples: int,
    *,
    weighting: str,
    band_hz: tuple[float, float] | None = None,
    fft_samples: int | None = None,
) -> PulseCompressor:
    """Return one compressor for all who ask for the same of one pulse.

    It never changes, and what a search works out of its pulse's shape is kept by the shape: of
    benches that stand in turns, as in lessons and questions, the first alone pays for it.
    """
    return PulseCompressor(
        pulse, block_samples, weighting=weighting, band_hz=band_hz, fft_samples=fft_samples
    )
