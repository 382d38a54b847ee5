"""What a target's speed does to its echo. Speeds are positive for one that comes nearer."""

from __future__ import annotations

import math

from dsp.arguments import require_positive, require_within


def doppler_shift_hz(speed_m_s: float, frequency_hz: float, sound_speed_m_s: float) -> float:
    """Shift of an echo's frequency, out and back, by a target that comes nearer.

    Exact for source and receiver at rest: f · 2v / (c − v).

    Raises
    ------
    ValueError
        Where the target is not slower than sound, or a frequency or sound speed not
        above zero.

    References
    ----------
    P. M. Morse and K. U. Ingard, *Theoretical Acoustics*, 1968, sec. 11.2 (cited from
    memory): (c + v)/c at the moving target, times c/(c − v) from it.

    Examples
    --------
    >>> round(doppler_shift_hz(1.0, 40e3, 343.2), 4)
    233.7814
    """
    require_positive("frequency_hz", frequency_hz, "Hz")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    slowest, fastest = -sound_speed_m_s, math.nextafter(sound_speed_m_s, 0)
    require_within("speed_m_s", speed_m_s, slowest, fastest, "m/s")
    return frequency_hz * 2 * speed_m_s / (sound_speed_m_s - speed_m_s)


def chirp_delay_shift_s(
    speed_m_s: float,
    start_hz: float,
    stop_hz: float,
    duration_s: float,
    sound_speed_m_s: float,
) -> float:
    """Shift of a compressed chirp's peak by its target's speed: range–Doppler coupling.

    Negative (too near) for a rising chirp and a target that comes nearer. It is
    counted from the delay at which the pulse's middle meets the target, to first
    order in speed over sound speed.

    Raises
    ------
    ValueError
        Where the frequencies are equal, or an argument that must be is not above zero.

    References
    ----------
    A. W. Rihaczek, *Principles of High-Resolution Radar*, 1969, ch. 7 (cited from
    memory): a shift of frequency f moves the peak by −f over the sweep's rate.

    Examples
    --------
    >>> shift_s = chirp_delay_shift_s(1.0, 4000.0, 12000.0, 0.010, 343.2)
    >>> round(shift_s * 1e6, 3), round(343.2 / 2 * shift_s * 1e3, 1)  # µs, mm
    (-58.275, -10.0)
    """
    require_positive("start_hz", start_hz, "Hz")
    require_positive("stop_hz", stop_hz, "Hz")
    require_positive("duration_s", duration_s, "s")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    if start_hz == stop_hz:
        raise ValueError(f"stop_hz: found {stop_hz:g} Hz, the same as start_hz; give another")
    shift_hz = (start_hz + stop_hz) / 2 * 2 * speed_m_s / sound_speed_m_s
    return -shift_hz * duration_s / (stop_hz - start_hz)


def chirp_coupling_s(start_hz: float, stop_hz: float, duration_s: float) -> float:
    """Time by which a compressed chirp's range runs ahead of its target's.

    The shift of range by a target's speed is that speed times this time: a rising
    chirp shows where the target will be so much later, a falling one where it was.

    Raises
    ------
    ValueError
        As :func:`chirp_delay_shift_s`.

    Examples
    --------
    >>> chirp_coupling_s(4000.0, 12000.0, 0.010)
    0.01
    """
    # At 1 m/s and a sound speed of 1 m/s the shift of range, c/2 times that of delay,
    # is the time itself; both speeds cancel.
    return -chirp_delay_shift_s(1.0, start_hz, stop_hz, duration_s, 1.0) / 2


def fastest_speed_m_s(ping_interval_s: float, frequency_hz: float, sound_speed_m_s: float) -> float:
    """Speed above which the phase from ping to ping no longer tells the speed, λ/(4T).

    Faster, the echo's path changes by more than half a wave from one ping to the next.

    Raises
    ------
    ValueError
        Where an argument is not above zero.

    References
    ----------
    M. I. Skolnik, *Introduction to Radar Systems*, 3rd ed., 2001, ch. 3 (cited from
    memory): half of the first blind speed.
    """
    require_positive("ping_interval_s", ping_interval_s, "s")
    require_positive("frequency_hz", frequency_hz, "Hz")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    return sound_speed_m_s / frequency_hz / (4 * ping_interval_s)
