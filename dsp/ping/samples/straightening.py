"""What a microphone or an input that is driven too far adds: the square of what it hears.

That stands where the loud sound does. Compressed, it comes sooner than a chirp that rises, later
than one that falls, and to both sides of a code, as if it were sounds of its own. Half of it has
frequencies at which the pulse has next to nothing: there its share is told by what no echo reaches,
however many there are, and then all of it is taken out of the samples. A block that shows none is
left as it is, to the last bit; and so is one that is bent otherwise, as by a converter that clips:
its other powers may look like a share of the square, but taking that out does not come to an end.

References
----------
A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine
technique", AES 108th Convention, 2000: each power is known by what it adds at other frequencies.
A. C. Aitken, *Proc. R. Soc. Edinburgh* 55, 1935, p. 42: least squares, each weighted by the inverse
of what it is unsure by. H. White, *Econometrica* 48, 1980, p. 817: how unsure the sum is, whatever
the weights are worth (all from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.pulse.compression import ENERGY_LEFT_OUT, PulseCompressor

BY_CHANCE = 1e-9
"""A share that noise alone comes to as rarely as this, block by block, is one."""

HEARD = 1e-6
"""What stands above the compressed noise by less than noise itself does as rarely as this is not
heard: a stream that bends no more than that is straight."""

MOST_ROUNDS = 8
"""The square that was added is that of what is straight, which is known the better, the better its
share is known: so often is it taken out anew, or until its share stands still by its own
uncertainty. From 10 % of second harmonic each round leaves a third of what was wrong, from 30 % all
of it."""

STILL = 1 / 16
"""A share that still moves by more of itself in the last round is none: what would be left is not
24 dB below what was added. Samples that clip have shares that go nowhere."""

BESIDE = 4
"""A sound lasts for one pulse of so many that are looked at about it: where it is it is as much
louder than its mean."""

QUIETEST, LOUDEST = 1e-10, 1e6
"""Of full scale: what has no sample between them is no sound, and its cube, or its inverse, is no
number in single precision."""

_PARTS = 16  # of a block: the quietest tells its noise


class Straightening:
    """Takes out of a stream's blocks what bends them; planned once for its pulses.

    What bends bends loud sounds most: once a block showed nothing, those that are no louder are
    not looked at.

    Parameters
    ----------
    compressors : sequence of PulseCompressor
        Of the pulses that take turns.
    """

    def __init__(self, compressors: Sequence[PulseCompressor]) -> None:
        pulses = [compress.pulse for compress in compressors]
        samples = compressors[0].block_samples
        self._size = scipy.fft.next_fast_len(samples, real=True)
        # Below the band there is hum, and an input lets less of it through.
        lowest_hz = min(pulse.band_hz[0] for pulse in pulses)
        self._from = math.ceil(lowest_hz * self._size / pulses[0].sample_rate_hz)
        spectra = np.fft.rfft([pulse.samples.astype(np.float64) for pulse in pulses], self._size)
        power = np.sum(np.abs(spectra) ** 2, axis=0)
        # A part of its energy is anywhere: what is cut off at an end is no pulse any more.
        power = power / power.sum() + ENERGY_LEFT_OUT / power.size
        # A loud sound is where its square is, and not spread over all of the block.
        longest = max(pulse.samples.size for pulse in pulses)
        power *= max(1.0, self._size / (BESIDE * longest))
        self._power = power[self._from :].astype(np.float32)
        # What lasts for one pulse is alike over as many frequencies.
        cell = max(1, round(self._size / longest))
        self._cells = np.arange(0, self._power.size, cell)
        self._compressed = max(_square_over_noise(compress) for compress in compressors)
        self._straight_to = 0.0

    def __call__(self, samples: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return a block's samples without the square; themselves where there is none.

        Parameters
        ----------
        samples : ndarray of float32, shape (samples,)
        """
        loudest = max(float(samples.max()), -float(samples.min()))
        if loudest <= self._straight_to:
            return samples
        if not QUIETEST < loudest < LOUDEST:
            return samples
        parts = np.array_split(samples, _PARTS)
        noise = min(float(part @ part) / part.size for part in parts)
        heard = scipy.fft.rfft(samples, self._size)
        energy = float(samples @ samples) * self._size / 2
        weight = 1 / np.sqrt(self._size * noise + self._power * energy)
        whole = heard[self._from :] * weight
        added, share, u_share, u_leaning = self._added(whole, samples, weight)
        out_of_noise = math.sqrt(-math.log(BY_CHANCE))
        if abs(share) < out_of_noise * u_share:
            most = (abs(share) + out_of_noise * u_share) * loudest**2 * self._compressed
            if most**2 < -math.log(HEARD) * noise:
                self._straight_to = loudest
            return samples
        straight, moved, still = samples, math.inf, 0
        for _ in range(MOST_ROUNDS):
            whole_block = scipy.fft.irfft(heard - np.complex64(share) * added, self._size)
            straight = np.asarray(whole_block[: samples.size], dtype=np.float32)
            before = share
            added, share, u_share, u_leaning = self._added(whole, straight, weight)
            moved = abs(share - before)
            # One that overshoots may stand still once.
            still = still + 1 if moved < u_share else 0
            if still == 2:
                break
        told = moved < max(u_share, STILL * abs(share)) and abs(share) > out_of_noise * u_leaning
        return straight if told else samples

    def _added(
        self,
        whole: NDArray[np.complex64],
        straight: NDArray[np.float32],
        weight: NDArray[np.float32],
    ) -> tuple[NDArray[np.complex64], complex, float, float]:
        """Return a square's spectrum, its share in what was heard, as turned since, and its u.

        And its u where what is left beyond the noise, sounds and other powers, leans one way over
        as many frequencies as are alike in what lasts for one pulse.
        """
        squared = straight * straight
        added = scipy.fft.rfft(squared, self._size)
        square = added[self._from :] * weight
        cube = scipy.fft.rfft(squared * straight, self._size)[self._from :] * weight
        # The square of what is not straight yet has its cube in it, and what bends adds that, too.
        cube /= max(math.sqrt(np.vdot(cube, cube).real), 1e-30)
        square -= np.vdot(cube, square) * cube
        whole = whole - np.vdot(cube, whole) * cube
        power = square.real**2 + square.imag**2
        own = max(float(power.sum()), 1e-30)
        share = complex(np.vdot(square, whole)) / own
        left = np.abs(whole - share * square) ** 2
        # By the weights each part is unsure by 1; where more is left than that, by that.
        off = max(1.0, float(left.mean()), float(power @ left) / own)
        in_cell = np.maximum(np.add.reduceat(power, self._cells), 1e-30)
        beyond = np.add.reduceat(power * left, self._cells) - in_cell
        as_one = np.add.reduceat(np.sqrt(power), self._cells) ** 2 / in_cell
        leans = own + float(as_one @ np.maximum(beyond, 0.0))
        return added, share, math.sqrt(off / own), math.sqrt(leans) / own


def _square_over_noise(compress: PulseCompressor) -> float:
    """Return the highest that a pulse's square is compressed to, over noise of RMS 1."""
    pulse = compress.pulse.samples
    block = np.zeros(compress.block_samples, dtype=np.float32)
    first = (block.size - pulse.size) // 2
    block[first : first + pulse.size] = pulse**2
    matched = compress.matched(scipy.fft.rfft(block, compress.fft_samples))
    return float(np.abs(compress.from_time_zero(matched, 0.0)).max()) / compress.shape.noise_gain
