"""How far a weak echo's highest place strays on a lobe that is not round."""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import noise_about
from dsp.ping.pulse.echo_shape import EchoShape

_SPREAD_LAGS = np.geomspace(1e-3, 1.0, 28)  # of a lobe: where its noise is drawn, to each side
_SPREAD_DB = np.arange(11.0, 42.0, 3.0)
_SPREAD_DRAWS = 1600


def delay_excess(shape: EchoShape, snr_out: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how many times its first-order uncertainty a peak's delay errs by, given its SNR.

    :func:`dsp.ping.pulse.peaks.delay_uncertainty_s` holds where an error is small against the round
    top of the lobe. That of a tone with steep ends is round at its very tip alone, and a code's
    of hard chips nearly so: the highest place of a weak echo is anywhere on the slopes.

    Parameters
    ----------
    shape : EchoShape
    snr_out : ndarray, shape (peaks,)
        As for :func:`dsp.ping.pulse.peaks.delay_uncertainty_s`.

    Returns
    -------
    ndarray of float64, shape (peaks,)
        1 or more.

    Notes
    -----
    No method does much better. Of a lobe that is a triangle of half width T the highest place
    errs by √6.5 T/d², by the best estimate there is √4.8 T/d².

    References
    ----------
    I. A. Ibragimov and R. Z. Has'minskii, *Statistical Estimation: Asymptotic Theory*, 1981,
    ch. VII: a signal with jumps, 26/r⁴ and 19.3/r⁴ with r² = 2 d²/T (from memory).
    """
    snr_db = 10 * np.log10(snr_out)
    if np.count_nonzero(snr_db >= _SPREAD_DB[-1]) == snr_db.size:
        return np.ones(snr_db.shape)  # and nothing needs to be drawn
    return np.asarray(np.interp(snr_db, _SPREAD_DB, _delay_excesses(shape)))


@functools.lru_cache(maxsize=64)
def _delay_excesses(shape: EchoShape) -> NDArray[np.float64]:
    """Return what :func:`delay_excess` does at each of some SNRs, the last of them 1.

    By drawing: the lobe in noise that is alike from lag to lag as compressed noise is, and its
    highest place, over where the same noise has it to first order, so that what was drawn by
    chance drops out where both agree. Else it is worth 3 %: √(5/1600)/2 for tails as those of
    a double exponential.
    """
    lag = np.concatenate([-_SPREAD_LAGS[::-1], [0.0], _SPREAD_LAGS]) * shape.width_s
    middle, centre_hz = _SPREAD_LAGS.size, float(shape.weights @ shape.offset_hz)
    lobe = shape.at(lag) * np.exp(-2j * np.pi * centre_hz * lag)
    power, ways = noise_about(shape, lag, centre_hz)
    drawn = np.random.default_rng(0).standard_normal((2, lag.size, _SPREAD_DRAWS))
    # The root that is symmetric is the same whichever way a machine turns the eigenvectors.
    root = (ways * np.sqrt(power)) @ ways.conj().T
    noise = root @ (drawn[0] + 1j * drawn[1])
    slope = np.real(noise[middle + 1] - noise[middle - 1]) / (lag[middle + 1] - lag[middle - 1])
    first_order = slope / shape.rms_bandwidth_rad_s**2
    excess = np.ones(_SPREAD_DB.size)
    for k, d in enumerate(10 ** (_SPREAD_DB[:-1] / 20)):
        seen = np.abs(d * lobe[:, np.newaxis] + noise) ** 2
        top = seen.argmax(axis=0)
        # What is highest at an end is a slope of something else.
        (peaks,) = np.nonzero((top > 0) & (top < lag.size - 1))
        rows = np.arange(-1, 2)[:, np.newaxis] + top[peaks]
        place = _vertex(lag[rows], seen[rows, peaks])
        excess[k] = d * math.sqrt(np.mean(place**2) / np.mean(first_order[peaks] ** 2))
    return np.maximum(excess, 1.0)


def _vertex(place: NDArray[np.float64], height: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where parabolas through three points each are highest, within those points."""
    rise, fall = np.diff(height, axis=0) / np.diff(place, axis=0)
    # Its slope falls evenly from the middle of the first two places to that of the last two.
    share = rise / np.maximum(rise - fall, 1e-30)
    top = (place[0] + place[1] + share * (place[2] - place[0])) / 2
    return np.asarray(np.minimum(np.maximum(top, place[0]), place[2]))
