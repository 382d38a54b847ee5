"""What known distances and known targets tell of a bench; fits with their uncertainties."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import read_only, require_positive, require_within
from dsp.goodness import Goodness, goodness
from dsp.physics.levels import transmission_loss_db


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KnownPaths:
    """What echoes from known distances tell.

    Attributes
    ----------
    sound_speed_m_s, u_sound_speed_m_s : float
    time_zero_s, u_time_zero_s : float
        When the pulse left, on the clock of the arrivals: the path's own length taken
        away, so that whatever delay the transducers add is part of it.
    correlation : float
        Of the two, −1 to 1: a speed found too high puts the leaving too late.
    left : Goodness
        What the line leaves over: nothing with two paths, which any line fits.
    residual_s : ndarray of float64, shape (n,)
        Each arrival less the line's.
    """

    sound_speed_m_s: float
    u_sound_speed_m_s: float
    time_zero_s: float
    u_time_zero_s: float
    correlation: float
    left: Goodness
    residual_s: NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "residual_s", read_only(self.residual_s, np.float64))

    @property
    def misfit(self) -> float | None:
        """Root mean square of the residuals over what their uncertainties let expect.

        About 1 where all is well; None with two paths.
        """
        if self.left.degrees_of_freedom < 1:
            return None
        return math.sqrt(self.left.chi_square / self.left.degrees_of_freedom)


def known_paths(
    path_m: ArrayLike, arrival_s: ArrayLike, *, u_path_m: ArrayLike, u_arrival_s: ArrayLike
) -> KnownPaths:
    """Fit sound speed and time zero to echoes from two or more known paths.

    The line arrival = time zero + path / c, each point weighted by what its arrival and
    its path, in time, are unsure by; errors of different points are independent.

    Parameters
    ----------
    path_m : array_like, shape (n,)
        Out and back; at least two that differ.
    arrival_s : array_like, shape (n,)
    u_path_m, u_arrival_s : array_like
        Standard uncertainties; one for all, or one for each.

    Raises
    ------
    ValueError
        Where there are fewer than two different paths, where an uncertainty is negative
        or both are 0 for a point, or where the longer paths do not arrive later.

    References
    ----------
    D. York et al., "Unified equations for the slope, intercept, and standard errors of
    the best straight line", *Am. J. Phys.* 72, 2004, pp. 367–375 (for errors that are not
    correlated within a point; from memory). JCGM 100:2008, H.3.

    Examples
    --------
    Plates at 0.5 and 1.5 m, each taped to 0.5 mm: 0.7 ‰ of sound speed.

    >>> found = known_paths([1.0, 3.0], [0.003, 0.009], u_path_m=1e-3, u_arrival_s=1e-7)
    >>> round(found.sound_speed_m_s, 3), round(found.u_sound_speed_m_s, 3)
    (333.333, 0.236)
    """
    path, arrival = np.asarray(path_m, dtype=np.float64), np.asarray(arrival_s, dtype=np.float64)
    if path.ndim != 1 or path.shape != arrival.shape or np.unique(path).size < 2:
        raise ValueError(
            f"path_m: found {path.tolist()} for arrivals {arrival.tolist()}; "
            "give as many of each, and at least two different paths"
        )
    require_within("u_path_m", u_path_m, 0, math.inf, "m")
    require_within("u_arrival_s", u_arrival_s, 0, math.inf, "s")
    u_path, u_arrival = (
        np.broadcast_to(u_path_m, path.shape),
        np.broadcast_to(u_arrival_s, path.shape),
    )
    slowness = float(np.polyfit(path, arrival, 1)[0])
    weight, best = np.ones(path.size), path
    for _ in range(50):  # York's iteration; in practice three or four rounds
        variance = u_arrival**2 + (slowness * u_path) ** 2
        if not (variance > 0).all():
            raise ValueError("u_path_m, u_arrival_s: both 0 for a point; give one above zero")
        weight = 1 / variance
        x = path - weight @ path / weight.sum()
        y = arrival - weight @ arrival / weight.sum()
        # Each point's best place on its path, between what was taped and what was heard.
        best = weight * (x * u_arrival**2 + slowness * y * u_path**2)
        before, slowness = slowness, float((weight * best) @ y / ((weight * best) @ x))
        if abs(slowness - before) <= 1e-14 * abs(slowness):
            break
    if not slowness > 0:
        raise ValueError(
            f"arrival_s: found {arrival.tolist()} for paths {path.tolist()} m; "
            "a longer path must arrive later: check which echo is which"
        )
    middle_m = float(weight @ path / weight.sum())
    time_zero_s = float(weight @ arrival / weight.sum()) - slowness * middle_m
    adjusted = middle_m + best
    middle_m = float(weight @ adjusted / weight.sum())
    u_slowness = 1 / math.sqrt(float(weight @ (adjusted - middle_m) ** 2))
    u_time_zero = math.hypot(1 / math.sqrt(float(weight.sum())), middle_m * u_slowness)
    residual = arrival - time_zero_s - slowness * path
    return KnownPaths(
        sound_speed_m_s=1 / slowness,
        u_sound_speed_m_s=u_slowness / slowness**2,
        time_zero_s=time_zero_s,
        u_time_zero_s=u_time_zero,
        # Slowness and time zero pull against each other; speed and time zero go together.
        correlation=middle_m * u_slowness / u_time_zero,
        left=goodness(residual, 1 / np.sqrt(weight), fitted=2),
        residual_s=residual,
    )


def source_level_db(
    echo_level_db: float,
    target_strength_db: float,
    range_m: float,
    *,
    absorption_db_m: float = 0.0,
    u_echo_level_db: float,
    u_target_strength_db: float,
    u_range_m: float,
) -> tuple[float, float]:
    """Return the pulse's level at 1 m from the echo of a target of known strength.

    In the reference of the echo's level: dB re full scale, say, at the microphone. It
    holds the loudspeaker, the microphone and their gains together.

    Returns
    -------
    level_db, u_level_db : float

    Raises
    ------
    ValueError
        As :func:`dsp.physics.levels.transmission_loss_db`, or on a negative uncertainty.

    References
    ----------
    K. G. Foote et al., *Calibration of acoustic instruments for fish density estimation:
    a practical guide*, ICES Coop. Res. Rep. 144, 1987: the standard-target method (cited
    from memory).

    Examples
    --------
    A ball of 20 mm radius 1 m away, heard at −50 dB: −10 dB at 1 m.

    >>> level, u = source_level_db(-50.0, -40.0, 1.0, u_echo_level_db=0.1,
    ...     u_target_strength_db=0.5, u_range_m=0.001)
    >>> round(level, 2), round(u, 2)
    (-10.0, 0.51)
    """
    require_within("u_echo_level_db", u_echo_level_db, 0, math.inf, "dB")
    require_within("u_target_strength_db", u_target_strength_db, 0, math.inf, "dB")
    require_within("u_range_m", u_range_m, 0, math.inf, "m")
    loss_db = float(transmission_loss_db(range_m, absorption_db_m, ways=2))
    per_m = 40 / math.log(10) / range_m + 2 * absorption_db_m
    u_db = math.hypot(u_echo_level_db, u_target_strength_db, per_m * u_range_m)
    return echo_level_db + loss_db - target_strength_db, u_db


@dataclass(frozen=True, slots=True, kw_only=True)
class RingDown:
    """How a source rings on.

    Attributes
    ----------
    decay_s, u_decay_s : float
        Time in which its amplitude falls to 1/e.
    deaf_s : float
        From the start of the profile until it has sunk into the noise, or an echo
        stands above it.
    """

    decay_s: float
    u_decay_s: float
    deaf_s: float


def ring_down(
    magnitude: NDArray[np.floating],
    floor: NDArray[np.floating],
    *,
    bin_s: float,
    window_bins: int,
) -> RingDown | None:
    """Fit an even decay to the start of a profile.

    Parameters
    ----------
    magnitude : ndarray, shape (bins,)
        Of the envelope, from just behind the direct sound's own main lobe on.
    floor : ndarray, shape (bins,)
        Magnitude that noise and the direct sound's own side lobes come to; above zero.
    bin_s : float
    window_bins : int
        Averaged before the fit: as many as an echo is wide.

    Returns
    -------
    RingDown or None
        None where fewer than four windows stand 10 dB above the floor before the
        first that rises: there is nothing to fit.

    Raises
    ------
    ValueError
        Where an argument is not above zero.
    """
    require_positive("bin_s", bin_s, "s")
    require_positive("floor", floor)
    require_positive("window_bins", window_bins)
    windows = magnitude.size // window_bins
    rows = np.stack([magnitude, floor])[:, : windows * window_bins].astype(np.float64) ** 2
    power, floor_power = rows.reshape(2, windows, window_bins).mean(axis=2)
    clear = power > 10 * floor_power
    falling = np.ones(windows, dtype=bool)
    falling[1:] = power[1:] < 1.26 * power[:-1]  # 1 dB: a decay in noise need not be smooth
    whole = clear & falling
    end = windows if whole.all() else int(np.argmin(whole))
    if end < 4:
        return None
    time_s = (np.arange(end) + 0.5) * window_bins * bin_s
    log_power = np.log(power[:end] - floor_power[:end])
    middle_s = time_s.mean()
    spread = float(((time_s - middle_s) ** 2).sum())
    slope = float((time_s - middle_s) @ log_power) / spread
    if not slope < 0:
        return None
    residual = log_power - log_power.mean() - slope * (time_s - middle_s)
    u_slope = math.sqrt(float(residual @ residual) / (end - 2) / spread)
    decay_s = -2 / slope
    return RingDown(
        decay_s=decay_s,
        u_decay_s=decay_s * u_slope / -slope,
        deaf_s=end * window_bins * bin_s,
    )


def crosstalk(
    heard: NDArray[np.floating], pulse_start: NDArray[np.complexfloating], *, noise_rms: float
) -> tuple[float, float]:
    """Return how much of the pulse the receiver hears by wire, before any sound can come.

    The pulse's own first samples, in any phase, fitted to what was heard between its
    leaving and the arrival of the direct sound.

    Parameters
    ----------
    heard : ndarray, shape (samples,)
        From the leaving on.
    pulse_start : ndarray of complex, shape (samples,)
        The pulse's analytic signal from its own start on.
    noise_rms : float
        Of a sample of `heard`.

    Returns
    -------
    amplitude, u_amplitude : float
        Relative to full scale; less than three times its uncertainty is none.

    Raises
    ------
    ValueError
        Where fewer than four samples are left to tell, or the pulse has hardly begun.
    """
    require_within("noise_rms", noise_rms, 0, math.inf)
    if heard.size < 4 or heard.shape != pulse_start.shape:
        raise ValueError(
            f"heard: found {heard.shape} for a pulse's start of {pulse_start.shape}; give as many "
            "samples of each, and at least four before the direct sound"
        )
    parts = np.stack([pulse_start.real, pulse_start.imag], axis=1).astype(np.float64)
    normal = parts.T @ parts
    if np.linalg.cond(normal) > 1e6:
        raise ValueError("pulse_start: no amplitude and phase can be told from so few samples")
    covariance = np.linalg.inv(normal)
    found = covariance @ (parts.T @ np.asarray(heard, dtype=np.float64))
    # Half of the two parts' variance lies along the amplitude, whatever the phase.
    u_amplitude = noise_rms * math.sqrt(float(np.trace(covariance)) / 2)
    return float(np.hypot(*found)), u_amplitude
