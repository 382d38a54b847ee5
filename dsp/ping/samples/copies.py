"""The sounds of a block as samples: copies of its pulse where a search finds them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.ping.products import product
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.search.rounds import searched
from dsp.ping.search.search_plan import search_plan

RARELY = 1e-6
"""False alarms a cell of that search. A copy that is noise takes a sample's part of what it is
itself: next to nothing."""


def copies_in(compress: PulseCompressor, spectrum: NDArray[np.complex64]) -> NDArray[np.float32]:
    """Return the sounds that a search of a whole block finds, shape (samples,).

    Parameters
    ----------
    compress : PulseCompressor
        By the pulse that was sent.
    spectrum : ndarray of complex64, shape (frequencies,)
        Of the block.
    """
    envelope = compress.from_time_zero(compress.matched(spectrum), 0.0)
    shape, rate_hz = compress.shape, compress.pulse.sample_rate_hz
    planned = search_plan(shape, envelope.size, RARELY, False)
    taken, _ = searched(envelope[np.newaxis], planned, least_noise=0.0)
    if not taken.position.size:
        return np.zeros(compress.block_samples, dtype=np.float32)
    # A gain is of an envelope that was turned back by the middle of its band.
    turns = taken.position * (planned.table.turns + shape.carrier_hz * shape.bin_s)
    gain = taken.gain * np.exp(2j * np.pi * turns)
    # Turns of whole rows of frequencies, times those within a row.
    step = -2j * np.pi * rate_hz / compress.fft_samples * shape.bin_s * taken.position
    size = compress.fft_samples // 2 + 1
    row = int(size**0.5) + 1
    rows = np.exp(np.outer(np.arange(0, size, row), step)) * gain
    within = np.exp(np.outer(step, np.arange(row)))
    copies = product(rows, within).reshape(-1)[:size]
    pulse = np.fft.rfft(compress.pulse.samples, compress.fft_samples)
    whole = np.fft.irfft(copies * pulse, compress.fft_samples)
    return whole[: compress.block_samples].astype(np.float32)
