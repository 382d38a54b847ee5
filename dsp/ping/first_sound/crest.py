"""Where a first sound stands that a search takes for several within one lobe.

How many those are found to be, and where, hangs on each ping's noise; where they are highest
together does not. What that is late by, its shape tells, once for a stream
(:mod:`dsp.ping.first_sound.went_through`), and only of one place that is read in one way.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.likeness import without_others
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak, delay_uncertainty_s

_STEP, _HALF = 1 / 32, 16
"""A crest is looked for so many steps, in lobes, to each side, and then from three that are about
it. Rounding in single precision is a thousandth of what lies between these."""


def at_its_crest(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    sound: Peak,
    sounds: Sequence[Peak],
) -> Peak:
    """Return a sound at the crest that it has with all others within a lobe; itself if it is there.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.first_sound.arrivals.first_arrival`.
    sound : Peak
    sounds : sequence of Peak
        All that were found there. Copies of those farther off are taken away.

    Notes
    -----
    Noise moves the top of an envelope by its slope there over the top's own curvature
    (:mod:`dsp.ping.search.heard_tops`).
    """
    lobe_s = shape.width_s
    at_s, aside, step_s, curvature = 0.0, 0.0, _STEP * lobe_s, 0.0
    for steps in (_HALF, 1, 1):
        offset_s = at_s + step_s * np.arange(-steps, steps + 1, dtype=np.float64)
        power = np.abs(without_others(envelope, shape, sound, sounds, lobe_s, offset_s)) ** 2
        highest = min(max(int(power.argmax()), 1), power.size - 2)
        before, top, after = power[highest - 1 : highest + 2].tolist()
        bend = before - 2 * top + after
        if bend >= 0:
            return sound
        curvature = -bend / (2 * top * step_s**2)
        aside = min(max((before - after) / (2 * bend), -1.0), 1.0)
        at_s = float(offset_s[highest]) + aside * step_s
    if abs(aside) == 1:  # no crest of its own: it stands on another's flank
        return sound
    (value,) = without_others(envelope, shape, sound, sounds, lobe_s, np.array([at_s]))
    height = float(abs(value))
    snr = sound.snr * (height / sound.amplitude) ** 2
    u_noise_s = delay_uncertainty_s(shape, snr * shape.efficiency)
    u_noise_s *= shape.rms_bandwidth_rad_s**2 / curvature
    if sound.u_pull_s == 0 and abs(at_s) <= u_noise_s:
        return sound
    delay_s = sound.delay_s + at_s
    turned = math.atan2(value.imag, value.real) + 2 * math.pi * shape.carrier_hz * delay_s
    return dataclasses.replace(
        sound,
        delay_s=delay_s,
        # What overlaps it may be another in each ping, as clutter is.
        u_delay_s=math.hypot(u_noise_s, sound.u_pull_s),
        amplitude=height,
        phase_rad=math.remainder(turned, 2 * math.pi),
        snr=snr,
    )
