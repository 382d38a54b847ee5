"""Levels on the way out and back, and how far an echo will stand above the noise."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within


def transmission_loss_db(
    range_m: ArrayLike, absorption_db_m: float = 0.0, *, ways: int = 1
) -> NDArray[np.float64]:
    """Level lost from 1 m to a range: spherical spreading and absorption, dB.

    Parameters
    ----------
    range_m : array_like
    absorption_db_m : float
        As :mod:`dsp.physics.absorption` gives it.
    ways : {1, 2}
        1 for the way out; 2 for out and back, which is 12 dB for each doubling.

    Returns
    -------
    ndarray of float64, the shape of `range_m`
        Negative nearer than 1 m.

    Raises
    ------
    ValueError
        Where the range is not above zero, the absorption negative, or `ways` neither.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, eq. 5.2 and 5.3
    (cited from memory).

    Examples
    --------
    >>> transmission_loss_db([1.0, 2.0, 4.0], ways=2).round(2).tolist()
    [0.0, 12.04, 24.08]
    """
    require_positive("range_m", range_m, "m")
    require_within("absorption_db_m", absorption_db_m, 0, math.inf, "dB/m")
    if ways not in (1, 2):
        raise ValueError(f"ways: found {ways!r}; give 1 or 2")
    r = np.asarray(range_m, dtype=np.float64)
    return np.asarray(ways * (20 * np.log10(r) + absorption_db_m * r))


def echo_level_db(
    source_level_db: float,
    target_strength_db: ArrayLike,
    range_m: ArrayLike,
    *,
    absorption_db_m: float = 0.0,
    two_way_beam_db: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Level of an echo at the receiver, in the source level's own reference.

    Parameters
    ----------
    source_level_db : float
        Level that the receiver would show of the pulse itself, on the axis at 1 m;
        dB re full scale, say.
    target_strength_db : array_like
        dB re 1 m², from :mod:`dsp.physics.targets`.
    range_m : array_like
        From a source and receiver that stand together.
    absorption_db_m : float
    two_way_beam_db : array_like
        What the beam takes off the axis, both ways together; at most 0.

    Returns
    -------
    ndarray of float64, the shape of the arguments broadcast

    Raises
    ------
    ValueError
        As :func:`transmission_loss_db`.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, ch. 2: the active
    sonar equation (cited from memory).
    """
    loss_db = transmission_loss_db(range_m, absorption_db_m, ways=2)
    gain_db = np.asarray(target_strength_db, dtype=np.float64) + np.asarray(two_way_beam_db)
    return np.asarray(source_level_db - loss_db + gain_db)


def energy_to_noise(
    amplitude: ArrayLike, pulse_energy: float, noise_rms: float
) -> NDArray[np.float64]:
    """Return d² = 2E/N₀ of an echo in white noise: what a matched filter makes of it.

    Parameters
    ----------
    amplitude : array_like
        Of the echo, re full scale: the received samples are it times the pulse's.
    pulse_energy : float
        Sum of the squares of the pulse's samples.
    noise_rms : float
        RMS of each noise sample, re full scale; white up to half the sample rate.

    Returns
    -------
    ndarray of float64, the shape of `amplitude`
        A power ratio: amplitude² · pulse_energy / noise_rms².

    Raises
    ------
    ValueError
        Where the pulse's energy or the noise is not above zero.

    References
    ----------
    G. L. Turin, "An introduction to matched filters", *IRE Trans. Inf. Theory* 6,
    1960, pp. 311–329: the output's peak signal-to-noise ratio is 2E/N₀ whatever the
    pulse's form. Samples at a rate r have N₀ = 2 · noise_rms² / r and
    E = amplitude² · pulse_energy / r.

    Examples
    --------
    A 10 ms pulse at 48 kHz, an echo 20 dB below the noise: still 3.8 dB above it.

    >>> (10 * np.log10(energy_to_noise(0.01, 240.0, 0.1))).round(1).item()
    3.8
    """
    require_positive("pulse_energy", pulse_energy)
    require_positive("noise_rms", noise_rms)
    return np.asarray(np.asarray(amplitude, dtype=np.float64) ** 2 * pulse_energy / noise_rms**2)
