"""What two pulses that take turns heard differently: nothing, where sound went one linear way.

A complementary pair's side lobes cancel in the average of both, if both were changed alike on
their way. What is not linear in the sound, as where a preamplifier cuts loud sound off, or what
is another in each ping, changes the two codes each in its own manner. That leaves side lobes in
their average, as strong as those that it leaves in their difference. In that no echo stands:
each code's compression, filtered by the other's spectrum over the mean of both, is the same. Where
an echo is, and is another in either, as of what has moved a little, its own side lobes stay by as
much as it differs.

References
----------
M. J. E. Golay, "Complementary series", *IRE Trans. Inf. Theory* 7, 1961, pp. 82–87 (from memory):
the two spectra add up to a constant.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import independent_s
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.stretched import no_higher

_LEAST_SHARE = 1e-3
"""Where the two together have less of the strongest frequency, they are not compared."""

_QUANTILE = 0.9
"""Of the power about an echo: what cut waves leave is no noise, and heaps up here and there."""

_QUANTILE_POWER = -math.log(1 - _QUANTILE)  # of Rayleigh's law, over its mean
_QUANTILE_SPREAD = math.sqrt(_QUANTILE / (1 - _QUANTILE)) / _QUANTILE_POWER
"""Of n independent ones, times √n, over itself (M. G. Kendall, *The Advanced Theory of Statistics*
I, 1943, ch. 9, from memory)."""

_CLEARLY = 4.0  # standard deviations by which more than noise is there


@functools.lru_cache(maxsize=16)
def in_the_other(own: EchoShape, other: EchoShape) -> NDArray[np.float32]:
    """Return what makes of a pulse's compression that of both in one, shape (band,).

    Both on one grid.
    """
    both = own.weights + other.weights
    told = both > _LEAST_SHARE * both.max()
    return np.where(told, 2 * other.weights / np.where(told, both, 1.0), 0.0).astype(np.float32)


@functools.lru_cache(maxsize=16)
def noise_over_unlike(one: EchoShape, other: EchoShape) -> float:
    """Return the noise's power in the average of two pulses over that in what they differ by."""
    crossed = one.noise_weights * in_the_other(one, other) ** 2
    crossed += other.noise_weights * in_the_other(other, one) ** 2
    return float((one.noise_weights + other.noise_weights).sum() / crossed.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sounds:
    """Where sounds stand in the average of two pulses, and how strong.

    Attributes
    ----------
    delay_s, amplitude, snr : ndarray of float64, shape (sounds,)
    """

    delay_s: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    snr: NDArray[np.float64]


def among_lobes_of_unlike(
    unlike: NDArray[np.complexfloating],
    one: EchoShape,
    other: EchoShape,
    sounds: Sounds,
    echoes: Sounds,
    *,
    false_alarm_rate: float,
) -> NDArray[np.bool_]:
    """Say which echoes may be side lobes of sounds that are not the same in both pulses.

    What a sound differs by, half of it, leaves half of what the side lobes of the two differ by:
    see `hidden_by_unlike` for what it leaves all about it.

    Parameters
    ----------
    unlike : ndarray of complex, shape (bins,)
    one, other : EchoShape
    sounds, echoes : Sounds
        All that were found, and those that are asked about.
    false_alarm_rate : float
        As for :func:`dsp.ping.pulse.stretched.no_higher`.
    """
    height = float(one.weights @ in_the_other(one, other))
    lobe_bins = math.ceil(one.width_s / one.bin_s / 2)
    cell_s = one.width_s / 4 * np.array([-1.0, 0.0, 1.0])
    hidden = np.zeros(echoes.delay_s.size, dtype=bool)
    for delay_s, amplitude, snr in zip(
        sounds.delay_s.tolist(), sounds.amplitude.tolist(), sounds.snr.tolist(), strict=True
    ):
        place = round(delay_s / one.bin_s)
        about = np.abs(unlike[max(place - lobe_bins, 0) : max(place + lobe_bins + 1, 0)])
        if not about.size:
            continue
        lag_s = (echoes.delay_s - delay_s)[:, np.newaxis] + cell_s
        lobes = np.abs(one.at(lag_s) - other.at(lag_s)).max(axis=1) / 2
        lobes *= float(about.max()) / (height * amplitude)
        lobes[(np.abs(lag_s) >= one.reach_s).any(axis=1)] = 0
        below = echoes.amplitude / amplitude
        hidden |= no_higher(below, lobes, snr=snr, false_alarm_rate=false_alarm_rate)
    return hidden


def hidden_by_unlike(
    unlike: NDArray[np.complexfloating],
    one: EchoShape,
    other: EchoShape,
    echoes: Sounds,
    *,
    false_alarm_rate: float,
) -> NDArray[np.bool_]:
    """Say which echoes are no stronger than what two pulses leave that were changed unlike.

    Parameters
    ----------
    unlike : ndarray of complex, shape (bins,)
        Half of what the two differ by.
    one, other : EchoShape
    echoes : Sounds
    false_alarm_rate : float
        What is left stands above such a threshold as rarely as noise above its own.
    """
    power = np.abs(unlike).astype(np.float64) ** 2
    everywhere = float(np.quantile(power, _QUANTILE))
    # Half of a pulse to each side of an echo.
    reach_bins, cell_bins = math.ceil(one.reach_s / one.bin_s / 2), independent_s(one) / one.bin_s
    noise_share = noise_over_unlike(one, other)
    hidden = np.zeros(echoes.delay_s.size, dtype=bool)
    for echo, place in enumerate(np.rint(echoes.delay_s / one.bin_s).astype(int).tolist()):
        near = power[max(place - reach_bins, 0) : place + reach_bins + 1]
        if near.size < 2 * cell_bins:
            continue
        here = float(np.quantile(near, _QUANTILE))
        spread = _QUANTILE_SPREAD * math.sqrt(cell_bins / near.size)
        if here > (1 + _CLEARLY * spread) * everywhere:
            mean = here / _QUANTILE_POWER * noise_share
            hidden[echo] = echoes.amplitude[echo] ** 2 < -math.log(false_alarm_rate) * mean
    return hidden
