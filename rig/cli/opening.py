"""From what stands on the command line to an open bench."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING

from rig.errors import DeviceError, SceneError, one_line

if TYPE_CHECKING:
    from datetime import datetime

    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.front_ends.board.link import Identity
    from rig.front_ends.protocol import FrontEnd
    from rig.run.opening import Bench
    from rig.run.run import Origin
    from rig.tank.scene import Scene


def scene_and_its_plan(path: str) -> tuple[Scene, Plan]:
    """Return a scene from a file, with the built-in plan for its medium."""
    from rig.tank.built_in import built_in_scenes, plan_for
    from rig.tank.scene import read_scene

    if not os.path.exists(path):
        raise SceneError(
            f"--scene: found {path!r}, which is no file; give a file, "
            f"or one of {', '.join(built_in_scenes())}"
        )
    scene = read_scene(path)
    return scene, plan_for(scene)


def calibration_for(given: argparse.Namespace, plan: Plan) -> Calibration | None:
    """Read the calibration that was named, or the one beside the plan if it is needed."""
    from rig.run.opening import calibration_for

    return calibration_for(
        plan, front_end=given.front_end, path=given.calibration, beside=given.plan
    )


def bench_of(
    given: argparse.Namespace,
    plan: Plan,
    *,
    scene: Scene | None = None,
    calibration: Calibration | None = None,
) -> Bench:
    """Open the front end that was asked for, with a calibration that fits or not at all."""
    from rig.run.opening import open_bench

    return open_bench(
        plan,
        front_end=given.front_end,
        scene=_scene(given, plan) if scene is None else scene,
        seed=given.seed,
        device=_sound_device(given),
        level_db=given.level,
        calibration=calibration,
        calibration_name=os.path.basename(given.calibration or ""),
    )


def front_end_of(given: argparse.Namespace, plan: Plan) -> FrontEnd:
    """Open the front end that was asked for, and plan nothing for it."""
    from rig.run.opening import open_front_end

    return open_front_end(
        plan,
        front_end=given.front_end,
        scene=_scene(given, plan),
        seed=given.seed,
        device=_sound_device(given),
        level_db=given.level,
    )


def replay_of(given: argparse.Namespace) -> Bench:
    """Open the recording that was named, with the calibration that was named or is needed."""
    from rig.run.opening import open_replay

    return open_replay(
        given.recording,
        plan=plan_or_none(given.plan),
        plan_path=given.plan,
        calibration_path=given.calibration,
    )


def _scene(given: argparse.Namespace, plan: Plan) -> Scene | None:
    """Read the scene that was named, where one is sounded, and warn of another medium."""
    from rig.bench.front_end_names import INVENTED_FRONT_ENDS
    from rig.run.opening import other_medium, scene_of_bench
    from rig.tank.scene import read_scene

    if given.front_end not in INVENTED_FRONT_ENDS:
        return None
    scene = scene_of_bench(plan, None if given.scene is None else read_scene(given.scene))
    warn(other_medium(plan, scene))
    return scene


def now() -> datetime:
    """Return the time, with its zone."""
    from datetime import UTC, datetime

    return datetime.now(UTC)


def warn(words: str) -> None:
    """Say on standard error what there is to say."""
    if words:
        print(f"echobench: {one_line(words)}", file=sys.stderr)


def warn_of_loss(recording: str, origin: Origin) -> None:
    """Say what is left out at a recording's start, and was cut off at its end."""
    for words in (origin.lost_at_start, origin.lost_at_end):
        if words:
            warn(f"{recording}: {words}")


def board_identity(given: argparse.Namespace, plan: Plan) -> Identity | None:
    """Ask whether the device is there, without a sound; of a board, what it can do.

    Raises
    ------
    DeviceError
        Where it is not there.
    """
    from rig.front_ends.board.search import ask_who, find_board

    if given.front_end == "sound-card":
        from rig.front_ends.sound_card.devices import list_devices, pick_devices

        pick_devices(list_devices(), _sound_device(given))
        return None
    if given.front_end == "emulated-board":
        from contextlib import closing

        from rig.front_ends.board.emulator import BoardEmulator

        with closing(BoardEmulator(plan.board.baud)) as emulator:
            return ask_who(emulator.port_name, plan.board.baud)
    if given.front_end != "serial-board" or plan.board.prints != "captures":
        return None
    port = given.device or plan.board.port or find_board(plan)
    identity = ask_who(port, plan.board.baud)
    if identity is None:
        raise DeviceError(
            f"serial port {port}: no bench board answers at {plan.board.baud} baud; plug it in, "
            "or name another port with --device"
        )
    return identity


def _sound_device(given: argparse.Namespace) -> int | str | None:
    device: str | None = given.device
    by_number = given.front_end == "sound-card" and device is not None and device.isdigit()
    return int(device or 0) if by_number else device


def plan_or_none(path: str | None) -> Plan | None:
    """Read the plan that was named, if one was."""
    if path is None:
        return None
    from rig.bench.plan import read_plan

    return read_plan(path)
