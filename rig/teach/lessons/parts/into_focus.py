"""A part: an arch is folded back into the place that drew it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from dsp.history.focus_limits import point_width_m
from dsp.history.focus_points import speed_lobe
from dsp.history.focusing import StraightWay
from dsp.physics.beams import first_null_rad
from dsp.physics.discs import disc_points_from_m
from dsp.uncertainty import stated
from rig.errors import NotHeardError, PlanError, RecordingError
from rig.measure.focus.measurement import focus_of, widths_over_speed
from rig.measure.focus.ways import way_of
from rig.teach.lessons.air_bench import ONE_BY_ONE
from rig.teach.lessons.bench_in_use import BenchInUse, easy_below, metres, two_digits
from rig.teach.lessons.by_hand import closest_by_tape, speed_by_watch
from rig.teach.lessons.lesson import Finding, Given, Part, Question, Step, StepHeard, curve

_FOLDED = ("it blurs", "it is as sharp", "it grows sharper")

_WIDEST_RAD = math.radians(35)
"""A wider beam would take more pings than a class waits for: its arch is cut off at both feet."""

_PINGS = 100
"""About so many are sent over the whole arch, where something may hang so near."""

_MOST_PINGS = 150
_OF_A_LIMIT = 0.85  # from ping to ping, of the way that can just be told apart

_U_BAND = 0.04
"""A ball's echo, and the way in air, tilt the pulse's band, and a band's middle makes the width
of a wide beam: by as much in the virtual tank, from balls of 4 to 20 mm."""


def _folded(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    closest, speed = givens["closest_m"], givens["speed_m_s"]
    (drawn,) = heard
    try:
        focus = focus_of(drawn.run, from_m=0.85 * closest.value, to_m=1.15 * closest.value)
    except RecordingError as problem:
        raise NotHeardError(
            f"step {drawn.step.name}: found nothing that passed about {closest.value:.3g} m away; "
            "draw the ball straight and evenly past the pair, or send louder"
        ) from problem
    told = [p for p in focus.points if p.width_along_m is not None and not p.near]
    if not told:
        raise NotHeardError(
            f"step {drawn.step.name}: found no point in focus about {closest.value:.3g} m away; "
            "draw the ball straight and evenly, or send louder"
        )
    best = max(told, key=lambda p: p.strength_db)
    width_m = float(best.width_along_m or 0.0)
    found, face = focus.speed, focus.face
    # What the disc and the pings allow, by tape and watch: nothing of it is heard.
    way = way_of(drawn.receiver, speed.value)
    pings = len(drawn.run.results)
    ahead_m = np.asarray(way.spacing_m * (np.arange(pings) - (pings - 1) / 2))
    expected_m = point_width_m(face, way, ahead_m, closest.value) or math.nan
    reach = 2.5 * speed_lobe(way, closest.value, _heard_way_m(way, closest.value, pings))
    shares = np.linspace(-reach, reach, 7)
    widths_m = widths_over_speed(
        drawn.run, focus.way, face, best.point, found.speed_m_s * (1 + shares)
    )
    fine = np.linspace(-reach, reach, 21)
    theory_m = [
        point_width_m(face, way, ahead_m, closest.value, tried_m_s=way.speed_m_s * (1 + s))
        for s in fine.tolist()
    ]
    # What falls to half nowhere is wider than all that was looked at.
    wrong_m = float(np.nan_to_num(widths_m[[0, -1]], nan=math.inf).mean())
    blurs = wrong_m > 1.2 * width_m
    wrong = (
        f"{1e3 * wrong_m:.0f} mm wide" if math.isfinite(wrong_m) else "spread out too far to tell"
    )
    return Finding(
        measured=1e3 * width_m,
        u_measured=1e3 * width_m * math.hypot(_U_BAND, found.u_speed_m_s / found.speed_m_s),
        expected=1e3 * expected_m,
        u_expected=1e3 * expected_m * _U_BAND,
        choice=_FOLDED[0 if blurs else 2 if wrong_m < width_m / 1.2 else 1],
        verdict=f"Folded back at {stated(found.speed_m_s, found.u_speed_m_s)} m/s, where it is "
        f"sharpest, the ball is {1e3 * width_m:.0f} mm wide along its way. At speeds "
        f"{100 * reach:.0f} % too low or too high it is {wrong}.",
        x_label="speed at which the echoes are folded, over the ball's own",
        y_label="width of the ball along its way / mm",
        curves=(
            curve(
                "a point, by theory",
                1 + fine,
                [math.nan if w is None else 1e3 * w for w in theory_m],
            ),
            curve("the ball", 1 + shares, 1e3 * widths_m, measured=True),
        ),
        numbers=(
            (
                "speed by watch / (m/s)",
                "speed by sharpness / (m/s)",
                "width / mm",
                "by theory / mm",
            ),
            (
                f"{speed.value:.3f}",
                stated(found.speed_m_s, found.u_speed_m_s),
                f"{1e3 * width_m:.1f}",
                f"{1e3 * expected_m:.1f}",
            ),
        ),
    )


def _heard_way_m(way: StraightWay, closest_m: float, pings: int) -> float:
    """Return over how long a way the ball is heard: within the beam, and within the pings."""
    return min(2 * closest_m * math.tan(way.half_angle_rad), pings * way.spacing_m)


def into_focus_on(bench: BenchInUse) -> Part:
    """Return the part as a bench can show it."""
    plan = bench.plan
    if plan.timing.band_sampling:
        raise PlanError(
            "timing.band_sampling: found true, by which a band is folded down and its phase with "
            "it: do this part with a loudspeaker's plan (`echobench plan --write air bench.toml`), "
            "or leave --plan out and hear it in the virtual tank"
        )
    its = plan.transducer
    edge_rad = min(first_null_rad(its.shape, its.size_m, bench.wave_m), _WIDEST_RAD)
    most_m = bench.wave_m / (4 * math.sin(edge_rad))
    wanted_m = _PINGS * _OF_A_LIMIT * most_m / (2 * math.tan(edge_rad))
    least_m = disc_points_from_m(its.radius_m, bench.wave_m) if its.shape == "piston" else 0
    wanted_m = max(min(1.0, wanted_m), 1.02 * least_m)
    (closest_m,) = bench.places_m(float(f"{wanted_m:.2g}"), needs=1 / math.cos(edge_rad))
    if closest_m < least_m:
        smaller_m = its.radius_m * math.sqrt(closest_m / least_m)
        raise PlanError(
            f"transducer.radius_m: found {its.radius_m:g}; {metres(closest_m)} away, where there "
            "is room, so large a disc is no point to what it hears, and draws another arch: give "
            f"at most {two_digits(smaller_m)}, or a lower frequency"
        )
    room_s = bench.room_s(plan.pulse.duration_s, plan.receiver.range_stop_m)
    interval_s = min(math.ceil(1e3 * room_s) / 1e3, bench.interval_s)
    speed_m_s = easy_below(
        _OF_A_LIMIT * most_m / interval_s, (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 6.0)
    )
    whole = math.ceil(2.1 * closest_m * math.tan(edge_rad) / (speed_m_s * interval_s))
    half = min(whole, _MOST_PINGS) // 2
    arch_m = 2 * half * speed_m_s * interval_s
    return Part(
        name="into-focus",
        question=Question(
            text=f"A small ball is drawn {metres(arch_m)} along a straight line, "
            f"{metres(closest_m)} away, and draws an arch over {2 * half} pings. For each place "
            "beside the way one knows what arch a point there would draw. Its echoes are read off "
            "all pings along that arch, and added up in step: the arch is folded back into the "
            "place that drew it. That takes the ball's speed. What if one takes a wrong one? "
            "(Measured besides: how wide along the way the ball comes out at the right one.)",
            unit="mm",
            choices=_FOLDED,
        ),
        givens=(closest_by_tape(closest_m), speed_by_watch("speed_m_s", "", speed_m_s)),
        steps=(
            Step(
                name="past",
                set_up="Lay source and receiver side by side. Draw a small ball on a thread past "
                f"them, {metres(closest_m)} away, along the line from one to the other, straight "
                f"and as evenly as you can, at about {speed_m_s:g} m/s: from {metres(arch_m / 2)} "
                "before the axis to as far beyond it.",
                scene=bench.scene(
                    {
                        "radius_m": 0.01,
                        "position_m": [closest_m, -speed_m_s * half * interval_s, 0.0],
                        "velocity_m_s": [0.0, speed_m_s, 0.0],
                    }
                ),
                pings=2 * half + 1,
                changes={**ONE_BY_ONE, "timing": {"ping_interval_s": interval_s}},
            ),
        ),
        find=_folded,
        because="An arch is not lost place: it is a place written out over many pings. The way "
        "out and back to a point grows away from the axis just as its speed and its distance say. "
        "Turned back by that, all its echoes are in step at one place, and out of step beside it. "
        "A disc does no better than half its width, near or far: farther off the beam is wider, "
        "and so is the stretch of way from which a point is heard. With a wrong speed the echoes "
        "at the arch's feet are turned too far or not far enough, and the point blurs.",
        talk=(
            "A boat's pictures are folded so, too. What would a boat have to know of its own way?",
            "A larger face has a narrower beam. Is its folded picture finer, or coarser?",
        ),
    )
