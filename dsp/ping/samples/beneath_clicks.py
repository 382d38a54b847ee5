"""What stands beneath clicks: told from what was heard about them, and put in their place.

Nothing put there is not nothing heard: of a tone of 96 samples a gap of one moves the delay by
more than noise does that is 40 dB below it. So the sounds that a search finds are taken away, and
what is left at each sample is held against what all others say of it. What is left of a sound
that is no copy of the pulse, or that clicks led astray, has the pulse's spectrum and goes on from
sample to sample; a click does not. So clicks stand out that hide among a sound, and beneath each
is what the others say. Without them the search is right, and less is left.

References
----------
S. V. Vaseghi, *Advanced Digital Signal Processing and Noise Reduction*, Wiley, ch. "Impulsive
noise" and "Interpolation": what is left once each sample is told from the others shows clicks,
and a lost sample is the one that fits best (from memory). A. C. Aitken, *Proc. R. Soc. Edinburgh*
55, 1935, p. 42: least squares in noise of a known colour (from memory).
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.samples.copies import copies_in

SURELY, FOOT = 12.0, 4.0
"""A click stands so many standard deviations out of a block's noise, and is as long as what
stands :data:`FOOT` of them out there. What is weaker brings a pulse of E samples' energy no
more than 12/√(2E) of compressed noise's RMS: 1.2 of it for a tone of 2 ms at 48 kHz, which is
no echo. Noise passes 4 once in 16,000 samples; an echo too weak to do so all along, 4 high,
passes 12 once in 1e15."""

PARTS, LIKE_IT = 6, 4
"""To each side of a part of a sound, a twelfth of the pulse long, half of the pulse is looked at:
of the twelve parts there, so many are as loud if it is the pulse's sound, wherever in it; others
may hold clicks."""

OUT_OF_SOUND = 3.0
"""A click beside a sound, or on it, is so many times louder than that is about it. Of sounds that
add up at random, as in a room, so much in one cell and in none of some 26 around comes once in
7e7, (35 over 9), their powers being exponential."""

QUARTILE_NORMAL = 0.6745
"""Half of a normal noise's magnitudes are less, in its standard deviations."""

UNLIKE, SEEN = 1 / 3, 8.0
"""On a sound, and just beside it, a click is no less than this part of it, or than :data:`SEEN`
times what is left in all but a twentieth of the loudest. Chosen: where a tone of 2 ms begins and
ends a loudspeaker that is dull above 3 kHz leaves 0.30 of it in a few samples (worked out), which
are more than a twentieth; and what noise alone leaves there, 2 deviations, is then no click below
16."""

AS_LOUD = 0.5
"""Of clicks within a pulse of each other those are taken at first that are half as high as the
highest. One of height c leaves, where a copy was fitted to it as well, c (1 - h) at its own place
and no more than c √(h (1 - h)) at any other, where h is its own part of that fit; up to h = 1/5
that is less than half. Of a tone of 2 ms one of 96 samples has some 1/20 of the fit."""

MOST_HIDDEN = 32
"""In one look no more are found, so that none takes long."""

MOST_FILLS, STILL = 8, 0.5
"""So often at the most is it looked what stands beneath clicks, and until nothing there changes
by more than half of the noise's standard deviation."""


class Beneath:
    """Puts what stands beneath a block's clicks in their place; planned once for a pulse.

    Parameters
    ----------
    compress : PulseCompressor
        By the pulse that was sent.
    longest : int
        A click is no longer than so many samples.
    """

    def __init__(self, compress: PulseCompressor, *, longest: int) -> None:
        self._compress, self._longest = compress, longest
        self._part = max(1, compress.pulse.samples.size // (2 * PARTS))
        pulse = np.fft.rfft(compress.pulse.samples.astype(np.float64), compress.fft_samples)
        power = pulse.real**2 + pulse.imag**2
        self._power = power / _whole(power)

    def __call__(
        self, samples: NDArray[np.float32], clicks: NDArray[np.intp]
    ) -> NDArray[np.complex64]:
        """Return the spectrum of samples without clicks, those that hide among sounds as well.

        Parameters
        ----------
        samples : ndarray of float32, shape (samples,)
        clicks : ndarray of int
            Those that are known, one at the least.
        """
        filled = samples.copy()
        filled[clicks] = 0
        found = clicks
        for _ in range(MOST_FILLS):
            spectrum = self._compress.spectrum(filled)
            copies = copies_in(self._compress, spectrum)
            before = filled
            found, heights, spread = self._clicks(samples - copies, copies, clicks, found)
            filled = samples.copy()
            filled[found] -= heights
            if np.abs(filled - before).max() < STILL * spread:
                break
        return spectrum

    def _clicks(
        self,
        left: NDArray[np.float32],
        copies: NDArray[np.float32],
        known: NDArray[np.intp],
        before: NDArray[np.intp],
    ) -> tuple[NDArray[np.intp], NDArray[np.float32], float]:
        """Find clicks in what is left of sounds, how high they are, and the noise's deviation.

        Those that are known, those that were found before and still stand out, and the surest of
        all others.
        """
        spread = float(np.median(np.abs(left))) / QUARTILE_NORMAL
        half_pulse = PARTS * self._part
        halves = np.abs(left[: left.size // half_pulse * half_pulse]).reshape(-1, half_pulse)
        loudest = float(np.median(halves, axis=1).max()) / QUARTILE_NORMAL
        # What is left is white noise, and sound of the pulse's spectrum where it is louder.
        inverse = 1 / (1 + max((loudest / spread) ** 2 - 1, 0.0) * self._power)
        own = _whole(inverse)
        # Of each sample what all others do not say of it; and that of a click of 1.
        alone = self._filtered(left, inverse / own)
        alike = scipy.fft.irfft(inverse / own, self._compress.fft_samples)[: left.size]
        sure = SURELY * spread / math.sqrt(own)
        least = np.full(left.size, sure)
        for click in before:
            least[_about(click, self._longest)] = sure * FOOT / SURELY
        loud = sliding_window_view(np.pad(np.abs(copies), self._longest), 2 * self._longest + 1)
        loud = loud.max(axis=1)
        seen = SEEN * float(np.quantile(np.abs(left[loud >= loud.max() / 2]), 0.95))
        least = np.maximum(least, np.minimum(UNLIKE, seen / max(loud.max(), spread)) * loud)
        heights = _heights(before, alone, alike)
        found = np.union1d(known, before[np.abs(heights) > least[before]])
        spikes = np.zeros(left.size)
        spikes[found] = _heights(found, alone, alike)
        rest = alone - self._filtered(spikes, inverse / own)
        least[found] = np.inf
        new: list[int] = []
        while len(new) < MOST_HIDDEN:
            size = np.abs(rest)
            most = int(np.where(size > least, size, 0).argmax())
            if size[most] <= least[most]:
                break
            new.append(most)
            # Not what it may have made of a copy that was fitted to it as well.
            about = _about(most, self._compress.pulse.samples.size)
            least[about] = np.maximum(least[about], AS_LOUD * size[most])
            least[most] = np.inf
            rest = rest - rest[most] * alike[np.abs(np.arange(left.size) - most)]
        # How loud it is about a click its own ringing does not say, nor that of a few others; what
        # takes more of them is sound, and what was hardly there beside them is none.
        hidden = np.array(new, dtype=np.intp)
        high = np.abs(_heights(np.append(found, hidden), alone, alike)[found.size :])
        few = np.sum(np.abs(hidden - hidden[:, np.newaxis]) < half_pulse, axis=1) <= LIKE_IT
        few &= high > OUT_OF_SOUND * self._level(np.abs(rest))[hidden]
        found = np.append(found, hidden[few & (np.abs(left[hidden]) > AS_LOUD * high)])
        return found, _heights(found, alone, alike).astype(np.float32), spread

    def _filtered(
        self, samples: NDArray[np.floating], response: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        size = self._compress.fft_samples
        spectrum = scipy.fft.rfft(samples.astype(np.float64), size)
        return np.asarray(scipy.fft.irfft(spectrum * response, size)[: samples.size])

    def _level(self, magnitude: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how loud it is about each sample, clicks left aside."""
        parts = np.maximum.reduceat(magnitude, np.arange(0, magnitude.size, self._part))
        about = sliding_window_view(np.pad(parts, PARTS, mode="reflect"), 2 * PARTS + 1)
        level = np.partition(about, -1 - LIKE_IT, axis=1)[:, -1 - LIKE_IT]
        return level.repeat(self._part)[: magnitude.size]


def _whole(half: NDArray[np.float64]) -> float:
    """Return the mean of an even spectrum over both its halves."""
    return float((2 * half.sum() - half[0] - half[-1]) / (2 * half.size - 2))


def _about(place: int, reach: int) -> slice:
    return slice(max(0, place - reach + 1), place + reach)


def _heights(
    clicks: NDArray[np.intp], alone: NDArray[np.float64], alike: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how high clicks are at these places, all together."""
    return np.linalg.solve(alike[np.abs(clicks[:, np.newaxis] - clicks)], alone[clicks])
