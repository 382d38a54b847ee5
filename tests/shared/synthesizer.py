"""Sound as it would be recorded, made without any code of the program.

Pulses are written from their formulas, put on a fine grid by SciPy's Fourier resampling, and
read between its points by SciPy's cubic spline: at 16 points a sample the spline errs by less
than 1e-6 for all that is made here. Delays are exact: the instant at which a sound left is
solved for each sample, with the body where it then was.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import windows

Array = NDArray[np.float64]
Way = Callable[[Array], Array]
"""Length of the way out and back, m, for a body that is met at these times, s."""

RATE_HZ = 48_000.0
SPEED_M_S = 343.98688734488263
"""In air at 20 °C and 50 %, as the program's own answer states it: what it believes."""
_FINER = 16
_ROOM = 1024
"""Samples around a pulse in which a filter may ring."""

BARKER = (1, 1, 1, 1, 1, -1, -1, 1, 1, -1, 1, -1, 1)


def chirp(start_hz: float, stop_hz: float, duration_s: float) -> Array:
    """A linear chirp whose ends a Tukey window of 0.1 rounds."""
    t = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    phase = 2 * np.pi * (start_hz * t + (stop_hz - start_hz) / duration_s * t**2 / 2)
    made: Array = windows.tukey(t.size, 0.1) * np.sin(phase)
    return made


def tone(centre_hz: float, duration_s: float) -> Array:
    """A tone, its ends rounded alike."""
    t = np.arange(round(duration_s * RATE_HZ)) / RATE_HZ
    made: Array = windows.tukey(t.size, 0.1) * np.sin(2 * np.pi * centre_hz * t)
    return made


def coded(code: tuple[int, ...], centre_hz: float, chip_samples: int) -> Array:
    """A tone whose phase flips by a code."""
    flips = np.repeat(np.array(code, dtype=float), chip_samples)
    made: Array = flips * np.sin(2 * np.pi * centre_hz * np.arange(flips.size) / RATE_HZ)
    return made


def golay(doublings: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """A complementary pair (Golay, 1961): (a, b) becomes (a b, a −b)."""
    a, b = (1,), (1,)
    for _ in range(doublings):
        a, b = a + b, a + tuple(-x for x in b)
    return a, b


class Voice:
    """A pulse as a continuous sound, through a filter if one is given."""

    def __init__(self, pulse: Array, response: Callable[[Array], NDArray] | None = None) -> None:
        padded = np.zeros(1 << (pulse.size + 2 * _ROOM).bit_length())
        padded[_ROOM : _ROOM + pulse.size] = pulse
        spectrum = np.fft.rfft(padded)
        if response is not None:
            spectrum *= response(np.fft.rfftfreq(padded.size, 1 / RATE_HZ))
        fine = np.fft.irfft(spectrum, padded.size * _FINER) * _FINER
        at_s = (np.arange(fine.size) / _FINER - _ROOM) / RATE_HZ
        self._spline = CubicSpline(at_s, fine)
        self.begin_s, self.end_s = float(at_s[0]), float(at_s[-1])

    def __call__(self, left_s: Array) -> Array:
        """What is sent at these times from its first sample on; 0 outside."""
        within = (left_s >= self.begin_s) & (left_s <= self.end_s)
        sent: Array = np.where(within, self._spline(np.where(within, left_s, 0.0)), 0.0)
        return sent


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """One way from the source to the receiver."""

    voices: tuple[Voice, ...]
    way: Way
    amplitude: Callable[[float], float]
    """By when it is sent, s."""


def recorded(
    sounds: list[Sound],
    *,
    pings: int,
    interval_s: float,
    first_s: float,
    speed_m_s: Callable[[float, float], float],
) -> Array:
    """Sum what is heard of all pings, the first of which leaves `first_s` into the record.

    The sound speed is asked for by when a ping is sent, from the first on, and by the way's length.
    """
    interval = round(interval_s * RATE_HZ)
    heard = np.zeros(round(first_s * RATE_HZ) + (pings + 1) * interval)
    for ping in range(pings):
        sent_s = first_s + ping * interval / RATE_HZ
        for sound in sounds:
            voice = sound.voices[ping % len(sound.voices)]
            length_m = float(sound.way(np.array([sent_s - first_s]))[0])
            speed = speed_m_s(sent_s - first_s, length_m)
            due_s = sent_s + length_m / speed
            begin = max(0, math.floor((due_s + voice.begin_s) * RATE_HZ))
            end = min(heard.size, math.ceil((due_s + voice.end_s) * RATE_HZ) + 8)
            at_s = np.arange(begin, end) / RATE_HZ
            # Met half way back from when it is heard; three rounds leave (v/c)³ of the way.
            way_m = np.full(at_s.size, length_m)
            for _ in range(3):
                way_m = sound.way(at_s - way_m / (2 * speed) - first_s)
            heard[begin:end] += sound.amplitude(sent_s - first_s) * voice(
                at_s - way_m / speed - sent_s
            )
    return heard
