"""Commands that measure: `measure`, `beam`, `strength`, `twin`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

from rig.cli import opening, options, output
from rig.errors import CalibrationError, PlanError

if TYPE_CHECKING:
    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.measure.beam.moved import Stops
    from rig.measure.strength import TargetStrength
    from rig.run.opening import Bench
    from rig.run.run import Run

T = TypeVar("T")


def _measure(given: argparse.Namespace) -> int:
    from dsp.uncertainty import stated
    from rig.measure.other_benches import is_of_another_bench, other_benches
    from rig.measure.passes.following import passings_of
    from rig.measure.passes.words import passing_lines
    from rig.measure.smeared import smear_lines
    from rig.show.answers import measure_answer
    from rig.show.wording import counted

    run = recorded_run(given)
    if given.json:
        print(json.dumps(measure_answer(run)))
        return 0
    count = counted(len(run.results), "ping")
    print(f"{count}, {run.lost_pings} lost; the good ones are added up")
    output.print_faults(run)
    speed, u_speed = run.receiver.sound_speed_m_s, run.receiver.u_sound_speed_m_s
    print(f"sound speed {stated(speed, u_speed)} m/s (k = 2)")
    output.print_echoes(run.echoes, "Echoes in the sum")
    output.print_late(run.measurement)
    others = other_benches(run)
    passings = [p for p in passings_of(run) if not is_of_another_bench(p, others, run.receiver)]
    for line in smear_lines(run, passings):
        print(f"  {line}")
    output.print_budgets(run.echoes)
    if passings:
        print("What went by, followed from ping to ping (± is k = 2):")
    for line in passing_lines(passings):
        print(f"  {line}")
    return 0


def recorded_run(given: argparse.Namespace) -> Run:
    """Go over the recording that was named, once."""
    return recorded_beside(given, lambda run: run)


def recorded_beside(given: argparse.Namespace, begin: Callable[[Run], T]) -> T:
    """Go over the recording that was named, beside what is begun for its run; return that."""
    with opening.replay_of(given) as bench:
        run = bench.run()
        begun = begin(run)
        _go_over(bench, run, bench.recorded_pings or 0)
    opening.warn_of_loss(given.recording, run.origin)
    return begun


def _go_over(bench: Bench, run: Run, pings: int, *, record: str | None = None) -> None:
    """Go over a bench's pings, with a bar that shows how far one is."""
    for _ in output.progress(bench.over(run, pings, record=record), pings, "ping"):
        pass


def _twin(given: argparse.Namespace) -> int:
    import math

    from rig.measure.scale_card import Case, card_lines, twin, two_way_cone_rad
    from rig.show.answers import twin_answer

    cone_rad = math.radians(given.cone_deg)
    if given.cone_is == "one-way":
        cone_rad = two_way_cone_rad(cone_rad)
    elif given.cone_is is None:
        opening.warn(
            f"--cone-deg {given.cone_deg:g}: out and back, or one way? It is taken as out and "
            "back; data sheets give one way: then add --cone-is one-way"
        )
    case = Case(
        speed_m_s=given.speed_m_s,
        depth_m=given.depth_m,
        cone_rad=cone_rad,
        pings_per_s=given.pings_per_s,
        resolution_m=given.resolution_m,
    )
    other = twin(case, depth_m=given.to_depth_m, pings_per_s=given.to_pings_per_s)
    if given.json:
        print(json.dumps(twin_answer(case, other)))
        return 0
    wavelength_m = None
    plan = opening.plan_or_none(given.plan)
    if plan is not None:
        from rig.measure.forecast import forecast

        wavelength_m = forecast(plan).wavelength_m
    for line in card_lines(case, other, wavelength_m=wavelength_m):
        print(line)
    return 0


def _beam(given: argparse.Namespace) -> int:
    from rig.bench.plan import read_plan
    from rig.measure.beam.answer import beam_answer
    from rig.measure.beam.measurement import beam_of
    from rig.measure.beam.words import beam_lines

    moved = way_moved(given)
    if given.recording is not None:
        run = recorded_run(given)
        note = f"From {run.origin.name}."
    elif given.plan is None:
        raise PlanError("beam: found no recording and no plan; give a RECORDING, or --plan FILE")
    else:
        plan = read_plan(given.plan)
        calibration = opening.calibration_for(given, plan)
        if given.stops is not None:
            run = _pings_at_stops(given, plan, moved, calibration)
        else:
            with opening.bench_of(given, plan, calibration=calibration) as bench:
                run = bench.run()
                _go_over(bench, run, given.pings or 80, record=given.record)
        note = f"Live: {given.front_end.replace('-', ' ')}."
    measured = beam_of(run, moved, beside=not given.square, from_m=given.from_m, to_m=given.to_m)
    if given.picture is not None:
        from rig.show.pictures.beam_picture import BeamPicture
        from rig.show.pictures.saving import save_drawn

        save_drawn(given.picture, lambda figure: BeamPicture(figure, measured, note=note))
    if given.json:
        print(json.dumps(beam_answer(measured)))
        return 0
    for line in beam_lines(measured):
        print(line)
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def way_moved(given: argparse.Namespace) -> Any:
    """Return how the target was moved across the beam."""
    from rig.measure.beam.moved import SteadyPass, read_stops

    if given.stops is not None:
        return read_stops(given.stops, u_zero_m=given.u_zero_m)
    return SteadyPass(speed_m_s=given.speed_m_s, u_speed_m_s=given.u_speed_m_s)


def _pings_at_stops(
    given: argparse.Namespace, plan: Plan, stops: Stops, calibration: Calibration | None
) -> Run:
    """Ask for the target to be set, and ping it, stop after stop."""
    import dataclasses
    import math

    run: Run | None = None
    for number, stop in enumerate(stops.stops):
        place = f"{math.degrees(stop.place):g}°" if stops.turned else f"{stop.place:g} m"
        print(
            f"{number + 1} of {len(stops.stops)}: set the target to {place}, then press Enter",
            file=sys.stderr,
        )
        if not sys.stdin.readline():
            raise PlanError(
                f"--stops: the input ended before stop {number + 1}; press Enter once the target "
                "is set, or give a recording"
            )
        with opening.bench_of(given, plan, calibration=calibration) as bench:
            here = bench.ping(stop.last_ping - stop.first_ping + 1)
        run = bench.run() if run is None else run
        for result in here.results:
            run.take(dataclasses.replace(result, index=stop.first_ping + result.index))
    if run is None:
        raise PlanError("--stops: found no stop in the file; give it a line for each")
    return run


def _strength(given: argparse.Namespace) -> int:
    from rig.files.calibration import CALIBRATION_NAME
    from rig.measure.passes.following import passings_of
    from rig.measure.smeared import smear_lines
    from rig.measure.strength import compared_lines, strength_answer, strength_lines

    if given.source_level_db is None and given.calibration is None:
        beside = os.path.dirname(given.plan or given.recording)
        given.calibration = os.path.join(beside, CALIBRATION_NAME)
        if not os.path.exists(given.calibration):
            raise CalibrationError(
                f"strength: found no source level and no {given.calibration}; give "
                "--source-level-db, or calibrate with --at and the target's --sphere-radius"
            )
    run = recorded_run(given)
    told = strengths_by(given, run)
    if told is None:
        raise CalibrationError(
            "calibration: found no level in it; calibrate again with --at and the target's "
            "--sphere-radius or --plate-size, or give --source-level-db"
        )
    targets, source = told
    for line in smear_lines(run, passings_of(run)):
        print(f"echobench: {line}", file=sys.stderr)
    if given.json:
        print(json.dumps(strength_answer(targets)))
        return 0
    print(f"Source level {source}")
    if not targets:
        print("No echo above the threshold")
    for target in targets:
        for line in strength_lines(target):
            print(line)
    for line in compared_lines(targets):
        print(line)
    return 0


def strengths_by(
    given: argparse.Namespace, run: Run
) -> tuple[tuple[TargetStrength, ...], str] | None:
    """Tell target strengths by what stands on the command line; None without a source level."""
    import math

    from rig.measure.strength import strengths_told

    return strengths_told(
        run,
        source_level_db=given.source_level_db,
        u_source_level_db=given.u_source_level_db,
        angle_rad=None if given.angle_deg is None else math.radians(given.angle_deg),
        u_angle_rad=math.radians(given.u_angle_deg),
        height_rad=None if given.height_deg is None else math.radians(given.height_deg),
        body=given.body,
    )


def _add_beam(commands: Any) -> None:
    scaled = options.command(
        commands, "twin", _twin, "the bench case that draws the picture of a field case, and back"
    )
    _add_twin(scaled)

    beam = options.command(
        commands, "beam", _beam, "measure a beam with a target that is moved across it"
    )
    beam.add_argument(
        "recording",
        metavar="RECORDING",
        nargs="?",
        help=".sigmf-meta, WAV or FLAC file; without it, pings are sent now",
    )
    options.add_front_end(beam, needs_plan=False)
    options.add_pings(beam)
    options.add_record(beam)
    options.add_picture(beam)
    options.add_calibration(beam)
    add_moved(beam, required=True)


def add_moved(command: argparse.ArgumentParser, *, required: bool) -> None:
    """Add how a target was moved across the beam."""
    how = command.add_mutually_exclusive_group(required=required)
    how.add_argument(
        "--speed-m-s",
        metavar="V",
        type=options.number_in(low=1e-6),
        help="the target is drawn past, straight and evenly, at this speed",
    )
    how.add_argument(
        "--stops",
        metavar="FILE",
        help="the target stands at known places: a CSV file, a line for each, with the columns "
        "position_m (slide) or angle_deg (turntable), and first_ping and last_ping from 0 on",
    )
    command.add_argument(
        "--u-speed-m-s",
        metavar="U",
        type=options.number_in(low=0.0),
        default=0.0,
        help="standard uncertainty of the speed (default: 0)",
    )
    command.add_argument(
        "--u-zero-m",
        metavar="U",
        type=options.number_in(low=1e-6),
        default=0.002,
        help="standard uncertainty of a slide's zero, which stands square ahead of the pair "
        "(default: 0.002)",
    )
    command.add_argument(
        "--square",
        action="store_true",
        help="the target's way is square to the line from source to receiver, not along it",
    )
    options.add_span(
        command,
        first="the target's echo is the strongest from this range on",
        last="and up to this one",
    )


def _add_twin(command: argparse.ArgumentParser) -> None:
    above_zero = options.number_in(low=1e-9)
    wanted = (
        ("--speed-m-s", "V", "speed of the target, across the cone"),
        ("--depth-m", "R", "range where it crosses the axis"),
        ("--pings-per-s", "N", "pings a second"),
    )
    for name, letter, meaning in wanted:
        command.add_argument(name, metavar=letter, type=above_zero, required=True, help=meaning)
    command.add_argument(
        "--cone-deg",
        metavar="A",
        type=options.number_in(low=0.01, high=179.0),
        required=True,
        help="whole angle of the cone, from half power to half power",
    )
    command.add_argument(
        "--cone-is",
        choices=("one-way", "two-way"),
        help="whether that angle is one way's, as data sheets give it, or out and back",
    )
    command.add_argument(
        "--resolution-m", metavar="D", type=above_zero, help="range resolution, to be scaled too"
    )
    command.add_argument(
        "--to-depth-m", metavar="R", type=above_zero, default=1.0, help="the twin's (default: 1)"
    )
    command.add_argument(
        "--to-pings-per-s", metavar="N", type=above_zero, default=4.0, help="its own (default: 4)"
    )
    command.add_argument(
        "--plan", metavar="FILE", help="the twin's plan, to name the face that makes its cone"
    )


def add_source_level(command: argparse.ArgumentParser) -> None:
    """Add what turns an echo's level into its target's strength."""
    command.add_argument(
        "--source-level-db",
        metavar="DB",
        type=options.number_in(low=-400.0, high=400.0),
        help="what the receiver would show of the pulse itself, on the axis at 1 m, dB re full "
        "scale (default: the calibration's)",
    )
    command.add_argument(
        "--u-source-level-db",
        metavar="DB",
        type=options.number_in(low=0.0, high=400.0),
        default=1.0,
        help="its standard uncertainty (default: 1)",
    )
    command.add_argument(
        "--angle-deg",
        metavar="DEG",
        type=options.number_in(low=0.0, high=90.0),
        help="of the target from the axis, where it is known",
    )
    command.add_argument(
        "--u-angle-deg",
        metavar="DEG",
        type=options.number_in(low=0.0, high=90.0),
        default=0.0,
        help="its standard uncertainty (default: 0)",
    )
    command.add_argument(
        "--height-deg",
        metavar="DEG",
        type=options.number_in(low=0.0, high=90.0),
        help="all targets stand within so much above or below the axis, 0 for level with it: two "
        "receivers tell how far aside one stands, and not how high",
    )
    command.add_argument(
        "--body",
        choices=["ball", "plate"],
        default="ball",
        help="what two receivers tell the size of, for a target of that shape (default: ball)",
    )


def add_to(commands: Any) -> None:
    """Add this module's commands."""
    measure = options.command(
        commands, "measure", _measure, "add up a recording's pings and measure"
    )
    options.add_recording(measure)
    options.add_calibration(measure)

    _add_beam(commands)
    strength = options.command(
        commands, "strength", _strength, "say how strong a recording's targets are, dB re 1 m²"
    )
    options.add_recording(strength)
    options.add_calibration(
        strength,
        "a stored calibration; where no source level is given, its own is used, and this file is "
        "echobench-calibration.json beside the plan or the recording unless another is named",
    )
    add_source_level(strength)
