"""The source level, from a target whose strength is computed."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from dsp.history import known_targets
from dsp.physics import targets
from dsp.physics.absorption import absorption_db_m
from dsp.ping.pulse.profiles import stacked_in_turns
from dsp.ping.ranging import path_from_range_m
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredLevel
from rig.bench.waveforms import pulses_of
from rig.measure.calibrate.echoes import HeardTarget, strongest_near
from rig.measure.calibrate.runs import Start, with_weighting
from rig.measure.calibrate.steps import KnownTarget
from rig.measure.near_discs import on_axis_db
from rig.run.receiver import Receiver
from rig.run.results import Echo

U_STRENGTH_DB = 0.5
"""Standard uncertainty of a target's computed strength: that it hangs on the axis,
square to it, and is as round or as flat as the formula has it (common practice)."""

BEYOND_NEAR_FIELD = 4.0
"""A plate is a standard of strength only from this many times A/λ on; nearer it is
partly a mirror."""


def level_of(
    plan: Plan, heard: Sequence[HeardTarget], speed_m_s: float, notes: list[str]
) -> StoredLevel | None:
    """Return the source level by the known target that tells it best, if one does."""
    found = [level for h in heard if (level := _level_by(h, plan, speed_m_s, notes)) is not None]
    return min(found, key=lambda level: level.u_source_level_db) if found else None


def _level_by(
    heard: HeardTarget, plan: Plan, speed_m_s: float, notes: list[str]
) -> StoredLevel | None:
    target = heard.target
    if heard.start.info.edge_step_s is not None:
        return None
    strength = _strength_db(target, plan, speed_m_s, notes)
    if strength is None:
        return None
    # A level goes by the filter that will read it: of a coloured pulse each sees another
    # part. An equalised echo is scaled to what the plain filter reads.
    weighting = "hann" if plan.receiver.weighting == "hann" else "none"
    receiver = Receiver(
        with_weighting(heard.start.receiver.plan, weighting=weighting), heard.start.info
    )
    echo = strongest_near(_echoes(receiver, heard.start), target)
    if echo is None:
        return None
    medium = plan.medium
    near_db, u_near_db = on_axis_db(receiver, target.range_m)
    level_db, u_db = known_targets.source_level_db(
        echo.strength_db - near_db,
        strength[0],
        float(path_from_range_m(target.range_m, plan.geometry.baseline_m)) / 2,
        absorption_db_m=float(absorption_db_m(medium.kind, plan.pulse.centre_hz, **medium.state)),
        # An amplitude is noisy by 1/d.
        u_echo_level_db=math.hypot(20 / math.log(10) * 10 ** (-echo.snr_db / 20), u_near_db),
        u_target_strength_db=strength[1],
        u_range_m=target.u_range_m,
    )
    return StoredLevel(
        target=f"{target.words} at {target.range_m:g} m",
        source_level_db=level_db,
        u_source_level_db=u_db,
    )


def _echoes(receiver: Receiver, start: Start) -> tuple[Echo, ...]:
    """Return the echoes of a start's pings read by another filter; their marks stay."""
    placed = [(b, r.time_zero) for b, r in start.good if r.time_zero is not None]
    profiles = [receiver.profile(block, time_zero) for block, time_zero in placed]
    return receiver.search.echoes(stacked_in_turns(profiles), placed[-1][1])[0]


def _strength_db(
    target: KnownTarget, plan: Plan, speed_m_s: float, notes: list[str]
) -> tuple[float, float] | None:
    """Return a target's strength as the pulse's filter reads it, and its uncertainty."""
    pulse = pulses_of(plan)[0]
    power = np.abs(np.fft.rfft(pulse.samples.astype(np.float64), 4 * pulse.samples.size)) ** 2
    frequency_hz = np.fft.rfftfreq(4 * pulse.samples.size, 1 / pulse.sample_rate_hz)
    kept = power > 1e-3 * power.max()
    weight, wavelength_m = power[kept] / power[kept].sum(), speed_m_s / frequency_hz[kept]
    if target.radius_m is not None:
        strength_db = targets.sphere_target_strength_db(target.radius_m, wavelength_m)
    elif target.size_m is not None:
        area_m2 = target.size_m[0] * target.size_m[1]
        near_m = BEYOND_NEAR_FIELD * area_m2 * plan.pulse.centre_hz / speed_m_s
        if target.range_m < near_m:
            notes.append(
                f"{target.words} at {target.range_m:g} m stands in its own near field and tells no "
                f"level: use a smaller one, a sphere, or stand it {near_m:.2f} m off"
            )
            return None
        strength_db = targets.plate_target_strength_db(area_m2, wavelength_m)
    else:
        return None
    # The filter adds up amplitudes, not powers.
    return float(20 * np.log10(weight @ 10 ** (strength_db / 20))), U_STRENGTH_DB
