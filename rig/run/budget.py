"""How sure a range is: every source of doubt as a term, in the manner of the GUM.

The terms, by name:

delay
    The echo's arrival, from the pulse's spectrum and the measured SNR; from the step
    of its numbers where a device hands on an edge time.
time zero: mark
    The arrival of the direct sound or of the loopback's pulse, in the same way.
time zero: shape
    What moves the mark alone: a filter or a second path in it that the echoes have not, as
    far as its shape tells of one. Only there where the mark is no copy of the pulse.
time zero: stated
    The plan's ``u_time_zero_s``: what a cable, a filter or a stored calibration adds.
sound speed: temperature, humidity, salinity, formula
    At the sensor.
sound speed: gradient
    The path's mean temperature is not the sensor's. The sensor hangs beside the
    transducers; an even rise along the axis moves the mean by half the range times it.
geometry: baseline
    Counted once, with its sign, where it enters twice: with the direct sound as time
    zero it is part of the path as well.
geometry: off axis
    The target may stand anywhere in the half-power cone.
geometry: faces
    Their parts are not as far from the target as their middles: a disc makes what it sees
    nearby seem too far. Known at the most, and not corrected: it hangs on what the target is.
clock
    The converter's rate is not its nominal one.
motion
    Only of what moves, in a single ping of a chirp: its speed is not quite known, and shifts
    its range (:mod:`rig.run.motion`).

References
----------
JCGM 100:2008, "Guide to the expression of uncertainty in measurement", 5.1 and 8; F.2.4.5 for
what is known but not corrected (from memory).
"""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dsp.ping.ranging import late_by_faces_m, u_off_axis_m
from dsp.uncertainty import Budget, Input, Model, unsure, within
from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan

CLOCK_TOLERANCE_PPM = 100.0
"""How far a clock may be off whose device does not say; any error within it is taken
to be as likely. Common quartz holds half of it (common practice, no source)."""

DELAY = "delay"
MARK = "time zero: mark"
SHAPE = "time zero: shape"
STATED_TIME_ZERO = "time zero: stated"
GRADIENT = "sound speed: gradient"
BASELINE = "geometry: baseline"
OFF_AXIS = "geometry: off axis"
FACES = "geometry: faces"
CLOCK = "clock"
MOTION = "motion"
SECOND = "more than one echo"
_SOUND_SPEED = "sound speed: "

NOISE_TERMS = (DELAY, MARK, MOTION)
"""The terms that are new in each ping; the others stay as they are."""

SHIFT_TERMS = (SHAPE, STATED_TIME_ZERO, BASELINE, OFF_AXIS)
"""The terms that move all ranges of a bench by about as much."""

TABLED_ECHOES = 5
"""So many echoes, the nearest, have their budgets printed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RangeModel:
    """How one stream's delays become ranges, and all that is unsure about it.

    Attributes
    ----------
    plan : Plan
    info : StreamInfo
    sound_speed_m_s : float
        At the sensor.
    speed_terms_m_s : mapping of str to float
        What each of its inputs adds to its standard uncertainty.
    speed_per_c_m_s : float
        Its change with the temperature, per °C.
    half_angle_rad : float
        Of the half-power cone, out and back.
    """

    plan: Plan
    info: StreamInfo
    sound_speed_m_s: float
    speed_terms_m_s: Mapping[str, float]
    speed_per_c_m_s: float
    half_angle_rad: float

    def stated(
        self,
        *,
        delay_s: float,
        u_delay_s: float,
        u_mark_s: float,
        direct: bool,
        u_shape_s: float = 0.0,
    ) -> tuple[Model, dict[str, Input]]:
        """State the model of one range, and its inputs, each a term of the budget.

        Parameters
        ----------
        delay_s : float
            From the pulse's leaving to its return.
        u_delay_s : float
            Of the echo's arrival.
        u_mark_s : float
            Of the arrival of the time-zero mark.
        direct : bool
            Whether that mark is the direct sound: then the delay was counted from its
            arrival, and the baseline's own travel time was added.
        u_shape_s : float
            Of that arrival as well, by the mark's shape.

        Returns
        -------
        model : callable
            To metres, from a mapping of each input's name to its value: for
            :func:`dsp.uncertainty.propagated` and :func:`dsp.uncertainty.monte_carlo`.
        inputs : dict of str to Input
            Delays in s, speeds in m/s, lengths in m, the clock as a ratio.
        """
        geometry, speed = self.plan.geometry, self.sound_speed_m_s
        baseline_m = geometry.baseline_m
        path_m = speed * delay_s
        counted_s = delay_s - (baseline_m / speed if direct else 0.0)
        off_axis_m = u_off_axis_m(path_m, baseline_m, self.half_angle_rad)
        range_m = math.sqrt((path_m - baseline_m) * (path_m + baseline_m)) / 2
        gradient_m_s = abs(self.speed_per_c_m_s) * range_m / 2 * self.plan.medium.u_gradient_c_m
        late_m = late_by_faces_m(range_m, self.plan.transducer.mean_square_m2)

        inputs = {DELAY: Input(value=counted_s, u=u_delay_s)}
        inputs[MARK] = Input(value=0.0, u=u_mark_s)
        if u_shape_s > 0:
            inputs[SHAPE] = Input(value=0.0, u=u_shape_s)
        inputs[STATED_TIME_ZERO] = Input(value=0.0, u=geometry.u_time_zero_s)
        for name, u_m_s in self.speed_terms_m_s.items():
            spread = "even" if name == "formula" else "normal"
            inputs[f"{_SOUND_SPEED}{name}"] = Input(value=0.0, u=u_m_s, spread=spread)
        inputs[GRADIENT] = Input(value=0.0, u=gradient_m_s)
        inputs[BASELINE] = Input(value=baseline_m, u=geometry.u_baseline_m)
        inputs[OFF_AXIS] = Input(value=0.0, u=off_axis_m)
        inputs[FACES] = Input(value=0.0, u=late_m)
        inputs[CLOCK] = within((self.info.clock_tolerance_ppm or CLOCK_TOLERANCE_PPM) * 1e-6)

        def model(x: Mapping[str, Any]) -> Any:
            since_mark_s = x[DELAY] - x[MARK] - x.get(SHAPE, 0.0) - x[STATED_TIME_ZERO]
            elapsed_s = since_mark_s * (1 + x[CLOCK])
            faster_m_s = sum(v for name, v in x.items() if is_of_sound_speed(name))
            apart_m = x[BASELINE]
            long_m = (speed + faster_m_s) * elapsed_s + (apart_m if direct else 0.0)
            on_axis_m = ((long_m - apart_m) * (long_m + apart_m)) ** 0.5 / 2
            return on_axis_m + x[OFF_AXIS] - x[FACES]

        return model, inputs

    def budget(
        self,
        *,
        delay_s: float,
        u_delay_s: float,
        u_mark_s: float,
        direct: bool,
        u_shape_s: float = 0.0,
    ) -> Budget:
        """Return the budget of one range, in metres; parameters as for :meth:`stated`.

        The slopes of the stated model, written out: a search lists many echoes a ping, for
        each of which automatic differentiation would take as long as the search itself.
        """
        geometry, speed = self.plan.geometry, self.sound_speed_m_s
        baseline_m, path_m = geometry.baseline_m, speed * delay_s
        range_m = math.sqrt((path_m - baseline_m) * (path_m + baseline_m)) / 2
        # R = √(L² − b²)/2, and L counts from the mark.
        by_path = path_m / (4 * range_m)
        counted_s = delay_s - (baseline_m / speed if direct else 0.0)
        by_speed_s, by_delay_m_s = by_path * counted_s, by_path * speed
        gradient_m_s = abs(self.speed_per_c_m_s) * range_m / 2 * self.plan.medium.u_gradient_c_m
        by_baseline = abs((path_m if direct else 0.0) - baseline_m) / (4 * range_m)
        ppm = self.info.clock_tolerance_ppm or CLOCK_TOLERANCE_PPM
        shaped = u_shape_s > 0
        u_m = (
            by_delay_m_s * u_delay_s,
            by_delay_m_s * u_mark_s,
            *((by_delay_m_s * u_shape_s,) if shaped else ()),
            by_delay_m_s * geometry.u_time_zero_s,
            *[by_speed_s * u for u in self.speed_terms_m_s.values()],
            by_speed_s * gradient_m_s,
            by_baseline * geometry.u_baseline_m,
            u_off_axis_m(path_m, baseline_m, self.half_angle_rad),
            late_by_faces_m(range_m, self.plan.transducer.mean_square_m2),
            by_speed_s * speed * ppm * 1e-6 / math.sqrt(3),
        )
        return Budget(value=range_m, names=_names(tuple(self.speed_terms_m_s), shaped), u=u_m)


@functools.lru_cache(maxsize=8)
def _names(of_speed: tuple[str, ...], shaped: bool) -> tuple[str, ...]:
    """Return the terms' names in their order; the sound speed's own are told."""
    mark = (MARK, SHAPE) if shaped else (MARK,)
    speed = (f"{_SOUND_SPEED}{name}" for name in of_speed)
    return (DELAY, *mark, STATED_TIME_ZERO, *speed, GRADIENT, BASELINE, OFF_AXIS, FACES, CLOCK)


def is_of_sound_speed(term: str) -> bool:
    """Whether a term scales all ranges, as a wrong sound speed does."""
    return term.startswith(_SOUND_SPEED)


def budget_lines(budget: Budget) -> tuple[str, ...]:
    """Put a range's budget into a table: each term in mm, and its share of the variance."""
    whole_mm = 1e3 * budget.combined
    lines = [f"  {'term':<26} {'u, mm':>10}   {'share':>7}"]
    lines += [
        f"  {term.name:<26} {unsure(1e3 * term.u, like=whole_mm):>10}   {100 * share:5.1f} %"
        for term, share in zip(budget.terms, budget.shares, strict=True)
    ]
    lines += [
        f"  {'combined':<26} {unsure(whole_mm):>10}",
        f"  {'expanded, k = 2':<26} {unsure(1e3 * budget.expanded()):>10}",
    ]
    return tuple(lines)
