"""What is sent: tone burst, linear chirp, Barker-13, Golay pair, ringing burst.

Each function returns a :class:`Pulse`: the samples with a peak of at most 1, the
rate they were made for, and the band they were meant to fill. Sample ``n`` stands
at time ``n / sample_rate_hz``; a pulse has ``round(duration_s * sample_rate_hz)``
samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

BARKER_13 = (1, 1, 1, 1, 1, -1, -1, 1, 1, -1, 1, -1, 1)
"""The longest known Barker code: aperiodic side lobes of at most 1 against a peak
of 13, that is −22.28 dB.

References
----------
R. H. Barker, "Group synchronizing of binary digital systems", in *Communication
Theory*, ed. W. Jackson, 1953, pp. 273–287 (cited from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pulse:
    """A pulse, ready to be sent and compressed against.

    Attributes
    ----------
    samples : ndarray of float32, shape (samples,)
        Peak at most 1. Held as a read-only copy.
    sample_rate_hz : float
    band_hz : tuple of float
        Lowest and highest frequency of the band that the pulse was made to fill.
    """

    samples: NDArray[np.float32]
    sample_rate_hz: float
    band_hz: tuple[float, float]

    def __post_init__(self) -> None:
        samples = np.array(self.samples, dtype=np.float32)
        if samples.ndim != 1 or samples.size == 0:
            raise ValueError(f"samples: found shape {samples.shape}; give one row of samples")
        if not np.isfinite(samples).all() or not samples.any():
            raise ValueError("samples: not finite, or all zero; give the samples of a pulse")
        samples.setflags(write=False)
        object.__setattr__(self, "samples", samples)
        low, high = self.band_hz
        if not 0 <= low < high <= self.sample_rate_hz / 2:
            raise ValueError(
                f"band_hz: found {low:g} to {high:g} Hz; give a band within "
                f"0 to {self.sample_rate_hz / 2:g} Hz, half of the sample rate"
            )

    @property
    def duration_s(self) -> float:
        """From the first sample to one sample past the last."""
        return self.samples.size / self.sample_rate_hz

    @property
    def centre_hz(self) -> float:
        """Middle of the band."""
        return sum(self.band_hz) / 2

    @property
    def bandwidth_hz(self) -> float:
        """Width of the band."""
        return self.band_hz[1] - self.band_hz[0]


def taper_window(samples: int, taper: str, fraction: float = 0.1) -> NDArray[np.float64]:
    """Return the window that rounds a pulse's ends.

    Parameters
    ----------
    samples : int
    taper : {"none", "tukey", "hann"}
    fraction : float
        Share of the pulse that "tukey" rounds, both ends together.

    Returns
    -------
    ndarray of float64, shape (samples,)
        From 0 to 1, symmetric; equal to ``scipy.signal.windows.tukey``.

    References
    ----------
    F. J. Harris, "On the use of windows for harmonic analysis with the discrete
    Fourier transform", *Proc. IEEE* 66, 1978, p. 51, eq. 38.
    """
    if taper not in ("none", "tukey", "hann"):
        raise ValueError(f'taper: found {taper!r}; give "none", "tukey" or "hann"')
    if not 0 <= fraction <= 1:
        raise ValueError(f"fraction: found {fraction:g}; give 0 to 1")
    share = {"none": 0.0, "tukey": fraction, "hann": 1.0}[taper]
    window = np.ones(samples)
    if share == 0 or samples < 2:
        return window
    # By hand: SciPy's own gives the same pulses to the bit, and takes 0.7 s to load.
    # Distance from the nearer end, as a share of the rounded stretch.
    n = np.arange(samples)
    edge = np.minimum(n, samples - 1 - n) / (share * (samples - 1) / 2)
    rounded = edge < 1
    window[rounded] = 0.5 - 0.5 * np.cos(np.pi * edge[rounded])
    return window


def tone_burst(
    centre_hz: float,
    duration_s: float,
    sample_rate_hz: float,
    *,
    taper: str = "tukey",
    taper_fraction: float = 0.1,
) -> Pulse:
    """Make a burst of one frequency, starting at a zero crossing.

    Its band is taken between the first nulls of an untapered burst's spectrum,
    ``centre_hz ± 1 / duration_s``, as far as it lies above 0.

    Raises
    ------
    ValueError
        Where the band would reach above half the sample rate, or the centre is not
        above 0.
    """
    t = _times(duration_s, sample_rate_hz)
    samples = taper_window(t.size, taper, taper_fraction) * np.sin(2 * np.pi * centre_hz * t)
    half = 1 / duration_s
    return _pulse(samples, sample_rate_hz, centre_hz - half, centre_hz + half)


def chirp_phase_rad(
    t_s: NDArray[np.float64], start_hz: float, stop_hz: float, duration_s: float
) -> NDArray[np.float64]:
    """Phase of a linear chirp at the times `t_s`.

    Its derivative over 2π runs from `start_hz` at 0 to `stop_hz` at `duration_s`.
    """
    rate_hz_s = (stop_hz - start_hz) / duration_s
    return 2 * np.pi * (start_hz * t_s + rate_hz_s * t_s**2 / 2)


def linear_chirp(
    start_hz: float,
    stop_hz: float,
    duration_s: float,
    sample_rate_hz: float,
    *,
    taper: str = "tukey",
    taper_fraction: float = 0.1,
) -> Pulse:
    """Make a tone that slides evenly from `start_hz` to `stop_hz`.

    Compressed, it tells apart echoes c / (2B) in range, B being the band swept,
    whatever its length.

    Raises
    ------
    ValueError
        Where a frequency is negative or lies above half the sample rate.

    References
    ----------
    J. R. Klauder et al., "The theory and design of chirp radars", *Bell Syst.
    Tech. J.* 39, 1960, pp. 745–808.

    Examples
    --------
    >>> chirp = linear_chirp(4000.0, 12000.0, 0.010, 48000.0)
    >>> chirp.samples.size, chirp.bandwidth_hz
    (480, 8000.0)
    """
    if min(start_hz, stop_hz) < 0:
        raise ValueError(f"start_hz, stop_hz: found {start_hz:g}, {stop_hz:g}; give 0 or more")
    t = _times(duration_s, sample_rate_hz)
    phase = chirp_phase_rad(t, start_hz, stop_hz, duration_s)
    samples = taper_window(t.size, taper, taper_fraction) * np.sin(phase)
    return _pulse(samples, sample_rate_hz, min(start_hz, stop_hz), max(start_hz, stop_hz))


def barker13(centre_hz: float, chip_s: float, sample_rate_hz: float) -> Pulse:
    """Make a tone whose phase flips by the Barker code of 13 chips.

    Its band is ``centre_hz ± 1 / chip_s``, between the first nulls of a chip.
    """
    return _coded(np.array(BARKER_13), centre_hz, chip_s, sample_rate_hz)


def golay_codes(chips: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return two codes of ±1 whose aperiodic autocorrelations add up to a single peak.

    Parameters
    ----------
    chips : int
        Length of each; a power of two, at least 2.

    References
    ----------
    M. J. E. Golay, "Complementary series", *IRE Trans. Inf. Theory* 7, 1961,
    pp. 82–87: from a pair (a, b) the pair (ab, a−b) follows by joining.

    Examples
    --------
    >>> a, b = golay_codes(4)
    >>> (np.correlate(a, a, "full") + np.correlate(b, b, "full")).tolist()
    [0, 0, 0, 8, 0, 0, 0]
    """
    if chips < 2 or chips & (chips - 1):
        raise ValueError(f"chips: found {chips}; give a power of two, at least 2")
    a, b = np.array([1]), np.array([1])
    while a.size < chips:
        a, b = np.concatenate([a, b]), np.concatenate([a, -b])
    return a, b


def golay_pair(
    centre_hz: float, chip_s: float, chips: int, sample_rate_hz: float
) -> tuple[Pulse, Pulse]:
    """Make two phase-coded pulses to send in turn; their compressed side lobes cancel."""
    a, b = golay_codes(chips)
    return (
        _coded(a, centre_hz, chip_s, sample_rate_hz),
        _coded(b, centre_hz, chip_s, sample_rate_hz),
    )


RING_OUT = 9.0
"""A ringing burst is followed for so many time constants after its drive ends: two
resonators in a row have then fallen to (1 + 9)e⁻⁹ = 0.12 % of their amplitude."""


def ringing_burst(
    centre_hz: float, cycles: int, ring_s: float, sample_rate_hz: float, *, folded: bool = False
) -> Pulse:
    """Make a burst as a pair of equal resonant transducers passes it on.

    Each of the two is a resonator at `centre_hz` whose ringing falls to 1/e in
    `ring_s`; a step of the drive comes out with the envelope 1 − (1 + t/τ)e^(−t/τ).
    The pulse is evaluated at the true sample instants, whatever the rate. Its band
    is ``centre_hz ± centre_hz / cycles``, between the first nulls of the drive.

    Parameters
    ----------
    centre_hz : float
    cycles : int
        Whole cycles of the drive.
    ring_s : float
        Time constant τ of either transducer.
    sample_rate_hz : float
    folded : bool
        For a converter without a filter ahead of it, which samples a band that
        lies between two neighbouring multiples of half its rate. The samples are
        then right as they stand; only the band is named where it folds to. An
        echo's delay moves its envelope as ever.

    Raises
    ------
    ValueError
        Where the band leaves 0 … half the rate or, folded, straddles a multiple
        of half the rate: there it would overlap itself.

    References
    ----------
    R. G. Vaughan, N. L. Scott and D. R. White, "The theory of bandpass sampling",
    *IEEE Trans. Signal Process.* 39, 1991, pp. 1973–1984.

    Examples
    --------
    >>> burst = ringing_burst(40e3, 12, 60e-6, 62.5e3, folded=True)
    >>> [round(edge) for edge in burst.band_hz]  # 36.7 to 43.3 kHz, from above
    [19167, 25833]
    """
    drive_s = cycles / centre_hz
    t = _times(drive_s + RING_OUT * ring_s, sample_rate_hz)
    envelope = _ring_up(t, ring_s) - _ring_up(t - drive_s, ring_s)
    samples = envelope / envelope.max() * np.sin(2 * np.pi * centre_hz * t)
    low, high = centre_hz - 1 / drive_s, centre_hz + 1 / drive_s
    if folded:
        low, high = folded_band_hz(low, high, sample_rate_hz)
    return _pulse(samples, sample_rate_hz, low, high)


def folded_band_hz(low_hz: float, high_hz: float, sample_rate_hz: float) -> tuple[float, float]:
    """Return where a band comes to lie once it is sampled, lowest frequency first.

    Raises
    ------
    ValueError
        Where a multiple of half the rate lies inside the band.

    Examples
    --------
    >>> folded_band_hz(35e3, 45e3, 62.5e3)
    (17500.0, 27500.0)
    """
    half_hz = sample_rate_hz / 2
    zone = math.floor(low_hz / half_hz)
    edge_hz = (zone + 1) * half_hz
    if high_hz > edge_hz:
        raise ValueError(
            f"the band from {low_hz:g} to {high_hz:g} Hz holds {edge_hz:g} Hz, a multiple of half "
            f"of the sample rate {sample_rate_hz:g} Hz, and would fold onto itself; give another "
            "sample rate"
        )
    if zone % 2:
        return edge_hz - high_hz, edge_hz - low_hz
    return low_hz - zone * half_hz, high_hz - zone * half_hz


def _ring_up(t_s: NDArray[np.float64], ring_s: float) -> NDArray[np.float64]:
    """Envelope of a step through two equal resonators; nil before it."""
    u = np.maximum(t_s, 0) / ring_s
    rise: NDArray[np.float64] = 1 - (1 + u) * np.exp(-u)
    return rise


def _coded(
    code: NDArray[np.int64], centre_hz: float, chip_s: float, sample_rate_hz: float
) -> Pulse:
    t = _times(code.size * chip_s, sample_rate_hz)
    # A sample belongs to the chip in which its instant lies; the nudge keeps an
    # instant that falls on a boundary from being rounded into the chip before.
    chip = np.minimum((t / chip_s + 1e-9).astype(int), code.size - 1)
    samples = code[chip] * np.sin(2 * np.pi * centre_hz * t)
    return _pulse(samples, sample_rate_hz, centre_hz - 1 / chip_s, centre_hz + 1 / chip_s)


def _times(duration_s: float, sample_rate_hz: float) -> NDArray[np.float64]:
    samples = round(duration_s * sample_rate_hz)
    if not (math.isfinite(duration_s) and samples >= 1):
        raise ValueError(
            f"duration_s: found {duration_s:g} s; give at least one sample, "
            f"{1 / sample_rate_hz:g} s"
        )
    return np.arange(samples) / sample_rate_hz


def _pulse(
    samples: NDArray[np.float64], sample_rate_hz: float, low_hz: float, high_hz: float
) -> Pulse:
    if not low_hz + high_hz > 0:
        raise ValueError(
            f"the pulse is centred on {(low_hz + high_hz) / 2:g} Hz; give a frequency above 0"
        )
    if high_hz > sample_rate_hz / 2:
        raise ValueError(
            f"the pulse reaches {high_hz:g} Hz; give at most half of the sample rate, "
            f"{sample_rate_hz / 2:g} Hz"
        )
    return Pulse(
        samples=samples.astype(np.float32),
        sample_rate_hz=float(sample_rate_hz),
        band_hz=(max(float(low_hz), 0.0), float(high_hz)),
    )
