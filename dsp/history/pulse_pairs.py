"""Closing speed from the phase of an echo between one ping and the next.

Speeds are positive for a target that comes nearer. A tone burst needs this: its
echo's own pitch is too coarse, but its phase moves by a turn for each half wave.

References
----------
K. S. Miller and M. M. Rochwarger, "A covariance approach to spectral moment
estimation", *IEEE Trans. Inf. Theory* 18, 1972, pp. 588–596; C. Kasai, K. Namekawa,
A. Koyano and R. Omoto, "Real-time two-dimensional blood flow imaging using an
autocorrelation technique", *IEEE Trans. Sonics Ultrason.* 32, 1985, pp. 458–464 (both
cited from memory): the angle of the mean product of neighbours.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive
from dsp.goodness import goodness
from dsp.physics.doppler import fastest_speed_m_s


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosingSpeed:
    """A closing speed, and what it may be mistaken for.

    Attributes
    ----------
    speed_m_s : float
        Between −`fastest_m_s` and `fastest_m_s`, until it is :func:`unfolded`.
    u_speed_m_s : float
        Standard uncertainty, of the echoes' noise; once it is :func:`unfolded`, of the
        sound speed too.
    fastest_m_s : float
        λ/(4T). Any speed that differs by a multiple of twice this gives the same
        phases; nothing but the ranges can tell them apart.
    pairs : int
        Of neighbouring pings.
    even : bool
        Whether all phases stand where one speed would have them, within their noise. Where
        they do not, it changed on the way, and no number here is to be trusted.
    """

    speed_m_s: float
    u_speed_m_s: float
    fastest_m_s: float
    pairs: int
    even: bool = True


def closing_speed(
    phasor: ArrayLike,
    d2: ArrayLike,
    *,
    interval_s: float,
    frequency_hz: float,
    sound_speed_m_s: float,
) -> ClosingSpeed:
    """Estimate the mean closing speed over neighbouring pings.

    Parameters
    ----------
    phasor : array_like of complex, shape (pings,)
        Of one target's echo in each ping, :func:`dsp.history.echo_phase.echo_phasor`; NaN
        where a ping was lost or the echo missed, which costs two pairs.
    d2 : array_like, shape (pings,)
        2E/N0 of each, as a ratio.
    interval_s : float
        From ping to ping.
    frequency_hz : float
        Centre of the pulse's spectrum.
    sound_speed_m_s : float

    Raises
    ------
    ValueError
        Where no two neighbours were heard, or an argument is not above zero.

    Notes
    -----
    Half of the path shortens by v T c/(c + v) from ping to ping, since a later one meets
    a target that comes nearer sooner. What is returned is that rate, v c/(c + v), low by
    the share v/c; :func:`unfolded` returns v.

    The phases of m pairs in a row sum to the last less the first, so their mean is
    unsure by √(1/d²₀ + 1/d²ₘ)/m, to which noise times noise adds 2/d⁴ for each pair,
    over m². Where the path is broken, each run counts for itself.

    Examples
    --------
    A target closing at 0.1 m/s, pinged with 40 kHz 50 times a second.

    >>> turns = 2 * 0.1 * 0.02 / (343.2 / 40e3)
    >>> echoes = np.exp(2j * np.pi * turns * np.arange(5))
    >>> found = closing_speed(echoes, np.full(5, 1e4), interval_s=0.02, frequency_hz=40e3,
    ...                       sound_speed_m_s=343.2)
    >>> round(found.speed_m_s, 6), round(found.fastest_m_s, 5)
    (0.1, 0.10725)
    """
    fastest_m_s = fastest_speed_m_s(interval_s, frequency_hz, sound_speed_m_s)
    z = np.asarray(phasor, dtype=np.complex128)
    snr = np.asarray(d2, dtype=np.float64)
    if z.shape != snr.shape or z.ndim != 1:
        raise ValueError(f"d2: found shape {snr.shape}; give one for each phasor, {z.shape}")
    heard = np.isfinite(z)
    require_positive("d2", snr[heard])
    both = heard[1:] & heard[:-1]
    pairs = int(np.count_nonzero(both))
    if not pairs:
        raise ValueError("phasor: found no two neighbours that were heard; give two in a row")
    turned = np.sum(z[1:][both] * np.conj(z[:-1][both]))
    angle_rad = float(np.angle(turned))
    variance = _angle_variance(np.where(heard, snr, math.inf), both) / pairs**2
    return ClosingSpeed(
        speed_m_s=angle_rad / math.pi * fastest_m_s,
        u_speed_m_s=math.sqrt(variance) / math.pi * fastest_m_s,
        fastest_m_s=fastest_m_s,
        pairs=pairs,
        even=_even(z[heard], snr[heard], np.flatnonzero(heard), angle_rad),
    )


def unfolded(
    found: ClosingSpeed,
    coarse_m_s: float,
    u_coarse_m_s: float,
    *,
    sound_speed_m_s: float,
    u_sound_speed_m_s: float = 0.0,
) -> ClosingSpeed | None:
    """Return the speed with these phases that the ranges allow; None if they allow two.

    None too where the speed was not even.

    Parameters
    ----------
    found : ClosingSpeed
    coarse_m_s, u_coarse_m_s : float
        The closing speed as the ranges tell it, with its standard uncertainty.
    sound_speed_m_s, u_sound_speed_m_s : float

    Examples
    --------
    >>> found = ClosingSpeed(speed_m_s=0.02, u_speed_m_s=0.001, fastest_m_s=0.1, pairs=10)
    >>> round(unfolded(found, 0.41, 0.02, sound_speed_m_s=343.2).speed_m_s, 2)
    0.42
    >>> unfolded(found, 0.41, 0.05, sound_speed_m_s=343.2) is None
    True
    """
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    # Three deviations of the ranges' speed, and of the phases', have to stay within the
    # half of a fold.
    if not found.even or 3 * math.hypot(u_coarse_m_s, found.u_speed_m_s) > found.fastest_m_s:
        return None
    fold_m_s = 2 * found.fastest_m_s
    folds = round((coarse_m_s - found.speed_m_s) / fold_m_s)
    rate_m_s = found.speed_m_s + folds * fold_m_s
    # A later ping meets a target that comes nearer sooner: see the notes above.
    speed_m_s = rate_m_s / (1 - rate_m_s / sound_speed_m_s)
    by_medium_m_s = speed_m_s * u_sound_speed_m_s / sound_speed_m_s
    return dataclasses.replace(
        found, speed_m_s=speed_m_s, u_speed_m_s=math.hypot(found.u_speed_m_s, by_medium_m_s)
    )


def _even(
    z: NDArray[np.complex128],
    d2: NDArray[np.float64],
    ping: NDArray[np.int64],
    angle_rad: float,
) -> bool:
    """Hold the phases to a line, near the one that turns by an angle from ping to ping."""
    turned = z / np.abs(z) * np.exp(-1j * angle_rad * ping)
    left_rad = np.angle(turned * np.conj(np.sum(d2 * turned)))
    # So close to the line that no phase is a turn away.
    design = np.vander(ping - ping.mean(), 2) * np.sqrt(d2)[:, np.newaxis]
    over = left_rad * np.sqrt(d2)
    line, *_ = np.linalg.lstsq(design, over)
    return goodness(over - design @ line, fitted=2).holds


def _angle_variance(d2: NDArray[np.float64], both: NDArray[np.bool_]) -> float:
    """Variance of the sum of the pairs' angles: each run's two ends, and noise by noise."""
    edges = np.diff(np.concatenate([[0], both.astype(int), [0]]))
    first, last = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    ends = 1 / d2[first] + 1 / d2[last]
    by_noise = 2 / (d2[1:] * d2[:-1])
    return float(ends.sum() + by_noise[both].sum())
