"""Sound slowed so that ears keep up: an echo a few milliseconds late becomes one that is heard.

Slowing is a lower speed of play, as of a tape: times grow by the factor, and every
frequency falls by it. A way that stretches time and keeps the pitch would have to cut the
sound into grains longer than the echoes' own spacing, and smear what is to be heard. The
pitch can be moved all the same: all frequencies are shifted by one amount, after slowing,
which leaves every delay and every envelope as it is.
"""

from __future__ import annotations

import math

import numpy as np
import scipy
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within

_AT_ONCE = 1 << 18
"""Samples made at a time; bounds the memory, and the angles that are to be exact."""


def slowed(
    samples: ArrayLike,
    *,
    sample_rate_hz: float,
    factor: float,
    heard_rate_hz: float,
    shift_hz: float = 0.0,
    carrier_hz: float = 0.0,
    zone: int = 0,
) -> NDArray[np.float64]:
    """Play samples at 1/`factor` of their speed, and sample what is heard anew.

    Parameters
    ----------
    samples : array_like, shape (samples,)
        Real sound, or a complex envelope about `carrier_hz`. Its ends should run out to
        nothing (:func:`faded`).
    sample_rate_hz : float
        Of `samples`.
    factor : float
        At least 1; any, whole or not.
    heard_rate_hz : float
        Of what is returned.
    shift_hz : float
        Added to each frequency once it is slowed: f becomes f / factor + shift.
    carrier_hz : float
        Of an envelope: the sampled frequency that stands at 0. Of real sound it is 0.
    zone : int
        In which half of the sample rate, counted from 0, the sound truly lies: above 0
        where a converter without a filter has folded it. It is heard where it truly lay.

    Returns
    -------
    ndarray of float64, shape (heard samples,)
        Sample m is what the one curve through all samples that has no frequency above half
        their rate is at m / (factor · heard_rate_hz) after the first: exact for any factor,
        to rounding, and with the samples taken to repeat. What would be heard below 0 or
        above half of `heard_rate_hz` is left out, and with it a constant.

    Raises
    ------
    ValueError
        On a factor below 1, rates not above zero, a negative zone, or samples that are not
        one row of finite numbers.

    References
    ----------
    L. R. Rabiner, R. W. Schafer and C. M. Rader, "The chirp z-transform algorithm", *IEEE
    Trans. Audio Electroacoust.* 17, 1969, pp. 86–92: the sum over frequencies at any
    spacing in time.

    Examples
    --------
    A tone of 1 kHz played ten times as slowly is one of 100 Hz.

    >>> tone = np.sin(2 * np.pi * 1000 * np.arange(480) / 48000)
    >>> heard = slowed(tone, sample_rate_hz=48000, factor=10, heard_rate_hz=48000)
    >>> heard.size, int(np.abs(np.fft.rfft(heard)).argmax() * 48000 / heard.size)
    (4800, 100)
    """
    given = np.asarray(samples)
    if given.ndim != 1 or not given.size or not np.isfinite(given).all():
        raise ValueError(
            f"samples: found shape {given.shape}; give one row of samples, each of them a number"
        )
    require_positive("sample_rate_hz", sample_rate_hz, "Hz")
    require_positive("heard_rate_hz", heard_rate_hz, "Hz")
    require_within("factor", factor, 1, math.inf)
    require_within("zone", zone, 0, 1 << 20)
    bin_hz = sample_rate_hz / given.size
    spectrum, place = _spectrum(given)
    true_hz = carrier_hz + place * bin_hz
    whole_hz = ((zone + 1) // 2) * sample_rate_hz
    if zone % 2:  # folded back: the highest has become the lowest
        true_hz, spectrum = whole_hz - true_hz, np.conj(spectrum)
        true_hz, spectrum = true_hz[::-1], spectrum[::-1]
    else:
        true_hz = whole_hz + true_hz
    heard_hz = true_hz / factor + shift_hz
    kept = (heard_hz > 0) & (heard_hz < heard_rate_hz / 2)
    heard_samples = math.ceil(given.size / sample_rate_hz * factor * heard_rate_hz - 1e-6)
    if not kept.any():
        return np.zeros(heard_samples)
    return _sum_of_tones(
        spectrum[kept] / given.size,
        float(heard_hz[kept][0]) / heard_rate_hz,
        bin_hz / factor / heard_rate_hz,
        heard_samples,
    )


def _spectrum(samples: NDArray[np.generic]) -> tuple[NDArray[np.complex128], NDArray[np.float64]]:
    """Return the bins that make the sound as their real part, and their places."""
    if np.iscomplexobj(samples):
        spectrum = scipy.fft.fft(samples.astype(np.complex128))
        return spectrum, np.arange(samples.size, dtype=np.float64)
    spectrum = scipy.fft.rfft(samples.astype(np.float64))
    spectrum *= 2  # for the negative frequencies, which are not summed
    if samples.size % 2 == 0:
        spectrum[-1] /= 2
    spectrum[0] = 0
    return spectrum, np.arange(spectrum.size, dtype=np.float64)


def _sum_of_tones(
    tones: NDArray[np.complex128], first_turns: float, step_turns: float, samples: int
) -> NDArray[np.float64]:
    """Add up tones of evenly spaced frequencies, given in turns a sample; the real part.

    With 2 k m = k² + m² − (m − k)² the sum over tones k at sample m is a convolution.
    """
    at_once = min(samples, _AT_ONCE)
    length = scipy.fft.next_fast_len(tones.size + at_once - 1, real=False)
    square = np.arange(max(tones.size, at_once), dtype=np.float64) ** 2
    # Angles are reduced to one turn while they are exact: a power of e^(i…) loses digits.
    chirp = np.exp(2j * np.pi * (step_turns / 2 * square % 1.0))
    lags = np.zeros(length, dtype=np.complex128)
    lags[:at_once] = np.conj(chirp[:at_once])
    lags[length - tones.size + 1 :] = np.conj(chirp[1 : tones.size])[::-1]
    convolve = scipy.fft.fft(lags)
    turns = first_turns + step_turns * np.arange(tones.size)
    out = np.empty(samples)
    for start in range(0, samples, at_once):
        begun = tones * np.exp(2j * np.pi * (turns * start % 1.0)) * chirp[: tones.size]
        part = scipy.fft.ifft(scipy.fft.fft(begun, length) * convolve)[:at_once]
        part *= chirp[:at_once] * np.exp(2j * np.pi * (first_turns * np.arange(at_once) % 1.0))
        stop = min(start + at_once, samples)
        out[start:stop] = part.real[: stop - start]
    return out


def faded(samples: ArrayLike, *, rise: int, fall: int) -> NDArray[np.float64]:
    """Return samples that rise out of silence and fall back to it, so that no end clicks.

    Parameters
    ----------
    samples : array_like, shape (samples,)
    rise, fall : int
        Samples that the first and the last raised half cosine take.

    Raises
    ------
    ValueError
        Where the two are negative or do not fit into the samples.
    """
    given = np.array(samples, dtype=np.float64)
    if rise < 0 or fall < 0 or rise + fall > given.size:
        raise ValueError(
            f"rise and fall: found {rise} and {fall}; give at most {given.size} samples together"
        )
    given[:rise] *= _half_cosine(rise)
    given[given.size - fall :] *= _half_cosine(fall)[::-1]
    return given


def _half_cosine(samples: int) -> NDArray[np.float64]:
    return np.asarray(0.5 - 0.5 * np.cos(np.pi * np.arange(samples) / max(samples, 1)))


def evened(samples: ArrayLike, *, window: int) -> NDArray[np.float64]:
    """Bring loud and soft closer: what differs by 20 dB comes to differ by 10.

    The gain follows the loudness about each sample evenly before and after it, so that
    nothing is moved in time; what is softer than 80 dB below the loudest is lifted no more.

    Parameters
    ----------
    samples : array_like, shape (samples,)
    window : int
        Samples over which loudness is taken, weighted by a raised cosine: about the
        length of a pulse. At least 1.

    Returns
    -------
    ndarray of float64, shape (samples,)

    Raises
    ------
    ValueError
        On a window below 1.
    """
    if window < 1:
        raise ValueError(f"window: found {window}; give at least 1 sample")
    given = np.asarray(samples, dtype=np.float64)
    weight = np.sin(np.pi * (np.arange(window) + 0.5) / window) ** 2
    power = scipy.signal.fftconvolve(given**2, weight / weight.sum(), mode="full")
    loudness = np.sqrt(np.maximum(power[(window - 1) // 2 :][: given.size], 0.0))
    top = float(loudness.max())
    if top == 0:
        return given.copy()
    return np.asarray(given / np.sqrt(np.maximum(loudness / top, 1e-4)))
