"""The phase of an echo from ping to ping, and how it sharpens the ranges of a track.

An envelope places an echo to a part of its own width; the phase of its carrier
places it to a part of a wave, many times finer, but does not say which wave. Along a
track the envelope says that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive
from dsp.ping.pulse.peaks import interpolated
from dsp.ping.ranging import path_from_range_m, range_from_path_m

CLEAREST_TURN = 0.8
"""Mean resultant length of the phases' misfits below which they are not trusted: they
scatter by more than 0.67 rad, a ninth of a turn."""

_FITTED = 4  # numbers: three of the curve, and the phase that all have in common
_STRANGE = 4.0  # standard deviations from which an echo's phase is not its track's


def echo_phasor(
    envelope: NDArray[np.complexfloating],
    delay_s: ArrayLike,
    *,
    bin_s: float,
    centre_offset_hz: float,
) -> NDArray[np.complex128]:
    """Amplitude and phase of echoes whose delays are known.

    Parameters
    ----------
    envelope : ndarray of complex64, shape (bins,)
        As :meth:`dsp.ping.pulse.compression.PulseCompressor.from_time_zero` gives.
    delay_s : array_like
        As a search found them.
    bin_s : float
        Spacing of the envelope's bins.
    centre_offset_hz : float
        Centre of an echo's spectrum, from the frequency about which the envelope
        turns: ``shape.centre_hz − shape.carrier_hz``.

    Returns
    -------
    ndarray of complex128, the shape of `delay_s`
        Its angle is −2π f τ, and what the target adds, at the centre f of the
        spectrum; an error of `delay_s` that is small against the echo's width does
        not change it. Nor does a chirp's range–Doppler coupling: τ is the delay of
        the pulse's middle.

    Raises
    ------
    ValueError
        On a spacing not above zero.
    """
    require_positive("bin_s", bin_s, "s")
    position = np.asarray(delay_s, dtype=np.float64) / bin_s
    centre_turns = centre_offset_hz * bin_s
    value = interpolated(np.asarray(envelope), position, centre_turns=centre_turns)
    return np.asarray(value * np.exp(-2j * np.pi * centre_turns * position))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SharpRanges:
    """The ranges of one track, sharpened by phase.

    Attributes
    ----------
    range_m : ndarray of float64, shape (hits,)
    noise_m : ndarray of float64, shape (hits,)
        Standard deviation of each from ping to ping.
    u_shift_m : float
        Standard uncertainty of what may be added to all of them alike.
    """

    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]
    u_shift_m: float


def sharpened(
    time_s: ArrayLike,
    range_m: ArrayLike,
    noise_m: ArrayLike,
    phase_rad: ArrayLike,
    phase_noise_rad: ArrayLike,
    *,
    wavelength_m: float,
    baseline_m: float = 0.0,
) -> SharpRanges | None:
    """Sharpen the ranges of a target on a straight way by the phases of its echoes.

    Parameters
    ----------
    time_s, range_m, noise_m : array_like, shape (hits,)
        As for :func:`dsp.history.passes.passage_of`; at least four hits.
    phase_rad, phase_noise_rad : array_like, shape (hits,)
        The angle of :func:`echo_phasor`, and its standard deviation.
    wavelength_m : float
        At the centre of the spectrum.
    baseline_m : float
        From source to receiver.

    Returns
    -------
    SharpRanges or None
        None where the phases do not follow the ranges: where the envelope cannot
        say which wave, or the target's own phase changes as it moves.

    Raises
    ------
    ValueError
        On a wavelength not above zero.
    """
    require_positive("wavelength_m", wavelength_m, "m")
    time, coarse_m = np.asarray(time_s, dtype=float), np.asarray(range_m, dtype=float)
    coarse_noise_m = np.asarray(noise_m, dtype=float)
    phase, phase_noise = np.asarray(phase_rad, dtype=float), np.asarray(phase_noise_rad, float)
    weight = 1 / phase_noise**2
    place = (time - time.mean()) / max(float(np.ptp(time)) / 2, 1e-12)
    fine_m, fine_noise_m, own = coarse_m, coarse_noise_m, np.ones(time.size, dtype=bool)
    for _ in range(4):
        curve_m = _straight_way_m(place, fine_m, fine_noise_m, own)
        path_m = path_from_range_m(curve_m, baseline_m)
        turned = np.exp(1j * (phase + 2 * np.pi * path_m / wavelength_m))
        # What all of them have in common is the target's, not its range's.
        common = np.sum((weight * turned)[own])
        misfit = np.angle(turned * np.conj(common))
        rough = max(1.0, 1.4826 * float(np.median(np.abs(misfit / phase_noise))))
        own = np.abs(misfit) < np.minimum(_STRANGE * rough * phase_noise, np.pi / 2)
        fine_m = np.where(
            own,
            range_from_path_m(path_m - misfit * wavelength_m / (2 * np.pi), baseline_m),
            coarse_m,
        )
        by_path = path_m / (4 * curve_m)
        fine_noise_m = np.where(
            own, by_path * phase_noise * wavelength_m / (2 * np.pi), coarse_noise_m
        )
        # Of phases that mean nothing half lie within a right angle of any; a few more do
        # once the curve has followed them.
        if 4 * np.count_nonzero(own) < 3 * time.size or np.count_nonzero(own) <= _FITTED:
            return None
    scatter = 1 - abs(np.mean(np.exp(1j * misfit[own])))
    if scatter * own.sum() / (own.sum() - _FITTED) > 1 - CLEAREST_TURN:
        return None
    # The envelope alone says where the whole of it lies.
    level = 1 / coarse_noise_m[own] ** 2
    shift_m = float(level @ (coarse_m - fine_m)[own] / level.sum())
    spread = (coarse_m - fine_m - shift_m)[own] / coarse_noise_m[own]
    rough = max(1.0, math.sqrt(float(np.mean(spread**2))))
    return SharpRanges(
        range_m=np.where(own, fine_m + shift_m, coarse_m),
        noise_m=fine_noise_m,
        u_shift_m=rough / math.sqrt(float(level.sum())),
    )


def _straight_way_m(
    place: NDArray[np.float64],
    range_m: NDArray[np.float64],
    noise_m: NDArray[np.float64],
    own: NDArray[np.bool_],
) -> NDArray[np.float64]:
    """Fit a squared range that is a parabola in time."""
    powers = np.vander(place, 3, increasing=True)
    weight = np.where(own, 1 / (2 * range_m * noise_m), 0.0)
    # Places run from −1 to 1, so that the normal equations lose no digits that matter.
    design = powers * weight[:, np.newaxis]
    curve = np.linalg.solve(design.T @ design, design.T @ (range_m**2 * weight))
    return np.asarray(np.sqrt(np.maximum(powers @ curve, 1e-12)))
