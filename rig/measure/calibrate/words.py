"""A calibration in words."""

from __future__ import annotations

import math

from dsp.uncertainty import stated
from rig.bench.stored_calibration import Calibration
from rig.measure.checkup import value_words


def calibration_lines(calibration: Calibration) -> tuple[str, ...]:
    """Put a calibration into words, each number with its uncertainty (k = 2)."""
    c, lines = calibration, list[str]()
    lines.append(
        f"{c.device} ({c.front_end}), {c.plan.timing.sample_rate_hz:g} Hz, {c.pings} pings"
    )
    speed = c.sound_speed
    lines.append(
        f"sound speed {stated(speed.sound_speed_m_s, speed.u_sound_speed_m_s)} m/s by "
        f"{speed.method}; by formula {stated(speed.by_formula_m_s, speed.u_by_formula_m_s)}"
    )
    if speed.method != "formula" and not speed.better_than(speed.u_by_formula_m_s):
        lines.append(
            "the thermometer tells the sound speed better than this calibration: ranges keep to "
            "the formula"
        )
    if c.time_zero is not None:
        zero = c.time_zero
        spread = "" if zero.spread_s is None else f", {1e6 * zero.spread_s:.1f} µs between starts"
        lines.append(
            f"time zero {stated(1e3 * zero.latency_s, 1e3 * zero.u_latency_s)} ms by "
            f"{zero.method}, {zero.starts} start{'' if zero.starts == 1 else 's'}{spread}"
        )
    if c.replica is not None:
        r = c.replica
        lines += [
            f"the pulse was taken from the {'direct sound' if r.source == 'direct' else r.source}, "
            f"2E/N0 {r.snr_db:.0f} dB",
            f"resolution {1e3 * r.resolution_m:.1f} mm equalised, {1e3 * r.plain_resolution_m:.1f} "
            f"mm plain, for {r.noise_cost_db:.1f} dB more noise",
        ]
    if c.level is not None:
        lines.append(
            f"level {stated(c.level.source_level_db, c.level.u_source_level_db)} dB re full "
            f"scale at 1 m, by {c.level.target}"
        )
    if c.second is not None:
        s = c.second
        late_us, u_us = (
            1e6 * s.envelope_delay_s,
            1e6 * math.hypot(s.u_envelope_delay_s, s.u_common_s),
        )
        apart_us = 1e6 * (s.carrier_delay_s - s.envelope_delay_s)
        lines.append(
            f"the second receiver is {stated(late_us, u_us)} µs late by itself, its carrier "
            f"{apart_us:+.1f} µs more, and {s.gain_db:+.1f} dB louder, by "
            f"{'the direct sound' if s.method == 'direct' else s.method}"
        )
    for f in c.findings:
        u = "" if f.u_value is None else f" ± {2 * f.u_value:.1f}"
        lines.append(
            f"{f.name} {value_words(f.value)}{u} {f.unit}".rstrip() + ("" if f.fit else ": NOT FIT")
        )
        if f.advice:
            lines.append(f"    {f.advice}")
    lines += [f"note: {note}" for note in c.notes]
    return tuple(lines)
