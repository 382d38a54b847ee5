"""The command `echobench`: thin; each subcommand imports what it needs when it runs.

This is the one module that prints and exits. Results go to standard output,
progress and complaints to standard error. Exit status: 0 done, 1 failed, 2 wrong
usage or input.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any, NoReturn

from rig.errors import (
    CalibrationError,
    DeviceError,
    EchobenchError,
    PlanError,
    RecordingError,
    SceneError,
)

if TYPE_CHECKING:
    from datetime import datetime

    from rig.beam import Stops
    from rig.calibrate import KnownTarget, Step
    from rig.calibration import Calibration
    from rig.capture import StreamInfo
    from rig.front_ends.base import FrontEnd
    from rig.front_ends.replay import Replay
    from rig.plan import Plan
    from rig.receiver import Receiver
    from rig.session import PingResult

FRONT_ENDS = ("virtual-tank", "sound-card", "serial-board", "emulated-board")

_CAUTION = (
    "Start quiet and keep ears away from the loudspeaker. Keep mains equipment away from a tank."
)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit status."""
    parser = _parser()
    given = parser.parse_args(arguments)
    try:
        status: int = given.do(given)
        sys.stdout.flush()
    except (PlanError, SceneError, RecordingError, CalibrationError) as problem:
        return _complain(problem, 2)
    except EchobenchError as problem:
        return _complain(problem, 1)
    except BrokenPipeError:
        # Whoever read our output has had enough; keep the interpreter's own
        # flush at exit from complaining about it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return status


def _complain(problem: Exception, status: int) -> int:
    print(f"echobench: {problem}", file=sys.stderr)
    return status


# What each subcommand does


def _demo(given: argparse.Namespace) -> int:
    from rig.front_ends.virtual_tank import open_virtual_tank
    from rig.tank.built_in import built_in, built_in_scenes

    if given.scene is None or given.scene in built_in_scenes():
        scene, plan = built_in(given.scene or built_in_scenes()[0])
    else:
        scene, plan = _scene_and_its_plan(given.scene)
    with open_virtual_tank(plan, scene=scene, seed=given.seed) as front_end:
        return _run_and_show(given, front_end, plan, note="", default_pings=80)


def _scene_and_its_plan(path: str) -> tuple[Any, Any]:
    """Return a scene from a file, with the built-in plan for its medium."""
    from rig.tank.built_in import plan_for
    from rig.tank.scene import read_scene

    if not os.path.exists(path):
        from rig.tank.built_in import built_in_scenes

        raise SceneError(
            f"--scene: found {path!r}, which is no file; give a file, "
            f"or one of {', '.join(built_in_scenes())}"
        )
    scene = read_scene(path)
    return scene, plan_for(scene)


def _run(given: argparse.Namespace) -> int:
    from rig.plan import read_plan

    plan = read_plan(given.plan)
    calibration = _calibration_for(given, plan)
    with _open(given, plan, calibration) as front_end:
        return _run_and_show(
            given, front_end, plan, note="", default_pings=20, calibration=calibration
        )


def _calibration_for(given: argparse.Namespace, plan: Plan) -> Calibration | None:
    """Read the calibration that was named, or the one beside the plan if it is needed."""
    by_latency = plan.geometry.time_zero == "calibration" and given.front_end == "sound-card"
    needed = by_latency or plan.receiver.weighting == "equalised"
    return _stored_calibration(given.calibration, beside=given.plan, needed=needed)


def _stored_calibration(path: str | None, *, beside: str, needed: bool) -> Calibration | None:
    from rig.calibration import CALIBRATION_NAME, read_calibration

    if path is None and not needed:
        return None
    return read_calibration(path or os.path.join(os.path.dirname(beside), CALIBRATION_NAME))


def _receiver(
    plan: Plan, info: StreamInfo, calibration: Calibration | None, *, when: datetime | None
) -> Receiver:
    """Make the receiver, with a calibration that fits the bench or not at all."""
    from rig.receiver import Receiver

    if calibration is not None:
        calibration.check(plan, info, when=when)
    return Receiver(plan, info, calibration=calibration)


def _now() -> datetime:
    from datetime import UTC, datetime

    return datetime.now(UTC)


def _open(
    given: argparse.Namespace, plan: Plan, calibration: Calibration | None = None
) -> FrontEnd:
    """Open the front end that was asked for."""
    if given.front_end == "sound-card":
        from rig.front_ends.sound_card import open_sound_card

        device, known = given.device, None
        if plan.geometry.time_zero == "calibration" and calibration is not None:
            known = calibration.time_zero
        return open_sound_card(
            plan,
            device=int(device) if device is not None and device.isdigit() else device,
            level_db=given.level,
            known_latency_s=None if known is None else known.latency_s,
            u_known_latency_s=0.0 if known is None else known.u_latency_s,
        )
    if given.front_end == "serial-board":
        from rig.front_ends.serial_board import open_serial_board

        return open_serial_board(plan, port=given.device)
    from rig.tank.built_in import scene_for
    from rig.tank.scene import read_scene

    scene = read_scene(given.scene) if given.scene is not None else scene_for(plan)
    if given.front_end == "emulated-board":
        from rig.front_ends.emulated_board import open_emulated_board

        return open_emulated_board(plan, scene=scene, seed=given.seed)
    from rig.front_ends.virtual_tank import open_virtual_tank

    return open_virtual_tank(plan, scene=scene, seed=given.seed)


def _run_and_show(
    given: argparse.Namespace,
    front_end: FrontEnd,
    plan: Plan,
    *,
    note: str,
    default_pings: int,
    calibration: Calibration | None = None,
) -> int:
    """Send pings; record, draw and answer."""
    from rig.session import ping_results

    receiver = _receiver(plan, front_end.info, calibration, when=_now())
    in_window = _shows_window(given)
    pings = given.pings
    if pings is None:
        pings = sys.maxsize if in_window else default_pings
    if given.picture is not None:
        from rig.view.bench_picture import check_picture_path

        check_picture_path(given.picture)
    with contextlib.ExitStack() as open_until_done:
        recorder = None
        if given.record is not None:
            from rig.recording import Recorder

            recorder = open_until_done.enter_context(
                Recorder(given.record, receiver.plan, front_end.info)
            )
        results = ping_results(receiver, front_end.blocks(pings), recorder=recorder)
        if in_window:
            seen = _show_window(receiver, results)
        else:
            seen = _collect(given, receiver, results, pings)
        if recorder is not None and not given.json:
            print(f"The recording is in {recorder.meta_path} and {recorder.data_path}")
    return _answer_run(given, receiver, seen, note)


def _collect(
    given: argparse.Namespace, receiver: Receiver, results: Iterable[PingResult], pings: int
) -> list[PingResult]:
    """Take results as they come, with a text strip for each, or a progress bar.

    Should the device go, what was heard so far is kept and answered, and the
    complaint follows.
    """
    seen: list[PingResult] = []
    strips = None if given.json else _Strips(receiver)
    try:
        for result in _progress(results, pings, "ping", shown=strips is None):
            seen.append(result)
            if strips is not None:
                strips.print(result)
    except KeyboardInterrupt:
        print("echobench: stopped at the keyboard", file=sys.stderr)
    except EchobenchError:
        if seen and given.picture is not None:
            _save_picture(given.picture, receiver, seen, note="the run broke off")
        raise
    return seen


class _Strips:
    """Prints a strip of text for each ping, under a ruler."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._headed = False

    def print(self, result: PingResult) -> None:
        import shutil

        from rig.view.terminal import ruler_lines, strip_line

        width = min(shutil.get_terminal_size((100, 24)).columns, 160)
        encoding = sys.stdout.encoding or "ascii"
        speed = self._receiver.sound_speed_m_s
        if not self._headed:
            for line in ruler_lines(self._receiver.plan, width):
                print(line)
            self._headed = True
        line = strip_line(
            result, self._receiver.plan, width, sound_speed_m_s=speed, encoding=encoding
        )
        print(line, flush=True)


def _answer_run(
    given: argparse.Namespace, receiver: Receiver, seen: list[PingResult], note: str
) -> int:
    from rig.answers import run_answer

    if given.picture is not None:
        _save_picture(given.picture, receiver, seen, note=note)
    if given.json:
        print(json.dumps(run_answer(receiver, seen)))
        return 0
    good = [r for r in seen if not r.lost]
    print(f"{len(seen)} pings, {len(seen) - len(good)} lost", end="")
    print(f"; sound speed {receiver.sound_speed_m_s:.2f} m/s")
    for reason in sorted({r.reason for r in seen if r.lost}):
        print(f"  lost: {reason}")
    if good:
        _print_echoes(good[-1].echoes, "The last ping's echoes")
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def _replay(given: argparse.Namespace) -> int:
    from rig.answers import replay_answer
    from rig.front_ends.replay import open_recording
    from rig.passes import passings_of
    from rig.session import ping_results

    with open_recording(given.recording, _plan_or_none(given.plan)) as front_end:
        receiver = _replay_receiver(given, front_end)
        results = ping_results(receiver, front_end.blocks(front_end.pings))
        note = f"replay of {os.path.basename(given.recording)}"
        if _shows_window(given):
            seen = _show_window(receiver, results)
        else:
            seen = _collect(given, receiver, results, front_end.pings)
        if front_end.lost_at_end:
            print(f"echobench: {given.recording}: {front_end.lost_at_end}", file=sys.stderr)
        if not given.json:
            return _answer_run(given, receiver, seen, note)
        if given.picture is not None:
            _save_picture(given.picture, receiver, seen, note=note)
        print(json.dumps(replay_answer(receiver, seen, passings_of(receiver, seen))))
    return 0


def _replay_receiver(given: argparse.Namespace, front_end: Replay) -> Receiver:
    """Make the receiver for a recording, with the calibration that was named or is needed."""
    plan, info = front_end.plan, front_end.info
    by_latency = plan.geometry.time_zero == "calibration" and not info.knows_leaving
    calibration = _stored_calibration(
        given.calibration,
        beside=given.plan or given.recording,
        needed=by_latency or plan.receiver.weighting == "equalised",
    )
    return _receiver(plan, info, calibration, when=front_end.began)


def _measure(given: argparse.Namespace) -> int:
    from rig.answers import measure_answer
    from rig.front_ends.replay import open_recording
    from rig.passes import passing_lines, passings_of
    from rig.session import measure

    with open_recording(given.recording, _plan_or_none(given.plan)) as front_end:
        receiver = _replay_receiver(given, front_end)
        blocks = front_end.blocks(front_end.pings)
        found = measure(receiver, _progress(blocks, front_end.pings, "ping"))
        if front_end.lost_at_end:
            print(f"echobench: {given.recording}: {front_end.lost_at_end}", file=sys.stderr)
    passings = passings_of(receiver, found.results)
    if given.json:
        print(json.dumps(measure_answer(receiver, found, passings)))
        return 0
    print(f"{found.pings} pings added up, {found.lost_pings} lost")
    speed, u_speed = receiver.sound_speed_m_s, receiver.u_sound_speed_m_s
    print(f"sound speed {speed:.2f} m/s, standard uncertainty {u_speed:.2f} m/s")
    _print_echoes(found.echoes, "Echoes in the sum")
    _print_budgets(found.echoes)
    if passings:
        print("What went by, followed from ping to ping (± is k = 2):")
    for line in passing_lines(passings):
        print(f"  {line}")
    return 0


def _twin(given: argparse.Namespace) -> int:
    import math

    from rig.answers import twin_answer
    from rig.scale_card import Case, card_lines, twin

    case = Case(
        speed_m_s=given.speed_m_s,
        depth_m=given.depth_m,
        cone_rad=math.radians(given.cone_deg),
        pings_per_s=given.pings_per_s,
        resolution_m=given.resolution_m,
    )
    other = twin(case, depth_m=given.to_depth_m, pings_per_s=given.to_pings_per_s)
    if given.json:
        print(json.dumps(twin_answer(case, other)))
        return 0
    wavelength_m = None
    plan = _plan_or_none(given.plan)
    if plan is not None:
        from rig.forecast import forecast

        wavelength_m = forecast(plan).wavelength_m
    for line in card_lines(case, other, wavelength_m=wavelength_m):
        print(line)
    return 0


def _beam(given: argparse.Namespace) -> int:
    from rig.beam import (
        SteadyPass,
        beam_answer,
        beam_lines,
        measure_beam,
        ping_by_ping,
        read_stops,
    )
    from rig.front_ends.replay import open_recording
    from rig.plan import read_plan
    from rig.receiver import Receiver
    from rig.session import ping_results

    if given.picture is not None:
        from rig.view.bench_picture import check_picture_path

        check_picture_path(given.picture)
    moved: Any
    if given.stops is not None:
        moved = read_stops(given.stops, u_zero_m=given.u_zero_m)
    else:
        moved = SteadyPass(speed_m_s=given.speed_m_s, u_speed_m_s=given.u_speed_m_s)
    results: Iterable[PingResult]
    if given.recording is not None:
        with open_recording(given.recording, _plan_or_none(given.plan)) as front_end:
            receiver = Receiver(ping_by_ping(front_end.plan), front_end.info)
            blocks = front_end.blocks(front_end.pings)
            results = list(ping_results(receiver, _progress(blocks, front_end.pings, "ping")))
        note = f"From {os.path.basename(given.recording)}."
    elif given.plan is None:
        raise PlanError("beam: found no recording and no plan; give a RECORDING, or --plan FILE")
    else:
        plan = ping_by_ping(read_plan(given.plan))
        if given.stops is not None:
            receiver, results = _pings_at_stops(given, plan, moved)
        else:
            pings = given.pings or 80
            with contextlib.ExitStack() as open_until_done:
                live = open_until_done.enter_context(_open(given, plan))
                receiver, recorder = Receiver(plan, live.info), None
                if given.record is not None:
                    from rig.recording import Recorder

                    recorder = open_until_done.enter_context(
                        Recorder(given.record, receiver.plan, live.info)
                    )
                found = ping_results(receiver, live.blocks(pings), recorder=recorder)
                results = list(_progress(found, pings, "ping"))
        note = f"Live: {given.front_end.replace('-', ' ')}."
    measured = measure_beam(
        receiver, results, moved, beside=not given.square, from_m=given.from_m, to_m=given.to_m
    )
    if given.picture is not None:
        from rig.view.beam_picture import save_beam_picture

        save_beam_picture(given.picture, measured, note=note)
    if given.json:
        print(json.dumps(beam_answer(measured)))
        return 0
    for line in beam_lines(measured):
        print(line)
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def _pings_at_stops(
    given: argparse.Namespace, plan: Plan, stops: Stops
) -> tuple[Receiver, list[PingResult]]:
    """Ask for the target to be set, and ping it, stop after stop."""
    import dataclasses
    import math

    from rig.receiver import Receiver
    from rig.session import ping_results

    results: list[PingResult] = []
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
        with _open(given, plan) as front_end:
            receiver = Receiver(plan, front_end.info)
            pings = stop.last_ping - stop.first_ping + 1
            results += [
                dataclasses.replace(result, index=stop.first_ping + result.index)
                for result in ping_results(receiver, front_end.blocks(pings))
            ]
    return receiver, results


def _strength(given: argparse.Namespace) -> int:
    import math

    from rig.front_ends.replay import open_recording
    from rig.receiver import Receiver
    from rig.session import measure
    from rig.strength import strength_answer, strength_lines, target_strengths

    with open_recording(given.recording, _plan_or_none(given.plan)) as front_end:
        receiver = Receiver(front_end.plan, front_end.info)
        found = measure(
            receiver, _progress(front_end.blocks(front_end.pings), front_end.pings, "ping")
        )
    targets = target_strengths(
        receiver,
        found.echoes,
        source_level_db=given.source_level_db,
        u_source_level_db=given.u_source_level_db,
        angle_rad=None if given.angle_deg is None else math.radians(given.angle_deg),
        u_angle_rad=math.radians(given.u_angle_deg),
    )
    if given.json:
        print(json.dumps(strength_answer(targets)))
        return 0
    if not targets:
        print("No echo above the threshold")
    for target in targets:
        for line in strength_lines(target):
            print(line)
    return 0


def _plan(given: argparse.Namespace) -> int:
    from rig.answers import plan_answer
    from rig.forecast import forecast
    from rig.plan import read_plan

    plan = read_plan(given.plan)
    foretold = forecast(plan)
    if given.json:
        print(json.dumps(plan_answer(foretold)))
        return 0
    from rig.forecast import forecast_lines

    print(f"What {given.plan} will show:")
    for line in forecast_lines(plan, foretold):
        print(f"  {line}")
    return 0


def _devices(given: argparse.Namespace) -> int:
    from rig.front_ends.sound_devices import list_devices

    listings = list_devices()
    if not listings:
        raise DeviceError(
            "no sound device was found; connect one, or start the sound server (on Debian: "
            "apt install libportaudio2 libasound2-plugins pulseaudio)"
        )
    if given.json:
        import dataclasses

        print(json.dumps({"devices": [dataclasses.asdict(d) for d in listings]}))
        return 0
    print(f"{'no.':>4}  {'in':>3} {'out':>3} {'rate, Hz':>9}  name (host)")
    for d in listings:
        print(
            f"{d.number:>4}  {d.inputs:>3} {d.outputs:>3} {d.default_rate_hz:>9.0f}  "
            f"{d.name} ({d.host_api})"
        )
    return 0


def _check(given: argparse.Namespace) -> int:
    from rig.answers import check_answer
    from rig.checkup import check_up
    from rig.plan import read_plan

    plan = read_plan(given.plan)
    calibration = _calibration_for(given, plan)
    pings = given.pings or 8
    with _open(given, plan, calibration) as front_end:
        receiver = _receiver(plan, front_end.info, calibration, when=_now())
        findings = check_up(receiver, _progress(front_end.blocks(pings), pings, "ping"))
        info = front_end.info
    if given.json:
        print(json.dumps(check_answer(findings)))
    else:
        latency = "" if info.latency_s is None else f", latency {1e3 * info.latency_s:.0f} ms"
        print(f"{info.device}: {info.sample_rate_hz:g} Hz, {info.channels} channel(s){latency}")
        for finding in findings:
            verdict = "fit" if finding.fit else "NOT FIT"
            print(f"  {finding.name:<22} {finding.value:>8.1f} {finding.unit:<18} {verdict}")
            if finding.advice:
                print(f"      {finding.advice}")
    return 0 if all(f.fit for f in findings) else 1


def _calibrate(given: argparse.Namespace) -> int:
    import dataclasses

    from rig.answers import calibration_answer
    from rig.calibrate import CAUTION, calibrate, calibration_lines, steps
    from rig.calibration import CALIBRATION_NAME, write_calibration
    from rig.plan import read_plan

    plan = read_plan(given.plan)
    if plan.geometry.time_zero == "calibration" and given.front_end == "sound-card":
        # That is what is to be found; the direct sound is there to find it by.
        geometry = dataclasses.replace(plan.geometry, time_zero="direct")
        plan = dataclasses.replace(plan, geometry=geometry)
    path = given.calibration or os.path.join(os.path.dirname(given.plan), CALIBRATION_NAME)
    print(f"echobench: {CAUTION}", file=sys.stderr)
    known = _known_targets(given)
    if given.one_by_one and not known:
        raise PlanError("--one-by-one: found without --at; give the distance of each target")
    starts = given.starts or (3 if given.front_end == "sound-card" else 1)
    calibration = calibrate(
        plan,
        lambda one: _open(given, one),
        steps(known, one_by_one=given.one_by_one, starts=starts),
        made=_now(),
        pings=given.pings or 20,
        most_cost_db=given.noise_cost,
        prepare=lambda step: _prepare(step, waits=given.one_by_one),
    )
    write_calibration(path, calibration)
    if given.json:
        print(json.dumps(calibration_answer(calibration, path)))
        return 0
    for line in calibration_lines(calibration):
        print(line)
    print(f"The calibration is in {path}")
    return 0


def _known_targets(given: argparse.Namespace) -> list[KnownTarget]:
    from rig.calibrate import KnownTarget

    if given.plate_size is not None and given.sphere_radius is not None:
        raise PlanError("--plate-size: found with --sphere-radius; give one, of what stands there")
    return [
        KnownTarget(
            range_m=range_m,
            u_range_m=given.u_at,
            radius_m=given.sphere_radius,
            size_m=None if given.plate_size is None else tuple(given.plate_size),
        )
        for range_m in sorted(given.at)
    ]


def _prepare(step: Step, *, waits: bool) -> None:
    """Say what to set up; wait for Enter where targets are put up in turn."""
    print(f"{step.name}: {step.words}", file=sys.stderr)
    if not waits:
        return
    print("Then press Enter.", file=sys.stderr)
    if not sys.stdin.readline():
        raise PlanError(
            f"--one-by-one: the input ended before the step {step.name!r}; press Enter once "
            "the target is set, or let all stand at once"
        )


# What they share


def _plan_or_none(path: str | None) -> Plan | None:
    if path is None:
        return None
    from rig.plan import read_plan

    return read_plan(path)


def _shows_window(given: argparse.Namespace) -> bool:
    """Whether to show a window; where none can be opened, name a file for the picture."""
    if given.json or given.picture is not None:
        return False
    own_screen = sys.platform in ("win32", "darwin")
    if own_screen or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"):
        from rig.view.live import window_backend

        if window_backend() is not None:
            return True
    given.picture = f"echobench-{given.command}.png"
    return False


def _show_window(receiver: Receiver, results: Iterator[PingResult]) -> list[PingResult]:
    """Show pings as they come, or at the pace at which they came when they were sent.

    Return them without their profiles, which may be many.
    """
    import dataclasses
    import time

    from rig.forecast import forecast
    from rig.view.live import show_live

    seen: list[PingResult] = []

    def kept() -> Iterator[PingResult]:
        start_s = time.monotonic()
        for result in results:
            # A virtual tank or a recording gives a minute's pings in seconds.
            time.sleep(max(0.0, start_s + result.sent_s - time.monotonic()))
            seen.append(dataclasses.replace(result, profile=None, alone=None, threshold_db=None))
            yield result

    show_live(
        kept(),
        receiver.plan,
        receiver.info,
        sound_speed_m_s=receiver.sound_speed_m_s,
        half_angle_rad=forecast(receiver.plan).half_angle_rad,
    )
    return seen


def _save_picture(
    path: str, receiver: Receiver, results: Sequence[PingResult], *, note: str
) -> None:
    from rig.forecast import forecast
    from rig.view.bench_picture import save_picture

    save_picture(
        path,
        receiver.plan,
        receiver.info,
        results,
        sound_speed_m_s=receiver.sound_speed_m_s,
        half_angle_rad=forecast(receiver.plan).half_angle_rad,
        note=note,
    )


def _print_echoes(echoes: Sequence[Any], title: str) -> None:
    if not echoes:
        print(f"{title}: none above the threshold")
        return
    from rig.view.terminal import echo_table

    print(f"{title}:")
    for line in echo_table(echoes):
        print(f"  {line}")


def _print_budgets(echoes: Sequence[Any]) -> None:
    from rig.budget import TABLED_ECHOES, budget_lines

    for echo in echoes[:TABLED_ECHOES]:
        if echo.budget is not None:
            print(f"Budget of the range of {echo.range_m:.4f} m, standard uncertainties:")
            for line in budget_lines(echo.budget):
                print(line)
    if len(echoes) > TABLED_ECHOES:
        print(f"The nearest {TABLED_ECHOES} budgets are shown; --json gives all.")


def _progress(items: Iterable[Any], total: int, unit: str, *, shown: bool = True) -> Iterable[Any]:
    """Show a bar on standard error while items go by, if someone is there to see it."""
    if not shown or not sys.stderr.isatty():
        return items
    from tqdm import tqdm

    return tqdm(items, total=total, unit=unit, leave=False, file=sys.stderr)


# The words on the command line


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> NoReturn:
        """Complain in one line, as everything else here does."""
        self.exit(2, f"{self.prog}: {message}; see {self.prog} --help\n")


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="echobench",
        description="Send a ping, hear it come back, see how strong and how far.",
        epilog=f"{_CAUTION} Each command has its own --help.",
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)

    demo = _command(commands, "demo", _demo, "show a virtual tank; needs no hardware")
    demo.add_argument("--scene", metavar="NAME|FILE", help="a built-in scene, or a scene file")
    _add_pings(demo)
    _add_seed(demo)
    _add_picture(demo)
    _add_record(demo)

    plan = _command(commands, "plan", _plan, "say what a plan will show, before a ping is sent")
    plan.add_argument("--plan", metavar="FILE", required=True, help="the plan, a TOML file")

    _command(commands, "devices", _devices, "list the sound devices")

    check = _command(commands, "check", _check, "is the hardware fit: levels, noise, lost pings")
    _add_front_end(check)
    _add_pings(check)
    _add_calibration(check)

    calibrate = _command(
        commands, "calibrate", _calibrate, "measure the bench itself, and store what it is"
    )
    _add_front_end(calibrate)
    _add_pings(calibrate)
    _add_calibration(
        calibrate, "where to store it (default: echobench-calibration.json beside the plan)"
    )
    calibrate.add_argument(
        "--at",
        metavar="M",
        type=_number_in(low=0.01, high=1000.0),
        action="append",
        default=[],
        help="a flat plate or sphere stands on the axis so far from midway between source and "
        "receiver, metres; twice for sound speed and time zero",
    )
    calibrate.add_argument(
        "--u-at",
        metavar="M",
        type=_number_in(low=1e-6, high=1.0),
        default=0.001,
        help="standard uncertainty of each of these distances, metres (default: 0.001)",
    )
    calibrate.add_argument(
        "--plate-size",
        metavar=("WIDTH", "HEIGHT"),
        type=_number_in(low=1e-3, high=100.0),
        nargs=2,
        help="of the plate, metres: for the level",
    )
    calibrate.add_argument(
        "--sphere-radius",
        metavar="M",
        type=_number_in(low=1e-4, high=10.0),
        help="of the sphere, metres: for the level",
    )
    calibrate.add_argument(
        "--one-by-one",
        action="store_true",
        help="put the targets up in turn, asked for each; else all stand there at once",
    )
    calibrate.add_argument(
        "--starts",
        metavar="N",
        type=_count,
        help="how often to open the device, to learn how its latency differs from start to "
        "start (default: 3 for a sound card, else 1)",
    )
    calibrate.add_argument(
        "--noise-cost",
        metavar="DB",
        type=_number_in(low=0.1, high=60.0),
        help="how much noise an equalised compression may cost (default: what the echo that "
        "was listened to can spare)",
    )

    run = _command(commands, "run", _run, "send pings, show and record what comes back")
    _add_front_end(run)
    _add_pings(run)
    _add_calibration(run)
    _add_record(run)
    _add_picture(run)

    replay = _command(commands, "replay", _replay, "show a recording ping by ping")
    _add_recording(replay)
    _add_calibration(replay)
    _add_picture(replay)

    measure = _command(commands, "measure", _measure, "add up a recording's pings and measure")
    _add_recording(measure)
    _add_calibration(measure)

    _add_beam(commands)

    strength = _command(
        commands, "strength", _strength, "say how strong a recording's targets are, dB re 1 m²"
    )
    _add_recording(strength)
    strength.add_argument(
        "--source-level-db",
        metavar="DB",
        type=_number_in(),
        required=True,
        help="what the receiver would show of the pulse itself, on the axis at 1 m, dB re full "
        "scale: from a calibration",
    )
    strength.add_argument(
        "--u-source-level-db",
        metavar="DB",
        type=_number_in(low=0.0),
        default=1.0,
        help="its standard uncertainty (default: 1)",
    )
    strength.add_argument(
        "--angle-deg",
        metavar="DEG",
        type=_number_in(low=0.0, high=90.0),
        help="of the target from the axis, where it is known",
    )
    strength.add_argument(
        "--u-angle-deg",
        metavar="DEG",
        type=_number_in(low=0.0, high=90.0),
        default=0.0,
        help="its standard uncertainty (default: 0)",
    )
    return parser


def _add_beam(commands: Any) -> None:
    scaled = _command(
        commands, "twin", _twin, "the bench case that draws the picture of a field case, and back"
    )
    _add_twin(scaled)

    beam = _command(commands, "beam", _beam, "measure a beam with a target that is moved across it")
    beam.add_argument(
        "recording",
        metavar="RECORDING",
        nargs="?",
        help=".sigmf-meta, WAV or FLAC file; without it, pings are sent now",
    )
    _add_front_end(beam, needs_plan=False)
    _add_pings(beam)
    _add_record(beam)
    _add_picture(beam)
    how = beam.add_mutually_exclusive_group(required=True)
    how.add_argument(
        "--speed-m-s",
        metavar="V",
        type=_number_in(low=1e-6),
        help="the target is drawn past, straight and evenly, at this speed",
    )
    how.add_argument(
        "--stops",
        metavar="FILE",
        help="the target stands at known places: a CSV file, a line for each, with the columns "
        "position_m (slide) or angle_deg (turntable), and first_ping and last_ping from 0 on",
    )
    beam.add_argument(
        "--u-speed-m-s",
        metavar="U",
        type=_number_in(low=0.0),
        default=0.0,
        help="standard uncertainty of the speed (default: 0)",
    )
    beam.add_argument(
        "--u-zero-m",
        metavar="U",
        type=_number_in(low=1e-6),
        default=0.002,
        help="standard uncertainty of a slide's zero, which stands square ahead of the pair "
        "(default: 0.002)",
    )
    beam.add_argument(
        "--square",
        action="store_true",
        help="the target's way is square to the line from source to receiver, not along it",
    )
    beam.add_argument(
        "--from-m",
        metavar="R",
        type=_number_in(low=0.0),
        default=0.0,
        help="the target's echo is the strongest from this range on (default: the plan's)",
    )
    beam.add_argument(
        "--to-m",
        metavar="R",
        type=_number_in(low=0.0),
        default=float("inf"),
        help="and up to this one (default: the plan's)",
    )


def _add_twin(command: argparse.ArgumentParser) -> None:
    above_zero = _number_in(low=1e-9)
    wanted = (
        ("--speed-m-s", "V", "speed of the target, across the cone"),
        ("--depth-m", "R", "range where it crosses the axis"),
        ("--pings-per-s", "N", "pings a second"),
    )
    for name, letter, words in wanted:
        command.add_argument(name, metavar=letter, type=above_zero, required=True, help=words)
    command.add_argument(
        "--cone-deg",
        metavar="A",
        type=_number_in(low=0.01, high=179.0),
        required=True,
        help="whole angle of the cone, from half power to half power",
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


def _command(
    commands: Any, name: str, do: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    command: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=words[0].upper() + words[1:] + "."
    )
    command.set_defaults(do=do, command=name, picture=None, record=None, calibration=None)
    command.add_argument(
        "--json", action="store_true", help="print one JSON object as the last line"
    )
    return command


def _add_front_end(command: argparse.ArgumentParser, *, needs_plan: bool = True) -> None:
    command.add_argument(
        "--plan", metavar="FILE", required=needs_plan, help="the plan, a TOML file"
    )
    command.add_argument(
        "--front-end", choices=FRONT_ENDS, default="virtual-tank", help="what sends and hears"
    )
    command.add_argument("--scene", metavar="FILE", help="the virtual tank's scene, a TOML file")
    _add_seed(command)
    command.add_argument(
        "--device",
        metavar="NAME|NUMBER",
        help="the sound device (see `echobench devices`), or the board's serial port",
    )
    command.add_argument(
        "--level",
        metavar="DB",
        type=float,
        default=-20.0,
        help="output level of a sound card, dB re full scale (default: -20). " + _CAUTION,
    )


def _add_pings(command: argparse.ArgumentParser) -> None:
    command.add_argument("--pings", metavar="N", type=_count, help="how many pings to send")


def _add_seed(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--seed",
        metavar="K",
        type=_seed,
        default=0,
        help="of the virtual tank's noise; the same seed gives the same samples (default: 0)",
    )


def _add_record(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--record", metavar="NAME", help="record to NAME.sigmf-meta and NAME.sigmf-data"
    )


def _add_picture(command: argparse.ArgumentParser) -> None:
    command.add_argument(
        "--picture", metavar="FILE", help="save the picture: .png, .svg or .pdf; opens no window"
    )


def _add_recording(command: argparse.ArgumentParser) -> None:
    command.add_argument("recording", metavar="RECORDING", help=".sigmf-meta, WAV or FLAC file")
    command.add_argument(
        "--plan", metavar="FILE", help="process by this plan; a sound file needs one"
    )


def _add_calibration(
    command: argparse.ArgumentParser,
    words: str = "a stored calibration, whose sound speed and time zero are then used; a plan that "
    "needs one takes echobench-calibration.json beside it",
) -> None:
    command.add_argument("--calibration", metavar="FILE", help=words)


def _count(text: str) -> int:
    try:
        count = int(text)
    except ValueError:
        count = 0
    if count < 1:
        raise argparse.ArgumentTypeError(f"found {text!r}; give a whole number of at least 1")
    return count


def _number_in(*, low: float = float("-inf"), high: float = float("inf")) -> Callable[[str], float]:
    """Return what reads a finite number from `low` to `high`."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not (abs(value) < float("inf") and low <= value <= high):
            raise argparse.ArgumentTypeError(
                f"found {text!r}; give a number from {low:g} to {high:g}"
            )
        return value

    return read


def _seed(text: str) -> int:
    try:
        seed = int(text)
    except ValueError:
        seed = -1
    if seed < 0:
        raise argparse.ArgumentTypeError(f"found {text!r}; give a whole number of at least 0")
    return seed


if __name__ == "__main__":
    sys.exit(main())
