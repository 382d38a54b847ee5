"""Arches folded back into the points that drew them: pings of a straight way, brought to a focus.

A point beside a straight way draws an arch over the pings. Where the speed along the way is
known, so is the arch of each place: its echoes are read off the profiles along it, turned
back by the phase that the way out and back gave them, and added up. At the right place they
add up in step; beside it they cancel. Which of pair and target moved makes no difference:
what counts is how one stood to the other when the sound met it.

The sum is the same at each place, only shifted from ping to ping, so that it is done for all
places of one range at once, by FFT along the way.

References
----------
C. V. Jakowatz et al., *Spotlight-Mode Synthetic Aperture Radar: A Signal Processing Approach*,
1996, ch. 3 (back-projection); M. Soumekh, *Synthetic Aperture Radar Signal Processing*, 1999,
sec. 2 and 4 (both cited from memory).
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within
from dsp.ping.pulse.peaks import KERNEL_HALF, kernel

WIDEST_RAD = math.radians(60.0)
"""Nothing is added up from farther off the axis: a wider beam is no face's beam any more."""

_TAPS = np.arange(1 - KERNEL_HALF, KERNEL_HALF + 1)
_LEAST_CYCLE = 1024  # of the FFT along the way: shorter ones spend their time on being called


@dataclass(frozen=True, slots=True, kw_only=True)
class StraightWay:
    """How the pings stand to each other, and what a delay in their profiles means.

    Attributes
    ----------
    speed_m_s : float
        Along the way.
    interval_s : float
        From ping to ping.
    sound_speed_m_s : float
    baseline_m : float
        From source to receiver.
    along_baseline : float
        cos² of the angle between way and baseline: 1 along it, 0 across it.
    pulse_s : float
        Length of the pulse, whose middle counts.
    coupling_s : float
        Of a chirp: the range in a profile is the one that the target has so much later
        (:func:`dsp.physics.doppler.chirp_coupling_s`).
    bin_s : float
        Spacing of the profiles' bins.
    carrier_hz, centre_hz : float
        The frequency about which the profiles turn, and the centre of an echo's spectrum.
    half_angle_rad : float
        Only pings that see a place within this angle from square ahead are added up.

    Raises
    ------
    ValueError
        Where a number that must be is not above zero, or an angle not below a right one.
    """

    speed_m_s: float
    interval_s: float
    sound_speed_m_s: float
    baseline_m: float = 0.0
    along_baseline: float = 1.0
    pulse_s: float = 0.0
    coupling_s: float = 0.0
    bin_s: float
    carrier_hz: float
    centre_hz: float
    half_angle_rad: float

    def __post_init__(self) -> None:
        for name in ("speed_m_s", "interval_s", "sound_speed_m_s", "bin_s", "centre_hz"):
            require_positive(name, getattr(self, name))
        require_within("baseline_m", self.baseline_m, 0, math.inf, "m")
        require_within("along_baseline", self.along_baseline, 0, 1)
        require_within("half_angle_rad", self.half_angle_rad, 1e-6, WIDEST_RAD, "rad")

    @property
    def spacing_m(self) -> float:
        """From ping to ping along the way."""
        return self.speed_m_s * self.interval_s

    @property
    def wavelength_m(self) -> float:
        """At the centre of an echo's spectrum."""
        return self.sound_speed_m_s / self.centre_hz

    def at_speed(self, speed_m_s: float) -> StraightWay:
        """Return the same at another speed."""
        return dataclasses.replace(self, speed_m_s=speed_m_s)

    def path_m(self, aside_m: ArrayLike, range_m: ArrayLike) -> NDArray[np.float64]:
        """Path out and back to a place so far along the way from square ahead.

        Parameters
        ----------
        aside_m : array_like
        range_m : array_like
            The nearest that the place comes, from midway between source and receiver.
        """
        aside, nearest = np.asarray(aside_m, dtype=float), np.asarray(range_m, dtype=float)
        square = nearest**2 + aside**2 + self.baseline_m**2 / 4
        skew = aside * (self.baseline_m * math.sqrt(self.along_baseline))
        return np.asarray(np.sqrt(square + skew) + np.sqrt(square - skew))

    def delays_s(
        self, ahead_m: ArrayLike, range_m: ArrayLike
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """When the echo of a place comes, and where a profile shows it.

        Parameters
        ----------
        ahead_m : array_like
            How far along the way the place stood ahead as the pulse began to leave.
        range_m : array_like
            The nearest that the place comes.

        Returns
        -------
        delay_s : ndarray of float64
            Out and back, of the pulse's middle.
        shown_s : ndarray of float64
            Where its peak stands in the profile.
        aside_m : ndarray of float64
            How far ahead it still was when the pulse's middle met it.
        """
        ahead = np.asarray(ahead_m, dtype=float) - self.speed_m_s * self.pulse_s / 2
        aside = ahead
        # Each turn is better by speed over sound speed; two leave its cube.
        for _ in range(2):
            delay_s = self.path_m(aside, range_m) / self.sound_speed_m_s
            aside = ahead - self.speed_m_s * delay_s / 2
        delay_s = self.path_m(aside, range_m) / self.sound_speed_m_s
        later = aside - self.speed_m_s * self.coupling_s
        return delay_s, self.path_m(later, range_m) / self.sound_speed_m_s, aside

    def reach_pings(self, range_m: float) -> int:
        """So many pings to each side may hold an echo of a place at this range."""
        drift_m = self.speed_m_s * (self.pulse_s / 2 + 2 * range_m / self.sound_speed_m_s)
        reach_m = range_m * math.tan(self.half_angle_rad) + drift_m
        return math.ceil(reach_m / self.spacing_m) + 1


def focused(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    range_m: ArrayLike,
    *,
    finer: int = 1,
) -> NDArray[np.complex64]:
    """Add up, for each place beside the way, its echoes in all pings in step.

    Parameters
    ----------
    profiles : ndarray of complex, shape (pings, bins)
        As :meth:`dsp.ping.pulse.compression.PulseCompressor.from_time_zero` gives, ping after
        ping, evenly spaced in time; zeros for a lost one.
    way : StraightWay
    range_m : array_like, shape (ranges,)
        Above zero.
    finer : int
        Places to a ping along the way.

    Returns
    -------
    ndarray of complex64, shape (finer · (pings − 1) + 1, ranges)
        The mean echo over the pings that may see the place, from where the pair stood as
        the first ping left to where it stood at the last. An echo of one amplitude in
        all of them keeps it.

    Raises
    ------
    ValueError
        On profiles that are no rows of bins, no pings, or a range not above zero.

    Notes
    -----
    For place n and range R the sum over the pings p of E_p(s) exp(2πi f τ), where τ and s
    are those of :meth:`StraightWay.delays_s` at n − p: a convolution along p, done with
    each bin that the arch passes. `tests/dsp/history/test_focusing.py` holds it to the plain
    sum.
    """
    rows = np.asarray(profiles)
    if rows.ndim != 2 or not rows.shape[0]:
        raise ValueError(f"profiles: found shape {rows.shape}; give (pings, bins)")
    ranges = np.atleast_1d(np.asarray(range_m, dtype=float))
    require_positive("range_m", ranges, "m")
    require_within("finer", finer, 1, 64)
    pings, bins = rows.shape
    reach = min(way.reach_pings(float(ranges.max())), pings - 1)
    offsets = np.arange(-reach, reach + 1)
    # The spectra of a few long blocks along the way; what each adds beyond its end overlaps.
    cycle = scipy.fft.next_fast_len(
        min(max(4 * offsets.size, _LEAST_CYCLE), pings + offsets.size), real=False
    )
    step = cycle - offsets.size + 1
    blocks = -(-pings // step)
    centre_turns = (way.centre_hz - way.carrier_hz) * way.bin_s
    turned = rows * np.exp(-2j * np.pi * centre_turns * np.arange(bins)).astype(np.complex64)
    filled = np.zeros((bins, blocks * step), dtype=np.complex64)
    filled[:, :pings] = turned.T
    spectra = scipy.fft.fft(filled.reshape(bins, blocks, step), cycle, axis=-1)
    places = np.zeros((ranges.size, pings, finer), dtype=np.complex64)
    room = np.zeros((blocks, cycle), dtype=np.complex64)
    for row, nearest_m in enumerate(ranges.tolist()):
        for part in range(finer):
            ahead_m = (offsets + part / finer) * way.spacing_m
            taken = _arch(way, ahead_m, nearest_m, bins)
            if taken is None:
                continue
            first, arch = taken
            arch_spectrum = scipy.fft.fft(arch, cycle, axis=-1, overwrite_x=True)
            its = spectra[first : first + arch.shape[0]]
            np.einsum("bnk,bk->nk", its, arch_spectrum, out=room)
            whole = _overlapped(np.asarray(scipy.fft.ifft(room, axis=-1)), step)
            places[row, :, part] = whole[reach : reach + pings]
    along = places.reshape(ranges.size, pings * finer)[:, : finer * (pings - 1) + 1]
    return np.ascontiguousarray(along.T)


def pings_in_sight(way: StraightWay, range_m: float) -> NDArray[np.float64]:
    """Return how far ahead a place stood, at its sending, in each ping that may see it.

    Returns
    -------
    ndarray of float64, shape (pings,)
        As for a place that was square ahead at a ping's sending, rising.
    """
    reach = way.reach_pings(range_m)
    ahead_m = np.arange(-reach, reach + 1) * way.spacing_m
    _, _, aside_m = way.delays_s(ahead_m, range_m)
    return np.asarray(ahead_m[np.abs(aside_m) <= range_m * math.tan(way.half_angle_rad)])


def along_arch(
    profiles: NDArray[np.complexfloating],
    ping: NDArray[np.integer],
    shown_s: NDArray[np.float64],
    delay_s: NDArray[np.float64],
    way: StraightWay,
) -> NDArray[np.complex128]:
    """Read echoes off profiles along an arch, each turned back by its way out and back.

    Parameters
    ----------
    profiles : ndarray of complex, shape (pings, bins)
    ping : ndarray of int, shape (hits,)
    shown_s, delay_s : ndarray of float64, shape (..., hits)
        From :meth:`StraightWay.delays_s`.
    way : StraightWay

    Returns
    -------
    ndarray of complex128, shape (..., hits)
        All of one phase where the arch is that of a point.
    """
    position = shown_s / way.bin_s
    near = np.floor(position).astype(int)
    index = near[..., np.newaxis] + _TAPS
    weight = kernel(position[..., np.newaxis] - index)
    bins = profiles.shape[1]
    if near.size and (near.min() < KERNEL_HALF - 1 or near.max() >= bins - KERNEL_HALF):
        weight[(index < 0) | (index >= bins)] = 0
        index = np.clip(index, 0, bins - 1)
    taken = profiles[ping[:, np.newaxis], index]
    centre_turns = (way.centre_hz - way.carrier_hz) * way.bin_s
    turned = np.einsum(
        "...t,...t,t->...", taken, weight, np.exp(-2j * np.pi * centre_turns * _TAPS)
    )
    turns = way.centre_hz * delay_s - centre_turns * near
    return np.asarray(turned * np.exp(2j * np.pi * turns))


def _arch(
    way: StraightWay, ahead_m: NDArray[np.float64], range_m: float, bins: int
) -> tuple[int, NDArray[np.complex64]] | None:
    """Return what each bin counts for in the mean of one arch, and the first of these bins.

    Shape (bins of the arch, offsets); None where the arch lies outside the profiles.
    """
    delay_s, shown_s, aside_m = way.delays_s(ahead_m, range_m)
    own = np.flatnonzero(np.abs(aside_m) <= range_m * math.tan(way.half_angle_rad))
    position = shown_s[own] / way.bin_s
    near = np.floor(position).astype(int)
    inside = (near >= 0) & (near < bins)
    own, position, near = own[inside], position[inside], near[inside]
    if not own.size:
        return None
    first = max(int(near.min()) - KERNEL_HALF + 1, 0)
    last = min(int(near.max()) + KERNEL_HALF, bins - 1)
    index = near[:, np.newaxis] + _TAPS
    weight = kernel(position[:, np.newaxis] - index)
    # Of the whole aperture, not of what a short recording has of it: noise is then even.
    weight /= pings_in_sight(way, range_m).size
    turn = np.exp(2j * np.pi * way.centre_hz * delay_s[own])
    kept = (index >= first) & (index <= last)
    arch = np.zeros((last - first + 1, ahead_m.size), dtype=np.complex64)
    which = np.broadcast_to(own[:, np.newaxis], index.shape)
    arch[index[kept] - first, which[kept]] = (weight * turn[:, np.newaxis])[kept]
    return first, arch


def _overlapped(parts: NDArray[np.complexfloating], step: int) -> NDArray[np.complex64]:
    """Add up blocks that begin `step` apart, shape (blocks, cycle)."""
    blocks, cycle = parts.shape
    whole = np.zeros((blocks - 1) * step + cycle, dtype=np.complex64)
    for block, part in enumerate(parts):
        whole[block * step : block * step + cycle] += part
    return whole
