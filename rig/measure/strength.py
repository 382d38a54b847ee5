"""How strong the targets of a recording are, as far as its receivers can say.

The source level comes from a calibration against a target of known strength, or from
the maker. Where the angle of a target from the axis is known, the beam's loss there is
taken off; where it is not, the range of answers is given. Two receivers tell the angle of
each: :mod:`rig.measure.laid_strength`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import stray_together
from dsp.history import strengths
from dsp.history.pair_beams import two_way_amplitude
from dsp.history.strengths import StrengthRange, StrengthTerm
from dsp.physics.absorption import absorption_db_m
from dsp.physics.beams import beam_amplitude, first_null_rad, half_power_half_angle_rad
from dsp.uncertainty import signed, stated, unsure
from rig.bench.plan import Medium, Plan
from rig.errors import PlanError
from rig.measure.beam.setting import setting_of
from rig.measure.laid_strength import (
    BODIES,
    LaidTarget,
    ball_radius_m,
    is_surely_stronger,
    laid_answer,
    laid_lines,
    laid_target,
)
from rig.measure.near_discs import arches_at, on_axis_db
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.run.hits import resolution_m
from rig.run.receiver import Receiver
from rig.run.results import Echo
from rig.run.run import Run

_DEEPEST_BEAM_DB = -30.0
"""So near to a null of the beam, a target's place is never known well enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetStrength:
    """One target, as strong as its echo says.

    Attributes
    ----------
    echo : Echo
    absorption_db_m : float
        That was reckoned with.
    open_range : StrengthRange
        For a target anywhere in the beam.
    edge_rad : float
        Where the open range's edge is: at half power, or at 90° for a face so small that
        its beam never falls so far.
    known_db, u_known_db : float or None
        dB re 1 m², where the target's angle was given.
    known_terms : tuple of StrengthTerm
    ball_radius_m : tuple of (float or None)
        Of a hard ball on the axis and at the half-power edge; None where it would be too
        small against the wave for its strength to tell its size.
    laid : LaidTarget or None
        Laid on the axis, by two receivers' angle; None where there is one receiver.
    """

    echo: Echo
    absorption_db_m: float
    open_range: StrengthRange
    edge_rad: float
    known_db: float | None
    u_known_db: float | None
    known_terms: tuple[StrengthTerm, ...]
    ball_radius_m: tuple[float | None, float | None]
    laid: LaidTarget | None = None


def target_strengths(
    receiver: Receiver,
    echoes: Sequence[Echo],
    *,
    source_level_db: float,
    u_source_level_db: float,
    angle_rad: float | None = None,
    u_angle_rad: float = 0.0,
    height_rad: float | None = None,
    body: str = BODIES[0],
) -> tuple[TargetStrength, ...]:
    """Turn echoes into target strengths.

    Parameters
    ----------
    receiver : Receiver
    echoes : sequence of Echo
    source_level_db, u_source_level_db : float
        What the receiver would show of the pulse itself, on the axis at 1 m, dB re full
        scale.
    angle_rad, u_angle_rad : float, optional
        Of the target from the axis, where it is known.
    height_rad : float, optional
        All targets stand within so much above or below the axis, as seen along it.
    body : {"ball", "plate"}
        What a strength laid on the axis is told as the size of.

    Raises
    ------
    PlanError
        Where the angle is so near to a null of the plan's beam, or beyond its first at the
        band's highest frequency, that its loss is not known.
    """
    plan = receiver.plan
    centre_hz = plan.pulse.centre_hz
    wavelength_m = receiver.sound_speed_m_s / centre_hz
    absorption, u_absorption = _absorption(plan.medium, centre_hz)
    face = plan.transducer
    edge_rad = half_power_half_angle_rad(face.shape, face.size_m, wavelength_m)
    edge_loss_db = _pattern_db(plan, wavelength_m, np.array([edge_rad]))[0]
    beam_db, u_beam_db = 0.0, 0.0
    if angle_rad is not None:
        beam_db, u_beam_db = _beam_loss(receiver, angle_rad, u_angle_rad)
    found = []
    for echo in echoes:
        # For a target straight ahead, the way out is as long as the way back, and each face
        # sees it a little beside its own axis.
        way_m = echo.path_m / 2
        parallax_rad = math.asin(min(1.0, plan.geometry.baseline_m / 2 / way_m))
        parallax_db = float(_pattern_db(plan, wavelength_m, np.array([parallax_rad]))[0])
        near = _nearby(receiver, echo.range_m, edge_rad, float(edge_loss_db), angle_rad)
        terms: tuple[StrengthTerm, ...] = ()
        if near is not None:
            parallax_db, terms = near.axis_db, (near.term,)
        shares = {
            "snr": 10 ** (echo.snr_db / 10),
            "range_m": way_m,
            "u_range_m": echo.u_range_m,
            "absorption_db_m": absorption,
            "u_absorption_db_m": u_absorption,
            "u_source_level_db": u_source_level_db,
        }
        open_range = strengths.strength_range(
            echo.strength_db,
            source_level_db,
            out_m=way_m,
            back_m=way_m,
            absorption_db_m=absorption,
            terms=(*strengths.strength_terms(**shares), *terms),
            axis_beam_db=parallax_db,
            edge_beam_db=float(edge_loss_db),
        )
        known_terms = (*strengths.strength_terms(**shares, u_beam_db=u_beam_db), *terms)
        known = angle_rad is not None
        found.append(
            TargetStrength(
                echo=echo,
                absorption_db_m=absorption,
                open_range=open_range,
                edge_rad=edge_rad,
                known_db=open_range.axis_db - beam_db if known else None,
                u_known_db=strengths.combined_db(known_terms) if known else None,
                known_terms=known_terms if known else (),
                ball_radius_m=(
                    ball_radius_m(open_range.axis_db, wavelength_m),
                    ball_radius_m(open_range.edge_db, wavelength_m),
                ),
                laid=laid_target(
                    receiver,
                    echo,
                    source_level_db=source_level_db,
                    absorption_db_m=absorption,
                    u_heard_db=open_range.u_db,
                    edge_db=float(edge_loss_db),
                    height_rad=height_rad,
                    body=body,
                ),
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Nearby:
    """What discs that are no points do to an echo from straight ahead."""

    axis_db: float
    term: StrengthTerm


def _nearby(
    receiver: Receiver,
    range_m: float,
    edge_rad: float,
    edge_loss_db: float,
    angle_rad: float | None,
) -> _Nearby | None:
    """Sum a near echo's loss over the discs' parts; None where they are points.

    Raises
    ------
    PlanError
        Where a target at the given angle is heard as more than one copy of the pulse.
    """
    arches = arches_at(receiver, range_m)
    if not arches:
        return None
    axis_db, by_size_db = on_axis_db(receiver, range_m)
    # Off the axis the far field's pattern is kept, and what it is wrong by is counted.
    at_rad, loss_db = edge_rad, edge_loss_db
    if angle_rad is not None:
        aside_m = range_m * math.tan(angle_rad)
        if any(abs(aside_m) > arch.aside_m[-1] for arch in arches):
            raise PlanError(
                f"an angle of {math.degrees(angle_rad):.1f}° at {range_m:.3g} m: so near, the "
                "discs are no points, and from there no echo is one copy of the pulse; give a "
                "smaller angle, or a target further away"
            )
        at_rad = abs(angle_rad)
        loss_db, _ = _beam_loss(receiver, angle_rad, 0.0)
    aside_m = range_m * math.tan(min(at_rad, math.radians(80)))
    by_angle_db = max(abs(float(arch.level_at_db(aside_m)) - loss_db) for arch in arches)
    return _Nearby(
        axis_db=axis_db,
        term=StrengthTerm(
            name="parts of the discs, so near", u_db=math.hypot(by_size_db, by_angle_db)
        ),
    )


def strengths_told(
    run: Run,
    *,
    source_level_db: float | None = None,
    u_source_level_db: float = 1.0,
    angle_rad: float | None = None,
    u_angle_rad: float = 0.0,
    height_rad: float | None = None,
    body: str = BODIES[0],
) -> tuple[tuple[TargetStrength, ...], str] | None:
    """Tell a run's target strengths by the source level that was given, or else calibrated.

    Parameters
    ----------
    run : Run
    source_level_db : float, optional
        The calibration's, where none is given.

    The others as for :func:`target_strengths`.

    Returns
    -------
    targets : tuple of TargetStrength
    source : str
        The level, and where it is from.

    None where there is no source level.

    Raises
    ------
    PlanError
        As :func:`target_strengths` has it.
    """
    calibration = run.receiver.calibration
    level = None if calibration is None else calibration.level
    if source_level_db is not None:
        source = "as given"
    elif level is not None:
        source_level_db, u_source_level_db = level.source_level_db, level.u_source_level_db
        source = f"from the calibration, by {level.target}"
    else:
        return None
    targets = target_strengths(
        run.receiver,
        unsmeared_echoes(run),
        source_level_db=source_level_db,
        u_source_level_db=u_source_level_db,
        angle_rad=angle_rad,
        u_angle_rad=u_angle_rad,
        height_rad=height_rad,
        body=body,
    )
    return targets, (
        f"{stated(source_level_db, u_source_level_db)} dB re full scale at 1 m (k = 2), {source}"
    )


def _surely_moved(passing: Passing) -> bool:
    """Whether a target went somewhere, rather than that its ranges scatter."""
    if passing.passage.kind in ("pass", "half"):
        return True
    if passing.passage.kind == "stay":
        return False
    return stray_together(passing.range_m - np.mean(passing.range_m))


def unsmeared_echoes(run: Run) -> tuple[Echo, ...]:
    """Return a run's echoes, each of what moved by the ping that heard it best.

    A sum of all pings smears what moved, and shows it too weak by any amount. Of a pass, the
    strongest hit is the one nearest to the beam's axis.
    """
    # A quarter of a wave of way, out and back, is enough for pings to cancel.
    least_m = run.receiver.wavelength_m / 8
    moved = [p for p in passings_of(run) if p.wandered_m > least_m and _surely_moved(p)]
    if not moved:
        return run.echoes
    cell_m = resolution_m(run.receiver)
    by_ping = {r.index: r.echoes for r in run.results}
    kept = [
        echo
        for echo in run.echoes
        if not any(
            p.range_m.min() - cell_m <= echo.range_m <= p.range_m.max() + cell_m for p in moved
        )
    ]
    for p in moved:
        hits = [
            echo
            for ping, range_m in zip(p.ping.tolist(), p.range_m.tolist(), strict=True)
            for echo in by_ping.get(ping, ())
            if abs(echo.range_m - range_m) <= cell_m
        ]
        if hits:
            kept.append(max(hits, key=lambda e: e.strength_db))
    return tuple(sorted(kept, key=lambda e: e.range_m))


def strength_lines(target: TargetStrength) -> tuple[str, ...]:
    """Put one target's strength into words, with every term of its uncertainty."""
    found = target.open_range
    on_axis, at_edge = (signed(f"{db:.1f}") for db in (found.axis_db, found.edge_db))
    lines = [
        f"echo at {target.echo.range_m:.3f} m: from {on_axis} dB re 1 m² on the axis to {at_edge} "
        f"at the cone's edge ({math.degrees(target.edge_rad):.1f}°), and more "
        f"beyond; each ± {unsure(2 * found.u_db)} "
        "dB (k = 2)"
    ]
    on_axis_m, at_edge_m = target.ball_radius_m
    if on_axis_m is not None and at_edge_m is not None:
        lines.append(
            f"as a hard ball: {1e3 * on_axis_m:.0f} mm in radius on the axis, "
            f"{1e3 * at_edge_m:.0f} mm at the edge"
        )
    else:
        lines.append("too weak against the wave's length to be told as a size")
    terms = found.terms
    if target.known_db is not None and target.u_known_db is not None:
        lines.append(
            f"at the given angle: {stated(target.known_db, target.u_known_db)} dB re 1 m² (k = 2)"
        )
        terms = target.known_terms
    lines += [
        f"  {term.name}: {unsure(term.u_db, like=found.u_db)} dB" for term in terms if term.u_db > 0
    ]
    if target.laid is not None:
        lines += laid_lines(target.laid)
    return tuple(lines)


def surely_stronger_pairs(
    targets: Sequence[TargetStrength],
) -> tuple[tuple[TargetStrength, TargetStrength], ...]:
    """Return all pairs of which the first is surely the stronger, by two receivers' angles."""
    found = []
    for one in targets:
        # The same for all of them, whatever it is.
        u_source_level_db = one.open_range.terms[0].u_db
        for other in targets:
            if (
                one.laid is not None
                and other.laid is not None
                and is_surely_stronger(one.laid, other.laid, u_source_level_db=u_source_level_db)
            ):
                found.append((one, other))
    return tuple(found)


def compared_lines(targets: Sequence[TargetStrength]) -> tuple[str, ...]:
    """Put into words which of two receivers' targets is the stronger, where that is sure."""
    return tuple(
        f"the target at {one.echo.range_m:.3f} m is the stronger of it and the one at "
        f"{other.echo.range_m:.3f} m (k = 2)"
        for one, other in surely_stronger_pairs(targets)
    )


def strength_answer(targets: Sequence[TargetStrength]) -> dict[str, Any]:
    """Answer `strength --json`; uncertainties are standard ones."""
    pairs = surely_stronger_pairs(targets)
    return {
        "targets": [
            {
                "range_m": t.echo.range_m,
                "echo_level_db": t.echo.strength_db,
                "absorption_db_m": t.absorption_db_m,
                "axis_db": t.open_range.axis_db,
                "edge_db": t.open_range.edge_db,
                "edge_deg": math.degrees(t.edge_rad),
                "u_db": t.open_range.u_db,
                "known_db": t.known_db,
                "u_known_db": t.u_known_db,
                "ball_radius_m": list(t.ball_radius_m),
                "budget": [
                    {"term": term.name, "u_db": term.u_db}
                    for term in t.known_terms or t.open_range.terms
                ],
            }
            | (
                {}
                if t.laid is None
                else laid_answer(t.laid)
                | {"stronger_than_m": [other.echo.range_m for one, other in pairs if one is t]}
            )
            for t in targets
        ]
    }


def _absorption(medium: Medium, frequency_hz: float) -> tuple[float, float]:
    """Return the medium's absorption, and its standard uncertainty, dB a metre.

    By differences over the uncertainties that the plan states: near its peak over
    humidity the absorption hardly follows it, so both sides are tried.
    """
    words = {
        "temperature_c": medium.temperature_c,
        "humidity_percent": medium.humidity_percent,
        "salinity_g_kg": medium.salinity_g_kg,
    }

    def at(**changed: float) -> float:
        return float(absorption_db_m(medium.kind, frequency_hz, **{**words, **changed}))

    middle = at()
    steps = [("temperature_c", medium.u_temperature_c, -2.0, 40.0)]
    if medium.kind == "air":
        steps = [("temperature_c", medium.u_temperature_c, -20.0, 50.0)]
        steps.append(("humidity_percent", medium.u_humidity_percent, 0.0, 100.0))
    moves = []
    for name, u, low, high in steps:
        sides = [at(**{name: min(max(words[name] + s * u, low), high)}) for s in (-1, 1)]
        moves.append(max(abs(side - middle) for side in sides))
    return middle, math.hypot(*moves)


def _beam_loss(receiver: Receiver, angle_rad: float, u_angle_rad: float) -> tuple[float, float]:
    """Return what the plan's beam takes off at an angle, both ways, and its uncertainty.

    Over the whole band: the higher a frequency, the narrower is its beam.
    """
    plan = receiver.plan
    face, setting = plan.transducer, setting_of(receiver)
    highest_hz = plan.pulse.highest_hz
    null_rad = first_null_rad(face.shape, face.size_m, receiver.sound_speed_m_s / highest_hz)
    angles = np.array([angle_rad, angle_rad - u_angle_rad, angle_rad + u_angle_rad])
    heard = two_way_amplitude(setting, face.size_m, angles, angles)
    losses_db = 20 * np.log10(np.maximum(heard, 1e-10))
    # Beyond, part of the band comes with its sign turned: the echo is no copy of the pulse.
    beyond = null_rad < math.pi / 2 and bool((np.abs(angles) >= null_rad).any())
    if beyond or losses_db.min() < _DEEPEST_BEAM_DB:
        raise PlanError(
            f"an angle of {math.degrees(angle_rad):.1f} ± {math.degrees(u_angle_rad):.1f}° is near "
            f"a null of the beam, or beyond: at {highest_hz / 1e3:g} kHz its first stands at "
            f"{math.degrees(null_rad):.1f}°, and there the loss is not known; give a smaller angle"
        )
    middle_db = float(losses_db[0])
    return middle_db, float(np.max(np.abs(losses_db - middle_db)))


def _pattern_db(
    plan: Plan, wavelength_m: float, angle_rad: NDArray[np.float64]
) -> NDArray[np.float64]:
    face = plan.transducer
    pattern = beam_amplitude(face.shape, face.size_m, wavelength_m, angle_rad, ways=2)
    return np.asarray(20 * np.log10(np.maximum(np.abs(pattern), 1e-10)))
