"""Commands that show pings: `demo`, `run`, `replay`."""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from rig.cli import opening, options, output

if TYPE_CHECKING:
    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.front_ends.protocol import FrontEnd
    from rig.run.loop import PingResult
    from rig.run.receiver import Receiver


def _demo(given: argparse.Namespace) -> int:
    from rig.front_ends.virtual_tank import open_virtual_tank
    from rig.tank.built_in import built_in, built_in_scenes

    if given.scene is None or given.scene in built_in_scenes():
        scene, plan = built_in(given.scene or built_in_scenes()[0])
    else:
        scene, plan = opening.scene_and_its_plan(given.scene)
        opening.warn_of_another_medium(plan, scene)
    with open_virtual_tank(plan, scene=scene, seed=given.seed) as front_end:
        return _run_and_show(given, front_end, plan, default_pings=80, far_wall_m=scene.far_wall_m)


def _run(given: argparse.Namespace) -> int:
    from rig.bench.plan import read_plan

    plan = read_plan(given.plan)
    calibration = opening.calibration_for(given, plan)
    with opening.open_front_end(given, plan, calibration) as front_end:
        return _run_and_show(
            given,
            front_end,
            plan,
            default_pings=20,
            far_wall_m=opening.far_wall_m(given, plan),
            calibration=calibration,
        )


def _run_and_show(
    given: argparse.Namespace,
    front_end: FrontEnd,
    plan: Plan,
    *,
    default_pings: int,
    far_wall_m: float | None,
    calibration: Calibration | None = None,
) -> int:
    """Send pings; record, draw and answer."""
    from rig.run.loop import ping_results

    receiver = opening.receiver_of(plan, front_end.info, calibration, when=opening.now())
    in_window = output.shows_window(given)
    pings = given.pings
    if pings is None:
        pings = sys.maxsize if in_window else default_pings
    with contextlib.ExitStack() as open_until_done:
        recorder = None
        if given.record is not None:
            from rig.files.recorder import Recorder

            recorder = open_until_done.enter_context(
                Recorder(given.record, receiver.plan, front_end.info)
            )
        results = ping_results(receiver, front_end.blocks(pings), recorder=recorder)
        if in_window:
            seen = output.show_window(receiver, results, far_wall_m=far_wall_m)
        else:
            seen = output.collect(given, receiver, results, pings, far_wall_m=far_wall_m)
        if recorder is not None and not given.json:
            print(f"The recording is in {recorder.meta_path} and {recorder.data_path}")
    return _answer_run(given, receiver, seen, note="", far_wall_m=far_wall_m)


def _answer_run(
    given: argparse.Namespace,
    receiver: Receiver,
    seen: list[PingResult],
    *,
    note: str,
    far_wall_m: float | None = None,
) -> int:
    from rig.show.answers import run_answer
    from rig.show.wording import counted

    if given.picture is not None:
        output.draw_picture(given.picture, receiver, seen, note=note, far_wall_m=far_wall_m)
    if given.json:
        print(json.dumps(run_answer(receiver, seen)))
        return 0
    good = [r for r in seen if not r.lost]
    print(f"{counted(len(seen), 'ping')}, {len(seen) - len(good)} lost", end="")
    print(f"; sound speed {receiver.sound_speed_m_s:.2f} m/s")
    if receiver.info.front_end == "virtual-tank":
        print("in the virtual tank: an invented scene, no sound was made")
    output.print_faults(seen)
    if good:
        output.print_echoes(good[-1].echoes, "The last ping's echoes")
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def _replay(given: argparse.Namespace) -> int:
    from rig.front_ends.replay import open_recording
    from rig.measure.passes import passings_of
    from rig.run.loop import ping_results
    from rig.show.answers import replay_answer

    with open_recording(given.recording, opening.plan_or_none(given.plan)) as front_end:
        receiver = opening.replay_receiver(given, front_end)
        results = ping_results(receiver, front_end.blocks(front_end.pings))
        note = f"replay of {os.path.basename(given.recording)}"
        if output.shows_window(given):
            seen = output.show_window(receiver, results)
        else:
            seen = output.collect(given, receiver, results, front_end.pings, follows=given.json)
        if front_end.lost_at_end:
            print(f"echobench: {given.recording}: {front_end.lost_at_end}", file=sys.stderr)
        if not given.json:
            return _answer_run(given, receiver, seen, note=note)
        if given.picture is not None:
            output.draw_picture(given.picture, receiver, seen, note=note)
        print(json.dumps(replay_answer(receiver, seen, passings_of(receiver, seen))))
    return 0


def add_to(commands: Any) -> None:
    """Add this module's commands."""
    demo = options.command(commands, "demo", _demo, "show a virtual tank; needs no hardware")
    demo.add_argument("--scene", metavar="NAME|FILE", help="a built-in scene, or a scene file")
    options.add_pings(demo)
    options.add_seed(demo)
    options.add_picture(demo)
    options.add_record(demo)

    run = options.command(commands, "run", _run, "send pings, show and record what comes back")
    options.add_front_end(run)
    options.add_pings(run)
    options.add_calibration(run)
    options.add_record(run)
    options.add_picture(run)

    replay = options.command(commands, "replay", _replay, "show a recording ping by ping")
    options.add_recording(replay)
    options.add_calibration(replay)
    options.add_picture(replay)
