"""Pings of what moves, swells or stands in a medium that drifts, without any code of the receiver.

Each echo's pulse is stretched as its target's way stretches it: a chirp then shows its
range–Doppler coupling, which :func:`made_pings.made_pings` leaves out.
"""

import dataclasses
import math
from collections.abc import Callable, Iterator, Sequence

import numpy as np
import scipy
from made_pings import SPEED_M_S

from rig.bench.capture import LEAD_S, CaptureBlock
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of


@dataclasses.dataclass(frozen=True, kw_only=True)
class Thing:
    """What sends a sound back.

    `range_m` is from midway between source and receiver, at a time from the first ping; the
    direct sound has a range of 0.
    """

    range_m: Callable[[float], float]
    amplitude: Callable[[float], float]


def still(amplitude: float, range_m: float) -> Thing:
    return Thing(range_m=lambda _: range_m, amplitude=lambda _: amplitude)


def met_s(sent_s: float, range_m: Callable[[float], float], speed_m_s: float) -> float:
    """When the sound that leaves at `sent_s` meets the target."""
    at_s = sent_s
    for _ in range(6):  # each step leaves v/c of the error before: 1e-15 after six
        at_s = sent_s + range_m(at_s) / speed_m_s
    return at_s


def moving_pings(
    plan: Plan,
    things: Sequence[Thing],
    *,
    pings: int,
    rms: float,
    seed: int = 0,
    speed_m_s: Callable[[float], float] = lambda _: SPEED_M_S,
) -> Iterator[CaptureBlock]:
    """Yield blocks whose pulse leaves at their lead, in white noise of an RMS.

    `speed_m_s` is the sound speed while a ping is under way that was sent at a time.
    """
    rate_hz, baseline_m = plan.timing.sample_rate_hz, plan.geometry.baseline_m
    pulses = [pulse.samples.astype(float) for pulse in pulses_of(plan)]
    length = 1 << (plan.interval_samples + max(p.size for p in pulses)).bit_length()
    frequency_hz = np.fft.rfftfreq(length, 1 / rate_hz)
    # About its middle a pulse's spectrum turns slowly: a cubic between 30 points in each of
    # its lobes is right to 1e-5.
    middles_s = [(pulse.size - 1) / 2 / rate_hz for pulse in pulses]
    spectra = [
        scipy.interpolate.CubicSpline(
            frequency_hz, np.fft.rfft(p, length) * np.exp(2j * np.pi * frequency_hz * m)
        )
        for p, m in zip(pulses, middles_s, strict=True)
    ]
    random = np.random.default_rng(seed)
    for ping in range(pings):
        sent_s, turn = ping * plan.timing.ping_interval_s, ping % len(pulses)
        c_m_s, middle_s = speed_m_s(sent_s), middles_s[turn]
        response = np.zeros(frequency_hz.size, dtype=complex)
        for thing in things:

            def arrival_s(left_s: float, thing: Thing = thing, c_m_s: float = c_m_s) -> float:
                there_m = thing.range_m(met_s(left_s, thing.range_m, c_m_s))
                return left_s + math.hypot(2 * there_m, baseline_m) / c_m_s

            step_s = 1e-3
            middle = arrival_s(sent_s + middle_s)
            later = arrival_s(sent_s + middle_s + step_s)
            longer = (later - middle) / step_s
            turned = np.exp(-2j * np.pi * frequency_hz * (LEAD_S + middle - sent_s))
            response += thing.amplitude(sent_s) * turned * spectra[turn](frequency_hz * longer)
        samples = np.fft.irfft(response, length)[: plan.interval_samples]
        samples += random.normal(0, rms, samples.size)
        yield CaptureBlock(
            index=ping,
            samples=samples[np.newaxis].astype(np.float32),
            start_sample=ping * plan.interval_samples,
            mark_s=LEAD_S + baseline_m / SPEED_M_S,
            pulse_index=turn,
        )
