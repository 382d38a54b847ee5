"""What no receiver can better: how finely, how far apart, how near, how far, how fast.

``d2`` throughout is d² = 2E/N₀, the echo's energy over the noise's density, as a
plain power ratio (20 dB is 100).
"""

from __future__ import annotations

import math

import numpy as np
import scipy

from dsp.arguments import require_positive, require_within
from dsp.quadrature import gauss_legendre


def flat_band_rms_bandwidth_rad_s(low_hz: float, high_hz: float, *, about: str = "centre") -> float:
    """RMS bandwidth β of a spectrum that is flat from one frequency to another.

    Parameters
    ----------
    low_hz, high_hz : float
    about : {"centre", "zero"}
        "centre" gives what the envelope alone can use, "zero" what is there if the
        carrier's phase is used as well.

    Raises
    ------
    ValueError
        Where the band is empty or below zero, or `about` unknown.

    References
    ----------
    P. M. Woodward, *Probability and Information Theory, with Applications to Radar*,
    1953, ch. 6 (cited from memory): β² is the second moment of the power spectrum.

    Examples
    --------
    >>> round(flat_band_rms_bandwidth_rad_s(4000.0, 12000.0))
    14510
    """
    require_within("low_hz", low_hz, 0, math.inf, "Hz")
    require_positive("high_hz - low_hz", high_hz - low_hz, "Hz")
    if about == "centre":
        return 2 * math.pi * (high_hz - low_hz) / math.sqrt(12)
    if about == "zero":
        return 2 * math.pi * math.sqrt((low_hz**2 + low_hz * high_hz + high_hz**2) / 3)
    raise ValueError(f'about: found {about!r}; give "centre" or "zero"')


def delay_bound_s(d2: float, rms_bandwidth_rad_s: float) -> float:
    """Cramér–Rao bound: least standard deviation of an unbiased delay, 1 / (β d).

    No number to rely on below the threshold region, where the search picks a wrong
    peak: see :func:`outlier_probability`.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    H. L. Van Trees, *Detection, Estimation, and Modulation Theory*, part III, 1971,
    ch. 10 (cited from memory).
    """
    require_positive("d2", d2)
    require_positive("rms_bandwidth_rad_s", rms_bandwidth_rad_s, "rad/s")
    return 1 / (rms_bandwidth_rad_s * math.sqrt(d2))


def range_deviation_m(
    delay_deviation_s: float,
    sound_speed_m_s: float,
    *,
    range_m: float = math.inf,
    baseline_m: float = 0.0,
) -> float:
    """Turn the standard deviation of a delay into that of the range.

    c/2 times the delay's for source and receiver in one place. A baseline b makes
    near ranges less sure: √(R² + b²/4)/R times as much.

    Raises
    ------
    ValueError
        On a negative deviation or baseline, or a range or speed not above zero.

    References
    ----------
    The slope of R = √((L/2)² − (b/2)²) over the path L = c · delay.

    Examples
    --------
    >>> bound_s = delay_bound_s(100.0, flat_band_rms_bandwidth_rad_s(4000.0, 12000.0))
    >>> round(range_deviation_m(bound_s, 343.2) * 1e3, 3)  # mm, at 20 dB
    1.183
    """
    require_within("delay_deviation_s", delay_deviation_s, 0, math.inf, "s")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    require_within("baseline_m", baseline_m, 0, math.inf, "m")
    require_within("range_m", range_m, math.nextafter(0, 1), math.inf, "m")
    return sound_speed_m_s / 2 * delay_deviation_s * math.hypot(1, baseline_m / (2 * range_m))


def outlier_probability(d2: float, independent_cells: float) -> float:
    """Chance that the highest envelope of a search stands elsewhere than at the echo.

    The echo's cell is Rice distributed, each other cell Rayleigh. The bound on the
    delay holds only where this is small; where it is not, the threshold region, an
    error is as wide as the search itself.

    Parameters
    ----------
    d2 : float
    independent_cells : float
        Bandwidth times the stretch of delays searched, at least 1. The envelope
        also peaks between such cells, so that the true chance is somewhat larger.

    Raises
    ------
    ValueError
        Where `d2` is negative or there is no cell.

    References
    ----------
    D. C. Rife and R. R. Boorstyn, "Single-tone parameter estimation from
    discrete-time observations", *IEEE Trans. Inf. Theory* 20, 1974, pp. 591–598,
    eq. 36: the same integral (cited from memory).

    Examples
    --------
    A search of 10 ms with 8 kHz, at 10, 15 and 20 dB.

    >>> [round(outlier_probability(10 ** (db / 10), 80.0), 6) for db in (10, 15, 20)]
    [0.423325, 0.00812, 0.0]
    """
    require_within("d2", d2, 0, math.inf)
    require_within("independent_cells", independent_cells, 1, math.inf)
    d = math.sqrt(d2)
    # Beyond 9 from d the Rice density is below 1e-17. In between everything is smooth
    # over 0.3 at the least, so that 200 nodes of Gauss and Legendre give all digits; but at 0,
    # where a share of a cell is a root, which is smooth over the root of r.
    low, high = max(0.0, d - 9), d + 9
    node, weight = gauss_legendre(200)
    root = (node + 1) / 2
    r = low + (high - low) * root**2
    density = r * np.exp(-((r - d) ** 2) / 2) * scipy.special.i0e(r * d)
    below = -np.expm1(-(r**2) / 2)
    above = 1 - below ** (independent_cells - 1)
    return float((high - low) * np.sum(weight * root * density * above))


def detection_probability(d2: float, false_alarm_rate: float) -> float:
    """Chance that an echo's cell exceeds the threshold for a false-alarm rate.

    Raises
    ------
    ValueError
        Where `d2` is negative or the rate not between 0 and 1.

    References
    ----------
    J. I. Marcum, "A statistical theory of target detection by pulsed radar", *IRE
    Trans. Inf. Theory* 6, 1960, pp. 59–267: Q₁(d, threshold).
    """
    require_within("d2", d2, 0, math.inf)
    threshold = false_alarm_threshold(false_alarm_rate)
    return float(1 - scipy.special.chndtr(threshold**2, 2, d2))


def false_alarm_threshold(false_alarm_rate: float) -> float:
    """Envelope threshold over the noise's σ in each of its two parts, √(−2 ln Pfa).

    Times the number of independent cells, the rate is the number of false alarms
    to expect.

    Raises
    ------
    ValueError
        Where the rate is not between 0 and 1.

    References
    ----------
    The envelope of Gaussian noise is Rayleigh distributed: S. O. Rice, "Mathematical
    analysis of random noise", *Bell Syst. Tech. J.* 24, 1945, pp. 46–156.

    Examples
    --------
    >>> round(false_alarm_threshold(1e-6), 3)
    5.257
    """
    require_within("false_alarm_rate", false_alarm_rate, math.nextafter(0, 1), 1)
    return math.sqrt(-2 * math.log(false_alarm_rate))


def resolution_m(bandwidth_hz: float, sound_speed_m_s: float) -> float:
    """Least distance in range at which two echoes still show as two, c / (2B).

    For a tone burst of duration T the band is 1/T.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    P. M. Woodward, *Probability and Information Theory, with Applications to Radar*,
    1953, ch. 7 (cited from memory).

    Examples
    --------
    >>> round(resolution_m(8000.0, 343.2) * 1e3, 2)  # mm
    21.45
    """
    require_positive("bandwidth_hz", bandwidth_hz, "Hz")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    return sound_speed_m_s / (2 * bandwidth_hz)


def blind_zone_m(deaf_s: float, sound_speed_m_s: float, *, baseline_m: float = 0.0) -> float:
    """Range nearer than which the direct sound still covers the echo.

    Parameters
    ----------
    deaf_s : float
        How long the direct sound lasts at the receiver: the burst and its ring-down.
    sound_speed_m_s : float
    baseline_m : float
        From source to receiver.

    Raises
    ------
    ValueError
        On a negative time or baseline, or a speed not above zero.

    References
    ----------
    Geometry: the echo's path is as long as the direct sound's end, b + c · deaf_s.
    """
    require_within("deaf_s", deaf_s, 0, math.inf, "s")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    require_within("baseline_m", baseline_m, 0, math.inf, "m")
    longer_m = sound_speed_m_s * deaf_s
    return math.sqrt(longer_m * (longer_m + 2 * baseline_m)) / 2


def longest_range_m(ping_interval_s: float, sound_speed_m_s: float) -> float:
    """Range from beyond which an echo comes only after the next ping, c · interval / 2.

    An echo from further off shows too near; a room that still rings does the same.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    Common practice, no source.
    """
    require_positive("ping_interval_s", ping_interval_s, "s")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    return sound_speed_m_s * ping_interval_s / 2
