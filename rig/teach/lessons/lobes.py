"""The mark that one echo leaves: how long it is, and what stands beside it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.ping.pulse.echo_shape import EchoShape, turning_sums
from dsp.ping.pulse.peaks import interpolated
from dsp.ping.pulse.profiles import EchoProfile
from rig.errors import NotHeardError
from rig.run.results import Echo
from rig.teach.lessons.lesson import StepHeard


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """How long an echo's mark is, out and back.

    Attributes
    ----------
    length_m, u_length_m : float
        In range, from edge to edge; its standard uncertainty by noise alone.
    """

    length_m: float
    u_length_m: float


def envelope_at(heard: StepHeard, delay_s: ArrayLike) -> NDArray[np.complex128]:
    """Return what all of a step's pings together show between the bins, less the direct sound.

    The side lobes of the direct sound reach as far as the pulse is long, and lie under those
    of a far weaker echo.

    Parameters
    ----------
    heard : StepHeard
    delay_s : array_like, any shape
        From the pulse's leaving.

    Raises
    ------
    NotHeardError
        Where no ping is good.
    """
    profile = heard.run.measurement.profile
    if profile is None:
        raise NotHeardError(f"step {heard.step.name}: found no good ping; look at the direct sound")
    shape = heard.receiver.shape
    return interpolated(
        profile.envelope - _direct(heard, profile),
        np.asarray(delay_s, dtype=np.float64) / profile.bin_s,
        centre_turns=(shape.centre_hz - shape.carrier_hz) * profile.bin_s,
    )


def _direct(heard: StepHeard, profile: EchoProfile) -> NDArray[np.complex64]:
    """Return the direct sound's share of an envelope: a copy of the pulse where it is heard."""
    last, shape = heard.run.last, heard.receiver.shape
    bins = profile.envelope.size
    travel_s = heard.plan.geometry.baseline_m / heard.receiver.sound_speed_m_s
    zero = None if last is None else last.time_zero
    if zero is None or zero.method != "direct":
        return np.zeros(bins, dtype=np.complex64)
    return np.asarray(np.float32(zero.amplitude) * shape.at_bins(travel_s, bins))


def mark_of(heard: StepHeard, echo: Echo, *, level: float) -> Mark:
    """Measure how long an echo's mark is at a share of its amplitude.

    Parameters
    ----------
    heard : StepHeard
    echo : Echo
        Of all the step's pings added up.
    level : float
        0.5 for half of its amplitude, √½ for half of its power.

    Raises
    ------
    NotHeardError
        Where the mark runs into another.

    Notes
    -----
    Each edge moves by the noise there, less `level` times the noise at the peak, over
    the slope. That noise is alike over a stretch as the compressed noise is.
    """
    shape, speed = heard.receiver.shape, heard.receiver.sound_speed_m_s
    lag_s = np.linspace(0.0, 3.0 * shape.width_s, 1201)
    peak = abs(complex(envelope_at(heard, echo.delay_s)))
    edges_s, slopes = [], []
    for side in (-1.0, 1.0):
        amplitude = np.abs(envelope_at(heard, echo.delay_s + side * lag_s)) / peak
        beyond = np.flatnonzero(amplitude < level)
        if beyond.size == 0:
            raise NotHeardError(
                f"step {heard.step.name}: found no end of the mark at {echo.range_m:.2f} m; take "
                "away what stands near the target"
            )
        k = int(beyond[0])
        slope = (amplitude[k] - amplitude[k - 1]) / (lag_s[k] - lag_s[k - 1])
        edges_s.append(lag_s[k] + (level - amplitude[k]) / slope)
        slopes.append(abs(slope))
    width_s, slope = sum(edges_s), float(np.mean(slopes))
    alike_width, alike_edge = noise_alike(shape, np.array([width_s, width_s / 2]))
    spread = max(2 + 2 * alike_width + 4 * level**2 - 8 * level * alike_edge, 0.0)
    u_width_s = u_amplitude(shape, echo) * math.sqrt(spread) / slope
    return Mark(length_m=speed / 2 * width_s, u_length_m=speed / 2 * u_width_s)


def noise_alike(shape: EchoShape, lag_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how alike compressed noise is after a lag: 1 at once, near 0 far apart."""
    mean_hz = float(shape.noise_weights @ shape.offset_hz)
    sums = turning_sums(lag_s, shape.noise_weights, step_hz=float(shape.offset_hz[1]))
    return np.asarray((sums * np.exp(-2j * np.pi * mean_hz * lag_s)).real)


def u_amplitude(shape: EchoShape, echo: Echo) -> float:
    """Return what noise leaves an echo's amplitude unsure by, as a share of it."""
    return float(10 ** (-echo.snr_db / 20)) / math.sqrt(shape.efficiency)
