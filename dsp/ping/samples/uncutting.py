"""What an input cuts off a loud sound, above full scale or below it, is reckoned back.

A cut leaves all samples but those that stand at its ceiling as they were. What these lack is told
by the others: a pulse that is known goes through a filter that is not, but bends slowly over its
band, and leaves frequencies at which it has next to nothing. What is missing is the likeliest that
makes the block such a pulse, and how unsure that is stands beside it: deep cuts to both sides leave
too few samples to tell. Which samples stand at a ceiling is told by how many are within the noise
of the highest. Of a sine, a third as near the highest stand 1/√3 of those that stand in all of a
strip below it (the arcsine law); at a ceiling stand all of them.

A block that has no ceiling is left as it is, to the last bit; and so is one whose missing part
cannot be told, or goes the wrong way: a sampled sine that is a small part of its rate has samples
of one height, too.

References
----------
A. C. Aitken, *Proc. R. Soc. Edinburgh* 55, 1935, p. 42: least squares, each weighted by the inverse
of what it is unsure by. C. E. Rasmussen and C. K. I. Williams, *Gaussian Processes for Machine
Learning*, 2006, section 2.7: some functions of unknown size beside a random process (both from
memory). How a crest's samples lie, and what a cut makes of them: common knowledge, no source.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.samples.straightening import LOUDEST, QUIETEST

_NEAR, _BELOW = 1 / 32, 1 / 8
"""Of the highest sample: how many more stand within the second than within the first. Of a sine,
twice as many; one that is cut by half of what these are apart, not half as many more."""

_FEWEST = 6
"""Samples that stand at a ceiling, at the least: fewer make no echo that a crest does not."""

_AT_IT, _UNDER_IT = 8.0, 24.0
"""In the noise's own RMS: the highest of so few samples stands by less than the half of the first
above their ceiling, and the lowest by less below. Of a sine, 1/√3 of all are in the first part."""

_MOSTLY = 0.7  # between 1/√3 and all of them: a ceiling has flanks below it

_LEAST_NOISE = 1 / 2000
"""Of the highest sample: how thick a ceiling is taken for at least."""

_TERMS = 3
"""A filter's gain over the band: how high, how it leans and how it bends, each with its phase."""

_ROUNDS = 5
"""Its place in time is told by the slope of its phase, within the first two by where its
compression is highest; what it leaves unexplained, by the round before."""

_UNEXPLAINED = 0.03
"""Of the sound's power, as the first round takes it: a filter 15 dB below what it leaves."""

_MOST_UNEXPLAINED = 1 / 8
"""What is loud, and to more than this not the pulse, is another sound, which nobody knows."""

_NO_NOISE = 2.0
"""So many times as unsure as of noise of its spectrum is what is missing: what is left of a block
is echoes within the pulse, whose crests may stand where its own do. In 16 draws of a code with one
20 dB down half a code later it was off by up to 2.2 times."""

_TOLD = 1.5
"""What is missing is told where it is so many times as large as it is unsure, by RMS."""

_ONE_WAY = 0.9
"""What is missing goes beyond the ceiling, so much of its energy."""

_MOST_IN_VAIN = 8
"""Blocks of a stream, of whose ceilings nothing was told, before no more of it are asked."""

_MOST = 512
"""Samples at a ceiling, at the most: the work grows as their cube, and a live run waits for it."""

_OF_PARTS, _QUIET_PARTS = 16, 4
"""Of so many parts of a block so many are more quiet than its noise is taken for: what is ahead of
a file, or was never sent, is none."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Uncut:
    """A block with what was cut off it reckoned back.

    Attributes
    ----------
    samples : ndarray of float32, shape (samples,)
    places : ndarray of int, shape (places,)
        Which of them stood at a ceiling.
    unsure : ndarray of float32, shape (ways, places)
        By what they may be off: ways of standard size, each independent of the others.
    """

    samples: NDArray[np.float32]
    places: NDArray[np.intp]
    unsure: NDArray[np.float32]

    def ways(self) -> NDArray[np.float32]:
        """Return what the block may be off by, shape (ways, samples)."""
        whole = np.zeros((len(self.unsure), self.samples.size), dtype=np.float32)
        whole[:, self.places] = self.unsure
        return whole


class Uncutting:
    """Reckons back what an input cut off a stream's blocks; planned once for its pulses.

    What reached a height shows that nothing is cut off below it, to that side: blocks that reach no
    higher are not looked at; nor those of a stream in which too many stood as high as if they were
    cut, and nothing was told to be missing.

    Parameters
    ----------
    compressors : sequence of PulseCompressor
        Of the pulses that take turns.
    """

    def __init__(self, compressors: Sequence[PulseCompressor]) -> None:
        pulses = [compress.pulse.samples.astype(np.float64) for compress in compressors]
        self._longest = max(pulse.size for pulse in pulses)
        self._size = scipy.fft.next_fast_len(
            compressors[0].block_samples + self._longest, real=True
        )
        self._spectra = np.fft.rfft(pulses, self._size)
        self._energy = np.array([pulse @ pulse for pulse in pulses])
        power = np.sum(np.abs(self._spectra) ** 2, axis=0)
        self._cycles = np.arange(power.size) / self._size
        middle = float(self._cycles @ power) / float(power.sum())
        offset = self._cycles - middle
        self._spread = math.sqrt(float(offset**2 @ power) / float(power.sum()))
        self._bends = (offset / self._spread) ** np.arange(_TERMS)[:, np.newaxis]
        # Its mean over all frequencies, of both signs, is 1.
        whole = 2 * power.sum() - power[0]
        self._power = power / whole * self._size + _LEAST_NOISE**2
        self._reached, self._cuts, self._in_vain = (0.0, 0.0), False, 0

    def __call__(self, samples: NDArray[np.float32]) -> Uncut | None:
        """Return a block with what was cut off reckoned back; None where no cut is told.

        Parameters
        ----------
        samples : ndarray of float32, shape (samples,)
        """
        highest, lowest = float(samples.max()), -float(samples.min())
        if not QUIETEST < max(highest, lowest) < LOUDEST:
            return None
        up, down = self._reached
        flat = (
            highest > up and _crowded(samples, highest, up=True),
            lowest > down and _crowded(samples, lowest, up=False),
        )
        if any(flat) and self._in_vain < _MOST_IN_VAIN:
            wide = samples.astype(np.float64)
            parts = [float(part @ part) / part.size for part in np.array_split(wide, _OF_PARTS)]
            noise = sorted(parts)[_QUIET_PARTS]
            beyond = _at_ceilings(wide, flat, math.sqrt(noise))
            if beyond is not None:
                uncut = self._uncut(wide, beyond, noise)
                self._cuts = self._cuts or uncut is not None
                self._in_vain += not self._cuts
                return uncut
        if not self._cuts:
            self._reached = max(highest, up), max(lowest, down)
        return None

    def _uncut(
        self, samples: NDArray[np.float64], beyond: NDArray[np.float64], noise: float
    ) -> Uncut | None:
        places = np.flatnonzero(beyond)
        if places.size > _MOST:
            return None
        groups = np.split(places, np.flatnonzero(np.diff(places) > self._longest) + 1)
        # An echo that just reaches the ceiling tells little.
        most = max(groups, key=len)
        near = np.zeros(samples.size, dtype=bool)
        near[max(most[0] - self._longest // 2, 0) : most[-1] + self._longest // 2] = True
        loud = float(samples[near] @ samples[near]) / self._longest
        noise = max(noise, _LEAST_NOISE**4 * loud)
        left_out = near & (beyond == 0)
        power, shift = _UNEXPLAINED * loud, np.zeros(len(groups))
        heard, missing = np.fft.rfft(samples, self._size), np.zeros(places.size)
        for turn in range(_ROUNDS):
            whole = samples.copy()
            whole[places] += missing
            if turn < 2:
                which, shift = self._stand(np.fft.rfft(whole, self._size), groups)
            spectrum = noise + power * self._power
            fit = self._fitted(samples, heard, places, self._ways(which, shift), spectrum)
            missing = fit.missing
            left = samples - fit.pulses[: samples.size]
            left[places] += missing
            known = float(left[left_out] @ left[left_out]) / max(int(left_out.sum()), 1)
            # What the spectrum does not foresee makes all of it as much less sure.
            around = np.pad(np.where(near, left, 0.0), (0, self._size - samples.size))
            whitened = np.fft.irfft(np.fft.rfft(around) / spectrum, self._size)
            unforeseen = max(float(around @ whitened) / max(int(left_out.sum()), 1), 1.0)
            power = max(known - noise, _LEAST_NOISE**2 * loud)
            later = fit.shares[:, 1] / fit.shares[:, 0]
            shift = shift + np.clip(-later.imag / (2 * np.pi * self._spread), -1, 1)
        spread = fit.covariance() * unforeseen * _NO_NOISE**2
        # Of a stream that is known to be cut, the likelier of both is taken.
        times, share = (1.0, 0.5) if self._cuts else (_TOLD, _ONE_WAY)
        told = missing @ missing > times**2 * np.trace(spread)
        outwards = missing[missing * beyond[places] > 0]
        told &= outwards @ outwards >= share * (missing @ missing)
        # What stands under a ceiling by less than it is thick was counted to it.
        thick = _AT_IT / 2 * max(math.sqrt(noise), _LEAST_NOISE * float(np.abs(samples).max()))
        told &= missing @ missing > thick**2 * places.size
        if not told or power > _MOST_UNEXPLAINED * loud:
            return None
        whole = samples.copy()
        whole[places] += missing
        return Uncut(
            samples=whole.astype(np.float32),
            places=places,
            unsure=np.linalg.cholesky(spread).T.astype(np.float32),
        )

    def _stand(
        self, spectrum: NDArray[np.complex128], groups: Sequence[NDArray[np.intp]]
    ) -> tuple[NDArray[np.intp], NDArray[np.float64]]:
        """Return which pulse stands at each group of places, and from which sample on."""
        analytic = np.zeros((len(self._spectra), self._size), dtype=np.complex128)
        analytic[:, : spectrum.size] = spectrum * self._spectra.conj()
        height = np.abs(np.fft.ifft(analytic)) / np.sqrt(self._energy)[:, np.newaxis]
        which, first = [], []
        for group in groups:
            begins = np.arange(group[0] - self._longest, group[-1] + 1)
            here = height[:, begins % self._size]
            pulse, at = np.unravel_index(int(here.argmax()), here.shape)
            which.append(pulse)
            first.append(float(begins[at]))
        return np.array(which), np.array(first)

    def _ways(self, which: NDArray[np.intp], first: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return the spectra of pulses as a slow filter may make them, shape (ways, frequencies).

        Of each all terms, as they are and turned by a right angle, one after the other.
        """
        turned = self._spectra[which] * np.exp(-2j * np.pi * first[:, np.newaxis] * self._cycles)
        ways = turned[:, np.newaxis] * self._bends
        aside = 1j * ways
        aside[..., 0] = 0  # A mean has no phase.
        return np.stack([ways, aside], axis=2).reshape(-1, self._cycles.size)

    def _fitted(
        self,
        samples: NDArray[np.float64],
        heard: NDArray[np.complex128],
        places: NDArray[np.intp],
        ways: NDArray[np.complex128],
        spectrum: NDArray[np.float64],
    ) -> _Fit:
        """Fit what is missing and the pulses' shares, what is left weighted by its spectrum."""
        weight = np.fft.irfft(1 / spectrum, self._size)
        apart = np.abs(places[:, np.newaxis] - places)
        weighted = np.fft.irfft(ways / spectrum, self._size)
        pulses = np.fft.irfft(ways, self._size)
        across = -weighted[:, places]
        # A share that is thrice the loudest sample is nothing unheard of.
        shares = pulses @ weighted.T + np.eye(len(ways)) / (3 * np.abs(samples).max()) ** 2
        normal = np.block([[weight[apart], across.T], [across, shares]])
        sought = np.concatenate(
            [
                -np.fft.irfft(heard / spectrum, self._size)[places],
                weighted[:, : samples.size] @ samples,
            ]
        )
        scale = 1 / np.sqrt(np.diag(normal))
        factor = scipy.linalg.cho_factor(normal * scale[:, np.newaxis] * scale, lower=True)
        found = scale * scipy.linalg.cho_solve(factor, sought * scale)
        of_ways = found[places.size :]
        turned = of_ways.reshape(-1, _TERMS, 2)
        return _Fit(
            missing=found[: places.size],
            shares=turned[..., 0] + 1j * turned[..., 1],
            pulses=of_ways @ pulses,
            factor=factor[0],
            scale=scale,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    """What is missing, shape (places,), and the pulses' shares, shape (groups, terms)."""

    missing: NDArray[np.float64]
    shares: NDArray[np.complex128]
    pulses: NDArray[np.float64]
    factor: NDArray[np.float64]
    scale: NDArray[np.float64]

    def covariance(self) -> NDArray[np.float64]:
        """Return how unsure what is missing is, shape (places, places)."""
        places = self.missing.size
        unit = np.eye(self.scale.size)[:, :places]
        solved = scipy.linalg.cho_solve((self.factor, True), unit)[:places]
        of_places = self.scale[:places]
        return np.asarray(of_places[:, np.newaxis] * solved * of_places)


def _crowded(samples: NDArray[np.floating], highest: float, *, up: bool) -> bool:
    """Say whether more samples are near the highest than of any sine."""
    if highest <= 0:
        return False
    near, below = ((1 - part) * highest for part in (_NEAR, _BELOW))
    if up:
        close, about = np.count_nonzero(samples > near), np.count_nonzero(samples > below)
    else:
        close, about = np.count_nonzero(samples < -near), np.count_nonzero(samples < -below)
    return bool(close >= _FEWEST and close > 0.45 * about)


def _at_ceilings(
    samples: NDArray[np.float64], flat: tuple[bool, bool], noise: float
) -> NDArray[np.float64] | None:
    """Return 1 at each sample that stands at the upper ceiling, −1 at the lower, 0 elsewhere.

    None where there is no ceiling.
    """
    beyond = np.zeros(samples.size)
    for side, maybe in zip((1.0, -1.0), flat, strict=True):
        if not maybe:
            continue
        towards = side * samples
        highest = float(towards.max())
        thick = max(noise, _LEAST_NOISE * highest)
        at_it = towards[towards > highest - _AT_IT * thick]
        if at_it.size < _FEWEST:
            continue
        if at_it.size > _MOSTLY * np.count_nonzero(towards > highest - _UNDER_IT * thick):
            beyond[towards > float(np.median(at_it)) - _AT_IT / 2 * thick] = side
    return beyond if beyond.any() else None
