"""What stands in a block's samples and is no pulse's sound: hum and rumble, and clicks.

Both are told from the pulse before it is compressed, which would spread a click over the
pulse's length, and let in of hum and rumble what the pulse's spectrum has there: one with hard
edges has something everywhere. A block with neither is left as it is, to the last bit. What the
pulse loses with hum, :meth:`PulseCompressor.of_filtered` knows; what sounds beneath a click is
put in its place (:mod:`dsp.ping.samples.beneath_clicks`).

References
----------
S. V. Vaseghi, *Advanced Digital Signal Processing and Noise Reduction*, Wiley, ch. "Impulsive
noise": a click is known by how far it stands out of a robust spread, and taken out. B. Allen et
al., "FINDCHIRP", *Phys. Rev. D* 85, 122006, 2012, sect. VI: a noise's spectrum by medians, which
sounds that last for a part of the time do not lift (both from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.samples.beneath_clicks import (
    FOOT,
    LIKE_IT,
    OUT_OF_SOUND,
    PARTS,
    QUARTILE_NORMAL,
    SURELY,
    Beneath,
)

PART_OF_PULSE = 8
"""A click is no longer than the inverse of the pulse's band, which no sound of that band is
shorter than, and than this part of the pulse: what stands beneath it can be told from the rest.
On one side at least there is quiet for this part of the pulse, and for half of that on the other,
where a pulse may begin or end."""

_ABOUT = np.arange(2 * PARTS + 1)
_LOOKED_AT = 1024  # samples of a block tell its spread to 4 %

SURELY_OUT, MATTERS = 5.0, 0.2
"""What is below the band is taken out where it stands out of the noise above the band, by five of
the standard deviations to which both are told, and adds so much to the square of the compressed
noise's RMS width: with the root of that go how often noise passes a threshold, and what it moves
an echo by. Less moves none by more than a tenth of what noise does."""

MEDIAN_SPREAD = 1.44
"""A median of n cells tells noise to so much over √n of itself: 1/ln 2, by Rayleigh's law."""

ROOM_COLOURS = 4.0
"""A room that rings on through half of a block has below the band what the pulse has there, by
what is heard in the band, and this many times that where it keeps low notes twice as loud
(chosen)."""

_ROOM = 1 << 18
"""So many samples of several blocks at a time are looked through for clicks: a megabyte."""

RINGS = 4
"""A filter that rises as a squared sine within f about c rings after a step by no more than
1/(2π c t) of 1/((2 f t)² - 1) (the raised cosine of pulse shaping, from memory): where f is 2/7 of
c and t four times 1/f, by 1/88 of 1/63."""

_FEWEST_CELLS = 64
_CELLS_ABOVE = 1024  # next to the band tell its noise well enough


class Clearing:
    """Takes out of blocks what is no pulse's sound; planned once for a compressor.

    Parameters
    ----------
    compress : PulseCompressor
        Whose blocks and spectra are meant.
    *others : PulseCompressor
        By the pulses that take turns with its own.

    Attributes
    ----------
    kept : ndarray of float32, shape (frequencies,)
        By this a spectrum is multiplied where there is hum or rumble.
    """

    def __init__(self, compress: PulseCompressor, *others: PulseCompressor) -> None:
        self._compress = compress
        shape, (low_hz, high_hz) = compress.shape, compress.pulse.band_hz
        bin_hz = float(shape.offset_hz[1])
        frequency_hz = shape.carrier_hz + shape.offset_hz
        first = round(shape.carrier_hz / bin_hz)
        rate_hz = compress.pulse.sample_rate_hz
        self._quiet = compress.pulse.samples.size // PART_OF_PULSE
        self._longest = min(self._quiet, int(rate_hz / (high_hz - low_hz)))
        self._beneath = [Beneath(c, longest=self._longest) for c in (compress, *others)]
        # In so short a part of it a pulse's own waves are quiet, too.
        self._has_waves = self._quiet * low_hz >= rate_hz
        below = int(np.searchsorted(frequency_hz, low_hz))
        above = int(np.searchsorted(frequency_hz, high_hz))
        self._below = _Part(slice(first, first + below), shape.noise_weights[:below])
        from_centre2 = (frequency_hz - shape.noise_weights @ frequency_hz) ** 2
        of_width2 = shape.noise_weights * from_centre2
        self._share_below = float(of_width2[:below].sum() / of_width2.sum())
        weights = shape.noise_weights
        self._within = _Part(slice(first + below, first + above), weights[below:above])
        self._of_pulse = _own(weights[:below]) / max(_own(weights[below:above]), 1e-30)
        last = min(above + _CELLS_ABOVE, frequency_hz.size)
        self._above = _Part(slice(first + above, first + last), shape.noise_weights[above:last])
        self._low_hz, self._rate_hz = low_hz, rate_hz
        self.kept = self._kept_of(compress.fft_samples)

    def _kept_of(self, length: int) -> NDArray[np.float32]:
        """Return by what a spectrum of such a length is multiplied.

        From nothing at three quarters of the band's lower end to all at that end: what the pulse
        has there, hum would come in by.
        """
        place_hz = np.arange(length // 2 + 1) * self._rate_hz / length
        # Below a band that begins at 0 there is nothing.
        rise = np.clip((place_hz - self._low_hz) / max(self._low_hz / 4, 1e-9) + 1, 0, 1)
        return np.asarray((np.sin(np.pi / 2 * rise) ** 2).astype(np.float32))

    def __call__(
        self, samples: NDArray[np.float32], spectrum: NDArray[np.complex64], turn: int = 0
    ) -> NDArray[np.complex64]:
        """Return a block's spectrum without hum, rumble and clicks; itself where there are none.

        Parameters
        ----------
        samples : ndarray of float32, shape (samples,)
        spectrum : ndarray of complex64, shape (frequencies,)
            Of these samples.
        turn : int
            Which of the pulses was sent.
        """
        return self._cleared(samples, spectrum, turn, rumbles=self._rumbles(spectrum))

    def _cleared(
        self,
        samples: NDArray[np.float32],
        spectrum: NDArray[np.complex64],
        turn: int,
        *,
        rumbles: bool,
    ) -> NDArray[np.complex64]:
        if rumbles:
            samples = self._without_rumble(samples)
            spectrum = self._compress.spectrum(samples)
        if not self._has_waves:
            return spectrum
        clicks = clicks_in(samples[np.newaxis], longest=self._longest, quiet=self._quiet)
        return spectrum if clicks.size == 0 else self._beneath[turn](samples, np.unique(clicks))

    def each(
        self,
        samples: NDArray[np.float32],
        spectra: NDArray[np.complex64],
        turns: Sequence[int],
    ) -> set[int]:
        """Clear the spectra of several blocks where they are, each as it would be alone.

        Parameters
        ----------
        samples : ndarray of float32, shape (blocks, samples)
        spectra : ndarray of complex64, shape (blocks, frequencies)
        turns : sequence of int, shape (blocks,)

        Returns
        -------
        set of int
            In which there was hum or rumble.
        """
        rumbles = {row for row, spectrum in enumerate(spectra) if self._rumbles(spectrum)}
        unclear = rumbles.copy()
        size = samples.shape[1]
        at_once = max(1, _ROOM // size)
        for first in range(0, len(samples) if self._has_waves else 0, at_once):
            some = samples[first : first + at_once]
            clicks = clicks_in(some, longest=self._longest, quiet=self._quiet)
            unclear.update((first + clicks // size).tolist())
        for row in unclear:
            spectra[row] = self._cleared(
                samples[row], spectra[row], turns[row], rumbles=row in rumbles
            )
        return rumbles

    def _without_rumble(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return samples without what is below the band.

        Where a block begins and ends, or the file that it is of, hum would break off, which rings
        in the band: it goes on there as it came, turned round.
        """
        there = samples.nonzero()[0]
        begin, end = int(there[0]), int(there[-1]) + 1
        # What rises within a quarter of the band's lower end rings for some times its inverse.
        beyond = min(end - begin - 1, int(RINGS * 4 * self._rate_hz / self._low_hz))
        longer = np.pad(samples[begin:end], beyond, mode="reflect", reflect_type="odd")
        size = scipy.fft.next_fast_len(longer.size, real=True)
        whole = scipy.fft.irfft(scipy.fft.rfft(longer, size) * self._kept_of(size), size)
        left = np.zeros_like(samples)
        left[begin:end] = whole[beyond : beyond + end - begin]
        return left

    def _rumbles(self, spectrum: NDArray[np.complex64]) -> bool:
        """Say whether noise below the band adds much to what is compressed."""
        # In fewer a pulse's own sound lasts for too much of the time to be left out.
        if self._below.cells < 2 * _FEWEST_CELLS or self._above.cells < _FEWEST_CELLS:
            return False
        (below, of_sounds), (above, _) = self._below.noise(spectrum), self._above.noise(spectrum)
        unsure = MEDIAN_SPREAD * math.sqrt(1 / self._below.cells + 1 / self._above.cells)
        if below <= max(of_sounds, (1 + SURELY_OUT * unsure) * above):
            return False
        if self._share_below * (below - above) <= MATTERS * above:
            return False
        if not self._within.cells:
            return True
        rings, _ = self._within.noise(spectrum)
        return below > ROOM_COLOURS * self._of_pulse * rings


def _own(weights: NDArray[np.float64]) -> float:
    """Return what a pulse's own spectrum comes to where noise is weighted by it."""
    return float(weights @ weights) / max(float(weights.sum()), 1e-30)


class _Part:
    """A part of the band, and how strong the noise is that a pulse's spectrum lets in there.

    By the median over time: a pulse's own sound lasts for a part of a block. So that it does,
    the part fades out to both ends.
    """

    def __init__(self, bins: slice, weights: NDArray[np.float64]) -> None:
        # In lengths that are quick to transform.
        self.cells = weights.size // _FEWEST_CELLS * _FEWEST_CELLS if weights.any() else 0
        self._bins = slice(bins.stop - self.cells, bins.stop)
        fading = np.sin(np.pi * (np.arange(self.cells) + 0.5) / self.cells) ** 2
        amplitudes = np.sqrt(weights[weights.size - self.cells :]) * fading
        self._scale = self.cells / (math.log(2) * max(float(amplitudes @ amplitudes), 1e-30))
        self._amplitudes = amplitudes.astype(np.float32)

    def noise(self, spectrum: NDArray[np.complex64]) -> tuple[float, float]:
        """Return the mean power of the spectrum of noise alone there, weighted by the pulse's.

        And what the loudest sound may come to of itself. What fades as a squared sine is 1/(π t³)
        of its height t cells away (F. J. Harris 1978, from memory); sounds so thick that half of
        the cells lie nearer to one than a sixteenth of them all are not thought of.
        """
        let_in = scipy.fft.ifft(spectrum[self._bins] * self._amplitudes, norm="ortho")
        power = let_in.real**2 + let_in.imag**2
        tail = (math.pi * (self.cells / 16) ** 3) ** -2
        return _middle(power) * self._scale, tail * float(power.max()) * self._scale


def clicks_in(samples: NDArray[np.float32], *, longest: int, quiet: int) -> NDArray[np.intp]:
    """Return where something short stands out by itself in some blocks.

    Parameters
    ----------
    samples : ndarray of float32, shape (blocks, samples)
    longest : int
        It lasts for no more samples than this.
    quiet : int
        So many samples beside it are quiet on one side, and half as many on the other. There
        may be several, if all together last for no more than that.

    Returns
    -------
    ndarray of int
        Samples, counted over all blocks one after another.
    """
    magnitude = np.abs(samples)
    looked_at = magnitude[:, :: max(1, samples.shape[1] // _LOOKED_AT)]
    spread = np.array([_middle(row) for row in looked_at]) / QUARTILE_NORMAL
    # What is silent but for a few steps of its converter has no noise to stand out of.
    spread[spread == 0] = np.inf
    alone = _alone(magnitude, spread, longest=longest, quiet=quiet)
    on_sound = _on_sound(magnitude, spread, longest=longest, quiet=quiet)
    return np.concatenate([alone, on_sound]) if on_sound.size else alone


def _alone(
    magnitude: NDArray[np.float32], spread: NDArray[np.float64], *, longest: int, quiet: int
) -> NDArray[np.intp]:
    """Return samples of clicks that stand by themselves, as :func:`clicks_in` counts them.

    Parameters
    ----------
    magnitude : ndarray of float32, shape (blocks, samples)
    spread : ndarray of float64, shape (blocks,)
        Standard deviations of their noise.
    """
    size = magnitude.shape[1]
    foot = (FOOT * spread).astype(np.float32)
    loud = (magnitude > foot[:, np.newaxis]).reshape(-1).nonzero()[0]
    if loud.size == 0:
        return loud
    # Between two blocks there is as much quiet as both are long.
    block = loud // size
    place = loud + block * (2 * size)
    apart = np.full(loud.size + 1, size)
    np.subtract(place[1:], place[:-1], out=apart[1:-1])
    ends = (apart > quiet // 2).nonzero()[0]
    first, last = ends[:-1], ends[1:]
    click = loud[last - 1] - loud[first] < quiet
    click &= np.maximum(apart[first], apart[last]) > quiet
    if not np.count_nonzero(click):
        return loud[:0]
    high = (SURELY * spread).astype(np.float32)[block[first]]
    click &= np.maximum.reduceat(magnitude.reshape(-1)[loud], first) > high
    if not click.any():
        return loud[:0]
    runs = (apart > min(longest, quiet // 2)).nonzero()[0]
    lasts = loud[runs[1:] - 1] + 1 - loud[runs[:-1]]
    click &= np.maximum.reduceat(lasts, np.searchsorted(runs, first)) <= longest
    return loud[click.repeat(last - first)]


def _on_sound(
    magnitude: NDArray[np.float32], spread: NDArray[np.float64], *, longest: int, quiet: int
) -> NDArray[np.intp]:
    """Return samples of clicks that stand out of a sound that is loud itself; as :func:`_alone`."""
    samples = magnitude.shape[1]
    size = max(1, quiet * PART_OF_PULSE // (2 * PARTS))
    highest = np.maximum.reduceat(magnitude, np.arange(0, samples, size), axis=1)
    least = (SURELY * spread).astype(np.float32)[:, np.newaxis]
    # Of any so many in a row beside it one is no louder than the level below: most end here.
    parts, ends = max(highest.shape[1] - 2 * PARTS, 0), highest.shape[1] - LIKE_IT + 1
    rows = functools.reduce(np.minimum, (highest[:, k : ends + k] for k in range(LIKE_IT)))
    before, after = PARTS - LIKE_IT, PARTS + 1
    beside = np.maximum(rows[:, before : before + parts], rows[:, after : after + parts])
    stands = highest[:, PARTS : PARTS + parts] > np.maximum(least, OUT_OF_SOUND * beside)
    block, part = stands.nonzero()
    if block.size == 0:
        return block
    about = np.sort(highest[block[:, np.newaxis], part[:, np.newaxis] + _ABOUT], axis=1)
    # What stands out is the highest of all of them.
    level = about[:, -1 - LIKE_IT]
    part += PARTS
    found = [block[:0]]
    for one in (highest[block, part] > OUT_OF_SOUND * level).nonzero()[0]:
        begin = part[one] * size
        its = (magnitude[block[one], begin : begin + size] > 2 * level[one]).nonzero()[0]
        if its.size <= longest // 2:
            found.append(block[one] * samples + begin + its)
    return np.concatenate(found)


def _middle(values: NDArray[np.floating]) -> float:
    """Return the middle one; NumPy's median takes three times as long for so few."""
    return float(np.partition(values, values.size // 2)[values.size // 2])
