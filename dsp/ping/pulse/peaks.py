"""The place and height of a peak of a band-limited envelope, between its bins."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.compression import INTERPOLATION_ROOM
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.lobe_table import bin_nodes, powers_of

KERNEL_HALF = 16
"""A value between bins is read off so many bins to each side."""

_KERNEL_BETA = 12.0  # errors 100 dB down, but for 12 % of the band at each edge

_LEAST_TAP = 1e-7  # keeps taps small where the band leaves them open

LOOKS = np.linspace(-0.5, 0.5, 9)
"""Where in a bin it is looked for a maximum, at first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """One echo as found in a profile.

    Attributes
    ----------
    delay_s : float
        From the profile's first bin.
    u_delay_s : float
        Standard uncertainty of the delay, from the SNR and the pulse's spectrum.
    amplitude : float
        Relative to full scale.
    phase_rad : float
        By which the echo's carrier is off from a copy of the pulse at `delay_s`.
    snr : float
        2E/N0, as a ratio: for a matched filter, twice the peak's power over
        the mean power of the noise around it.
    u_phase_rad : float
        Standard uncertainty of its phase, once counted back by `delay_s` at the pulse's centre
        frequency; NaN where nobody asks.
    u_second_s : float
        What its shape adds to `u_delay_s` where it is no single copy of the pulse, but more than
        one within its lobe; 0 for a copy, as far as is seen.
    u_pull_s : float
        What of `u_delay_s` is by others that it overlaps with: no noise, but the same from ping to
        ping as long as they stand where they are.
    """

    delay_s: float
    u_delay_s: float
    amplitude: float
    phase_rad: float
    snr: float
    u_phase_rad: float = math.nan
    u_second_s: float = 0.0
    u_pull_s: float = 0.0


def kernel(away: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how much of a bin so far away, in bins, is in a value between bins.

    A sinc under a window that is the exponential of a half circle: as good as Kaiser's
    and cheaper.

    References
    ----------
    A. H. Barnett, J. Magland and L. af Klinteberg, "A parallel nonuniform fast
    Fourier transform library based on an exponential of semicircle kernel",
    *SIAM J. Sci. Comput.* 41, 2019, C479–C504 (the window; from memory).
    """
    half_circle = np.sqrt(np.maximum(0, 1 - (away / KERNEL_HALF) ** 2))
    return np.asarray(np.sinc(away) * np.exp(_KERNEL_BETA * (half_circle - 1)))


@functools.lru_cache(maxsize=1)
def bin_reader() -> tuple[NDArray[np.intp], NDArray[np.float32], NDArray[np.float32]]:
    """Return what reads an envelope between its bins, once turned by its band's middle.

    Returns
    -------
    taps : ndarray of int, shape (taps,)
        Bins about one.
    to_powers : ndarray of float32, shape (taps, POWERS)
        Times the envelope there, the polynomial that it is in that bin.
    to_looks : ndarray of float32, shape (taps, looks)
        The same for its values at :data:`LOOKS`.
    """
    taps = np.arange(-KERNEL_HALF, KERNEL_HALF + 1)
    node, to_powers = bin_nodes()
    # By least squares over the band alone: a ripple of 1e-5 from bin to bin, which
    # :func:`kernel` leaves, would slope more than the top of a lobe of a hundred bins.
    turn_rad = np.linspace(0, math.pi / INTERPOLATION_ROOM, 256)
    least = _LEAST_TAP * np.eye(taps.size)
    from_taps = np.concatenate([*_waves(turn_rad, taps), least])
    to_node = np.concatenate([*_waves(turn_rad, node), np.zeros((taps.size, node.size))])
    reader = np.linalg.lstsq(from_taps, to_node, rcond=None)[0] @ to_powers.T
    return taps, reader.astype(np.float32), (reader @ powers_of(LOOKS).T).astype(np.float32)


def _waves(
    turn_rad: NDArray[np.float64], places: NDArray[np.floating] | NDArray[np.integer]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return cosines and sines of so many radians a bin at some places in bins."""
    angle = np.outer(turn_rad, places)
    return np.cos(angle), np.sin(angle)


def interpolated(
    envelope: NDArray[np.complexfloating],
    position: NDArray[np.float64],
    *,
    centre_turns: float = 0.0,
) -> NDArray[np.complex128]:
    """Values of a band-limited envelope between its bins.

    By :func:`kernel` over 32 bins, about the spectrum's centre.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
    position : ndarray of float64, any shape
        In bins.
    centre_turns : float
        Centre of the envelope's spectrum, in turns a bin.

    Returns
    -------
    ndarray of complex128, the shape of `position`
    """
    near = np.floor(position).astype(int)
    steps = np.arange(1 - KERNEL_HALF, KERNEL_HALF + 1)
    index = near[..., np.newaxis] + steps
    if near.size and near.min() >= KERNEL_HALF - 1 and near.max() < envelope.size - KERNEL_HALF:
        taken = envelope[index]
    else:
        inside = (index >= 0) & (index < envelope.size)
        taken = np.where(inside, envelope[np.clip(index, 0, envelope.size - 1)], 0)
    away = position[..., np.newaxis] - index
    turned = kernel(away) * np.exp(2j * np.pi * centre_turns * away)
    return np.asarray((taken * turned).sum(axis=-1), dtype=np.complex128)


def refined(
    envelope: NDArray[np.complexfloating],
    index: NDArray[np.integer] | NDArray[np.floating],
    *,
    lobe_bins: float,
    centre_turns: float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Place and height of the maxima of ``abs(envelope)`` near some bins.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
    index : ndarray, shape (peaks,)
        Bins within one bin of a maximum, or places nearly there.
    lobe_bins : float
        Width of an echo's main lobe at half amplitude.
    centre_turns : float
        As for :func:`interpolated`.

    Returns
    -------
    position : ndarray of float64, shape (peaks,)
        In bins; never outside the envelope.
    magnitude : ndarray of float64, shape (peaks,)
    """
    position = np.asarray(index, dtype=np.float64)
    magnitude = np.zeros(position.size)
    # A coarse look about the bin, then parabolas through three points each: once they are
    # centred, the lobe is even about them. The points have to be close, for the pulse with
    # hard edges has a lobe whose very tip alone is round; rounding in single precision
    # still is a thousandth of what lies between them.
    lobe = max(lobe_bins, 4.0)
    for half_steps, step in ((8, lobe / 32), (1, lobe / 32), (1, lobe / 64)):
        offsets = np.arange(-half_steps, half_steps + 1) * step
        grid = np.abs(
            interpolated(envelope, position[:, np.newaxis] + offsets, centre_turns=centre_turns)
        )
        best = np.clip(grid.argmax(axis=1), 1, offsets.size - 2)
        rows = np.arange(position.size)
        before, at, after = (grid[rows, best + k] ** 2 for k in (-1, 0, 1))
        bend = before - 2 * at + after
        curved = bend < 0
        slope = (before - after) / 2
        shift = np.where(curved, slope / np.where(curved, bend, 1), 0).clip(-1, 1)
        position = np.clip(position + offsets[best] + shift * step, 0, max(envelope.size - 1, 0))
        magnitude = np.sqrt(np.maximum(at - slope * shift / 2, 0))
    return position, magnitude


def crest_near(
    envelope: NDArray[np.complexfloating], shape: EchoShape, near: int, reach: int
) -> tuple[float, float]:
    """Place, in bins, and height of an envelope where it is highest within a reach of a bin.

    Parameters
    ----------
    envelope : ndarray of complex, shape (bins,)
    shape : EchoShape
        Of an echo in it.
    near, reach : int
        In bins.
    """
    first = min(max(near - reach, 0), envelope.size - 1)
    highest = first + int(np.abs(envelope[first : near + reach + 1]).argmax())
    (place,), (height,) = refined(
        envelope,
        np.array([highest]),
        lobe_bins=shape.width_s / shape.bin_s,
        centre_turns=(shape.centre_hz - shape.carrier_hz) * shape.bin_s,
    )
    return float(place), float(height)


@functools.lru_cache(maxsize=32)
def side_lobe_ceiling(shape: EchoShape, bins: int) -> NDArray[np.float64]:
    """Highest that a compressed echo of amplitude 1 still reaches from each lag on.

    Returns
    -------
    ndarray of float64, shape (bins,)
        Falls from 1; entry ``i`` is for lags of ``i * bin_s`` and more.
    """
    finer = 4
    lags = np.arange(min(bins, shape.cycle_bins // 2) * finer) * shape.bin_s / finer
    spectrum = np.zeros(finer * shape.cycle_bins, dtype=np.complex128)
    spectrum[shape.band_index] = shape.weights
    magnitude = np.abs(np.fft.ifft(spectrum) * spectrum.size)[: lags.size]
    ceiling = np.maximum.accumulate(magnitude[::-1])[::-1][::finer]
    ceiling = np.concatenate([ceiling, np.full(bins - ceiling.size, ceiling[-1])])
    ceiling.setflags(write=False)
    return ceiling


def delay_uncertainty_s(shape: EchoShape, snr_out: float) -> float:
    """Return a peak's standard uncertainty in delay, given ``2 |peak|²/noise``.

    For the plain matched filter it is the envelope Cramér–Rao bound; a weighting
    costs a little more. First-order noise on the peak's slope over its curvature.
    """
    mean_hz = float(shape.weights @ shape.offset_hz)
    spread = float(shape.noise_weights @ (shape.offset_hz - mean_hz) ** 2)
    noise_rad_s = 2 * math.pi * math.sqrt(spread)
    return noise_rad_s / (math.sqrt(snr_out) * shape.rms_bandwidth_rad_s**2)
