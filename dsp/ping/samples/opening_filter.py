"""Compression for finding a stream's first sound, where nobody knows yet when a pulse begins."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.samples.clearing import Clearing
from dsp.ping.samples.straightening import Straightening
from dsp.ping.samples.uncutting import Uncutting


class OpeningFilter:
    """Compresses stretches of a stream, uncut, straightened and cleared of hum and clicks.

    Parameters
    ----------
    pulses : sequence of Pulse
        That take turns.
    stretch_samples : int

    Attributes
    ----------
    plain : tuple of PulseCompressor
        By each pulse, without weights.
    """

    def __init__(self, pulses: Sequence[Pulse], stretch_samples: int) -> None:
        # Weighted: the first sound is then told from the side lobes of a stronger one.
        self._compressors = tuple(
            PulseCompressor(pulse, stretch_samples, weighting="hann") for pulse in pulses
        )
        # Unweighted, which lets in the most of hum: it breaks off where a stretch does.
        fft_samples = self._compressors[0].fft_samples
        self.plain = tuple(
            PulseCompressor(pulse, stretch_samples, fft_samples=fft_samples) for pulse in pulses
        )
        self._clear = tuple(Clearing(compress) for compress in self.plain)
        self._restore, self._straighten = Uncutting(self.plain), Straightening(self.plain)

    def shape(self, pulse_index: int = 0) -> EchoShape:
        """Return what an echo of a pulse looks like in :meth:`envelope`."""
        return self._compressors[pulse_index].shape

    def envelope(self, samples: NDArray[np.float32], pulse_index: int = 0) -> NDArray[np.complex64]:
        """Compress a stretch by a pulse; an echo of amplitude 1 gives 1.

        Parameters
        ----------
        samples : ndarray of float32, shape (stretch_samples,)
        pulse_index : int
        """
        compress = self._compressors[pulse_index]
        return compress.from_time_zero(compress.matched(self._spectrum(samples, pulse_index)), 0.0)

    def plain_envelope(self, samples: NDArray[np.float32]) -> NDArray[np.complex64]:
        """Compress a stretch by the first pulse, without weights."""
        compress = self.plain[0]
        return compress.from_time_zero(compress.matched(self._spectrum(samples, 0)), 0.0)

    def _spectrum(self, samples: NDArray[np.float32], pulse_index: int) -> NDArray[np.complex64]:
        uncut = self._restore(samples)
        straight = self._straighten(samples if uncut is None else uncut.samples)
        return self._clear[pulse_index](straight, self._compressors[0].spectrum(straight))
