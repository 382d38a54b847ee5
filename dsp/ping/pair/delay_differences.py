"""By how much later one receiver hears an echo than another, to a part of a wave.

Two clocks tell it. The envelope says it to a part of the pulse's own width, and there is but
one answer. The carrier's phase says it many times finer, but repeats after each cycle: the
envelope has to say which one. Where receivers stand less than half a wave apart no other cycle
can be; where they stand further apart and the envelope cannot decide, it is said so, and the
envelope's own answer is given with the envelope's own uncertainty.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive, require_within
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak, delay_uncertainty_s

DECIDES = 3.0
"""Another cycle is ruled out where the envelope stands so many standard deviations off it: a
wrong one is then taken in 0.27 % of echoes at the most (normal errors)."""

_BINS = 512
_LAGS = 129  # over a lobe


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnDifference:
    """What the pair itself adds: the second channel over the first, for one sound at both.

    Attributes
    ----------
    envelope_delay_s, u_envelope_delay_s : float
        By how much the second channel's envelope is late.
    carrier_delay_s, u_carrier_delay_s : float
        By how much its carrier is late, whatever the cycle. An infinite uncertainty says that
        nobody knows; phases are then not used.
    gain_db, u_gain_db : float
        Its amplitude over the first's.
    u_common_s : float
        What both delays are wrong by alike: of a plate that stood not quite ahead.
    """

    envelope_delay_s: float = 0.0
    u_envelope_delay_s: float = 0.0
    carrier_delay_s: float = 0.0
    u_carrier_delay_s: float = 0.0
    gain_db: float = 0.0
    u_gain_db: float = 0.0
    u_common_s: float = 0.0

    def __post_init__(self) -> None:
        for name in ("u_envelope_delay_s", "u_carrier_delay_s", "u_gain_db", "u_common_s"):
            value = getattr(self, name)
            if not value >= 0:
                raise ValueError(f"{name}: found {value:g}; give 0 or more")


ALIKE = OwnDifference()
"""Two channels that do not differ."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DelayDifference:
    """By how much later the second receiver heard one echo.

    Attributes
    ----------
    delay_s : float
        Second less first, freed of the pair's own; negative where the second heard it first.
    u_delay_s : float
        Standard uncertainty: noise, and the pair's own.
    u_noise_s : float
        Of the noise alone.
    bound_s : float
        Cramér–Rao bound on the standard deviation at these echoes' SNR, with the carrier's
        phase where it was used.
    envelope_delay_s, u_envelope_delay_s : float
        What the envelopes alone say.
    cycle_s : float
        After which the carrier's phase repeats.
    possible_s : tuple of float
        Delays that phase, envelope and spacing allow together, the likeliest first. One where
        it is decided; none where envelope and phase contradict each other, or the phase is
        not known.
    by_phase : bool
        Whether the carrier's phase is in `delay_s`.
    why_not : str
        Why it is not, in words; empty where it is.
    """

    delay_s: float
    u_delay_s: float
    u_noise_s: float
    bound_s: float
    envelope_delay_s: float
    u_envelope_delay_s: float
    cycle_s: float
    possible_s: tuple[float, ...]
    by_phase: bool
    why_not: str = ""


def delay_difference(
    first: Peak,
    second: Peak,
    shape: EchoShape,
    *,
    longest_s: float,
    own: OwnDifference = ALIKE,
) -> DelayDifference:
    """Tell by how much later the second receiver heard an echo.

    Parameters
    ----------
    first, second : Peak
        The echo as each channel's profile has it, both from the same first bin: as
        :func:`dsp.ping.search.search.find_echoes` gives.
    shape : EchoShape
        Of one echo, in both profiles.
    longest_s : float
        More than this no delay can be: the receivers' spacing over the sound speed.
    own : OwnDifference

    Raises
    ------
    ValueError
        Where `longest_s` is negative, or an SNR not above zero.

    Notes
    -----
    An echo's delay by its envelope and its phase at the centre f₀ of its spectrum are measured
    with errors that are independent of each other, of 1/(β d) and 1/d, where d² = 2E/N₀ and β
    is the spectrum's RMS width about f₀. So their two answers are averaged by their weights.
    What a neighbour pulls a delay by, in noise's own deviations, it is held to pull a phase by; so
    is what a second target within an echo's lobe does, which stands at an angle of its own.

    References
    ----------
    :func:`delay_difference_bound_s` has the bound and where it comes from.
    """
    require_within("longest_s", longest_s, 0, math.inf, "s")
    require_positive("snr", (first.snr, second.snr))
    first, second = _as_unsure_as_one_of_them(first), _as_unsure_as_one_of_them(second)
    omega_rad_s = 2 * math.pi * _spectrum(shape).centre_hz
    cycle_s = 2 * math.pi / omega_rad_s
    raw_s = second.delay_s - first.delay_s
    by_envelope_s = raw_s - own.envelope_delay_s
    turned_rad = second.phase_rad - first.phase_rad
    by_carrier_s = raw_s - turned_rad / omega_rad_s - own.carrier_delay_s
    noise_envelope_s = math.hypot(_u_delay_s(first, shape), _u_delay_s(second, shape))
    noise_carrier_s = (
        math.hypot(_u_phase_rad(first, shape), _u_phase_rad(second, shape)) / omega_rad_s
    )
    u_envelope_s = math.hypot(noise_envelope_s, own.u_envelope_delay_s)
    u_carrier_s = math.hypot(noise_carrier_s, own.u_carrier_delay_s)
    known = DECIDES * u_carrier_s <= cycle_s / 2
    possible_s: tuple[float, ...] = ()
    why_not = "the phase is not known well enough"
    if known:
        possible_s, why_not = _cycles(
            by_carrier_s,
            by_envelope_s,
            cycle_s,
            u_carrier_s=u_carrier_s,
            apart_s=math.hypot(
                _reach_s(DECIDES, first, second, shape),
                DECIDES * math.hypot(own.u_envelope_delay_s, u_carrier_s),
            ),
            longest_s=longest_s,
            own=own,
        )
    share = 0.0
    if not why_not:
        share = 1 / (1 + (u_carrier_s / u_envelope_s) ** 2)
        delay_s = share * possible_s[0] + (1 - share) * by_envelope_s
    else:
        delay_s = by_envelope_s
    # Where the two contradict each other, one of them is wrong by as much.
    nearest_s = math.remainder(by_carrier_s - by_envelope_s, cycle_s)
    contradicted_s = abs(nearest_s) if known and not possible_s else 0.0
    return DelayDifference(
        delay_s=delay_s,
        u_delay_s=math.hypot(
            share * u_carrier_s if share else 0.0,
            (1 - share) * u_envelope_s,
            own.u_common_s,
            contradicted_s,
        ),
        u_noise_s=math.hypot(share * noise_carrier_s, (1 - share) * noise_envelope_s),
        bound_s=delay_difference_bound_s(first.snr, second.snr, shape, by_phase=not why_not),
        envelope_delay_s=by_envelope_s,
        u_envelope_delay_s=math.hypot(u_envelope_s, own.u_common_s),
        cycle_s=cycle_s,
        possible_s=possible_s,
        by_phase=not why_not,
        why_not=why_not,
    )


def delay_difference_bound_s(
    first_d2: float, second_d2: float, shape: EchoShape, *, by_phase: bool
) -> float:
    """Cramér–Rao bound on the difference of one echo's delays at two receivers.

    Parameters
    ----------
    first_d2, second_d2 : float
        2E/N₀ at each, as a ratio.
    shape : EchoShape
    by_phase : bool
        Whether the carrier's cycle is known, so that its phase counts.

    Raises
    ------
    ValueError
        Where an SNR is not above zero.

    References
    ----------
    H. L. Van Trees, *Detection, Estimation, and Modulation Theory*, part III, 1971, ch. 10
    (cited from memory): delay and phase at the spectrum's centre of one echo of known shape
    have independent bounds of 1/(β d) and 1/d. From there: two echoes that share one unknown
    phase have phases at that centre of φ − ω₀τ₁ and φ − ω₀(τ₁ + Δ), so that phases and delays
    each tell of Δ by their difference alone, the first with a variance of
    (1/d₁² + 1/d₂²)/ω₀², the second of (1/d₁² + 1/d₂²)/β². Independent information adds up:
    the bound is √((1/d₁² + 1/d₂²)/(β² + ω₀²)), and without the phase √((1/d₁² + 1/d₂²)/β²).

    Examples
    --------
    A chirp from 4 to 12 kHz, 30 dB in both channels: without the phase, and with it.

    >>> from dsp.ping.pulse.compression import PulseCompressor
    >>> from dsp.ping.pulse.pulses import linear_chirp
    >>> shape = PulseCompressor(linear_chirp(4e3, 12e3, 0.01, 48e3), 4800).shape
    >>> [round(1e6 * delay_difference_bound_s(1e3, 1e3, shape, by_phase=b), 2)
    ...  for b in (False, True)]
    [3.29, 0.86]
    """
    require_positive("d2", (first_d2, second_d2))
    centre_rad_s = 2 * math.pi * _spectrum(shape).centre_hz if by_phase else 0.0
    information = math.hypot(shape.pulse_rms_bandwidth_rad_s, centre_rad_s)
    return math.sqrt(1 / first_d2 + 1 / second_d2) / information


def own_difference(
    first: Peak,
    second: Peak,
    shape: EchoShape,
    *,
    expected_delay_s: float = 0.0,
    u_expected_delay_s: float = 0.0,
) -> OwnDifference:
    """Learn what a pair itself adds from the echo of a target at a known place.

    Parameters
    ----------
    first, second : Peak
        The target's echo in each channel; several pings' added up are better than one.
    shape : EchoShape
    expected_delay_s, u_expected_delay_s : float
        By how much later the second receiver should hear it: 0 for a plate square to the axis
        that stands as far from both.
    """
    first, second = _as_unsure_as_one_of_them(first), _as_unsure_as_one_of_them(second)
    omega_rad_s = 2 * math.pi * _spectrum(shape).centre_hz
    late_s = second.delay_s - first.delay_s - expected_delay_s
    carrier_s = late_s - (second.phase_rad - first.phase_rad) / omega_rad_s
    # Of all cycles the one next to the envelope: it says the same, and is read more easily.
    carrier_s = late_s + math.remainder(carrier_s - late_s, 1 / shape.centre_hz)
    noise_rad = math.hypot(_u_phase_rad(first, shape), _u_phase_rad(second, shape))
    return OwnDifference(
        envelope_delay_s=late_s,
        u_envelope_delay_s=math.hypot(first.u_delay_s, second.u_delay_s),
        carrier_delay_s=carrier_s,
        u_carrier_delay_s=noise_rad / omega_rad_s,
        gain_db=20 * math.log10(second.amplitude / first.amplitude),
        u_gain_db=20 / math.log(10) * noise_rad,
        u_common_s=u_expected_delay_s,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Spectrum:
    """An echo's spectrum in a few bins, and what is made of all of them once.

    What is asked of it here bends so little over a bin that :data:`_BINS` tell it to 1e-5.
    """

    away_hz: NDArray[np.float64]
    weights: NDArray[np.float64]
    noise_weights: NDArray[np.float64]
    centre_hz: float
    u_delay_s: float
    lags_s: NDArray[np.float64]
    unlike: NDArray[np.float64]


@functools.lru_cache(maxsize=32)
def _spectrum(shape: EchoShape) -> _Spectrum:
    mean_hz = float(shape.weights @ shape.offset_hz)
    # Over the main lobe: by how much power an echo falls short of itself so much later.
    lags_s = np.linspace(0.0, shape.width_s, _LAGS)
    begin = np.arange(0, shape.offset_hz.size, -(-shape.offset_hz.size // _BINS))
    together = np.diff(np.append(begin, shape.offset_hz.size))
    return _Spectrum(
        away_hz=np.add.reduceat(shape.offset_hz - mean_hz, begin) / together,
        weights=np.add.reduceat(shape.weights, begin),
        noise_weights=np.add.reduceat(shape.noise_weights, begin),
        centre_hz=shape.centre_hz,
        u_delay_s=delay_uncertainty_s(shape, 1.0),
        lags_s=lags_s,
        unlike=1 - np.abs(shape.at(lags_s)) ** 2,
    )


def _as_unsure_as_one_of_them(peak: Peak) -> Peak:
    """Return a peak as unsure as it is of any one target, where it is more than one's."""
    return dataclasses.replace(peak, u_delay_s=math.hypot(peak.u_delay_s, peak.u_second_s))


def _u_phase_rad(peak: Peak, shape: EchoShape) -> float:
    """Return how unsure a peak's phase at its spectrum's centre is."""
    snr_out = peak.snr * shape.efficiency
    pulled = peak.u_delay_s / (_spectrum(shape).u_delay_s / math.sqrt(snr_out))
    return max(1.0, pulled) / math.sqrt(snr_out)


def _bends(peak: Peak, shape: EchoShape, moved_s: float) -> float:
    """Return noise's own curvature over the peak's: one standard deviation, as a share.

    Noise moves a peak by its slope there over the peak's curvature, and has a curvature of
    its own; both are taken over as much to either side as the peak is moved.
    """
    spectrum = _spectrum(shape)
    # y(-t) - 2 y(0) + y(t), of an echo and of noise
    bent = 2 - 2 * np.cos(2 * math.pi * spectrum.away_hz * moved_s)
    of_noise = math.sqrt(spectrum.noise_weights @ bent**2 / (peak.snr * shape.efficiency))
    return of_noise / float(spectrum.weights @ bent)


def _u_delay_s(peak: Peak, shape: EchoShape) -> float:
    """Return a delay's standard uncertainty to second order.

    Of n₁/(1 + κ n₂), with both normal and of deviation 1, to second order in κ: √(1 + 3 κ²). At
    20 dB a tone burst's peak, which is pointed, strays 1.4 times as far as to first order.
    """
    return peak.u_delay_s * math.sqrt(1 + 3 * _bends(peak, shape, peak.u_delay_s) ** 2)


def _reach_s(deviations: float, first: Peak, second: Peak, shape: EchoShape) -> float:
    """Return how far off the envelopes' difference is at so many standard deviations of noise.

    Of its slope and of its curvature together; where so much noise may leave nothing of the
    peak, of one place against another, farther off, which asks for more.

    References
    ----------
    E. C. Fieller, "Some problems in interval estimation", *J. R. Stat. Soc. B* 16, 1954,
    pp. 175–185 (cited from memory): n₁/(1 + κ n₂) exceeds x as often as a normal value exceeds
    x/√(1 + x² κ²), so that k deviations of that are x = k/√(1 − k² κ²).
    """
    moved = [deviations * peak.u_delay_s for peak in (first, second)]
    left = [
        1 - (deviations * _bends(peak, shape, moved_s)) ** 2
        for peak, moved_s in zip((first, second), moved, strict=True)
    ]
    # Far off asks for twice the deviations that an even peak would, and is asked no sooner.
    if min(left) > 0.25:
        return math.hypot(*(m / math.sqrt(x) for m, x in zip(moved, left, strict=True)))
    far_s = _far_reach_s(deviations, first, second, shape)
    if min(left) <= 0:
        return far_s
    return min(far_s, math.hypot(*(m / math.sqrt(x) for m, x in zip(moved, left, strict=True))))


def _far_reach_s(deviations: float, first: Peak, second: Peak, shape: EchoShape) -> float:
    """Return from where on noise puts the difference ahead of the true one no more often.

    A place that an echo of itself is unlike, by a share ε of its power, stands above the true one
    where noise makes up for it: it takes d √ε / 2 standard deviations. Of two echoes, ε d² adds
    up, in whatever way they share the difference. Infinite where a whole lobe is not enough.

    References
    ----------
    H. L. Van Trees, *Detection, Estimation, and Modulation Theory*, part I, 1968, sec. 4.2 (cited
    from memory): two known signals in white noise are taken for each other as a normal value
    exceeds half of their distance over the noise.
    """
    spectrum = _spectrum(shape)
    one, other = (peak.snr * shape.efficiency * spectrum.unlike for peak in (first, second))
    least = np.array([(one[: n + 1] + other[n::-1]).min() for n in range(one.size)])
    open_ones = np.flatnonzero(least < (2 * deviations) ** 2)
    farthest = int(open_ones[-1]) + 1
    return float(spectrum.lags_s[farthest]) if farthest < one.size else math.inf


def _cycles(
    by_carrier_s: float,
    by_envelope_s: float,
    cycle_s: float,
    *,
    u_carrier_s: float,
    apart_s: float,
    longest_s: float,
    own: OwnDifference,
) -> tuple[tuple[float, ...], str]:
    """Return the delays that all allow, likeliest first, and why there is not just one."""
    # A delay at the very end of what the spacing allows may come out longer.
    most_s = longest_s + DECIDES * math.hypot(u_carrier_s, own.u_common_s)
    low_s = max(-most_s, by_envelope_s - apart_s)
    high_s = min(most_s, by_envelope_s + apart_s)
    lowest, highest = (
        math.ceil((low_s - by_carrier_s) / cycle_s),
        math.floor((high_s - by_carrier_s) / cycle_s),
    )
    found = [by_carrier_s + n * cycle_s for n in range(lowest, highest + 1)]
    found.sort(key=lambda each: abs(each - by_envelope_s))
    if len(found) == 1:
        return tuple(found), ""
    if not found:
        return (), "no cycle of the carrier fits both the envelope and the spacing"
    return tuple(found), f"the envelope leaves {len(found)} cycles of the carrier open"
