"""From what stands on the command line to an open front end and a planned receiver."""

from __future__ import annotations

import argparse
import os
import sys
from typing import TYPE_CHECKING, Any

from rig.errors import DeviceError, SceneError

if TYPE_CHECKING:
    from datetime import datetime

    from rig.bench.capture import StreamInfo
    from rig.bench.plan import Plan
    from rig.bench.stored_calibration import Calibration
    from rig.front_ends.board.link import Identity
    from rig.front_ends.protocol import FrontEnd
    from rig.front_ends.replay import Replay
    from rig.run.receiver import Receiver
    from rig.tank.scene import Scene


OTHER_MEDIUM = 1.1
"""A sound speed that is wrong by a tenth is no matter of temperature: that would take 50 °C."""


def scene_and_its_plan(path: str) -> tuple[Any, Any]:
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


def calibration_for(given: argparse.Namespace, plan: Plan) -> Calibration | None:
    """Read the calibration that was named, or the one beside the plan if it is needed."""
    by_latency = plan.geometry.time_zero == "calibration" and given.front_end == "sound-card"
    needed = by_latency or plan.receiver.weighting == "equalised"
    return stored_calibration(given.calibration, beside=given.plan, needed=needed)


def stored_calibration(path: str | None, *, beside: str, needed: bool) -> Calibration | None:
    """Read a calibration: the one named, or the one that lies beside a file."""
    from rig.files.calibration import CALIBRATION_NAME, read_calibration

    if path is None and not needed:
        return None
    return read_calibration(path or os.path.join(os.path.dirname(beside), CALIBRATION_NAME))


def receiver_of(
    plan: Plan, info: StreamInfo, calibration: Calibration | None, *, when: datetime | None
) -> Receiver:
    """Make the receiver, with a calibration that fits the bench or not at all."""
    from rig.run.receiver import Receiver

    if calibration is not None:
        calibration.check(plan, info, when=when)
    return Receiver(plan, info, calibration=calibration)


def now() -> datetime:
    """Return the time, with its zone."""
    from datetime import UTC, datetime

    return datetime.now(UTC)


def far_wall_m(given: argparse.Namespace, plan: Plan) -> float | None:
    """Return where the bench ends ahead, which an invented scene alone tells."""
    invented = given.front_end in ("virtual-tank", "emulated-board")
    return _scene(given, plan).far_wall_m if invented else None


def _scene(given: argparse.Namespace, plan: Plan) -> Scene:
    """Return the scene that was named, or the one that ships for the plan's medium."""
    from rig.tank.built_in import scene_for
    from rig.tank.scene import read_scene

    return read_scene(given.scene) if given.scene is not None else scene_for(plan)


def warn_of_another_medium(plan: Plan, scene: Scene) -> None:
    """Say so where sound in the scene is another than what the plan believes."""
    from dsp.physics.medium import sound_speed_m_s

    believed = plan.medium
    believed_m_s = sound_speed_m_s(
        believed.kind,
        temperature_c=believed.temperature_c,
        humidity_percent=believed.humidity_percent,
        salinity_g_kg=believed.salinity_g_kg,
    )
    true_m_s = scene.medium.sound_speed_m_s
    ratio = believed_m_s / true_m_s
    if scene.medium.kind == believed.kind and 1 / OTHER_MEDIUM < ratio < OTHER_MEDIUM:
        return
    print(
        f"echobench: the plan believes in {believed.kind} at {believed_m_s:.0f} m/s, and the scene "
        f"is {scene.medium.kind} at {true_m_s:.0f} m/s: ranges will be wrong by a factor of "
        f"{ratio:.3g}; give the plan the scene's [medium], or take another scene",
        file=sys.stderr,
    )


def open_front_end(
    given: argparse.Namespace, plan: Plan, calibration: Calibration | None = None
) -> FrontEnd:
    """Open the front end that was asked for."""
    if given.front_end == "sound-card":
        from rig.front_ends.sound_card.card import open_sound_card

        known = None
        if plan.geometry.time_zero == "calibration" and calibration is not None:
            known = calibration.time_zero
        return open_sound_card(
            plan,
            device=_sound_device(given),
            level_db=given.level,
            known_latency_s=None if known is None else known.latency_s,
            u_known_latency_s=0.0 if known is None else known.u_latency_s,
        )
    if given.front_end == "serial-board":
        from rig.front_ends.board.serial_board import open_serial_board

        return open_serial_board(plan, port=given.device)
    scene = _scene(given, plan)
    warn_of_another_medium(plan, scene)
    if given.front_end == "emulated-board":
        from rig.front_ends.board.emulated_board import open_emulated_board

        return open_emulated_board(plan, scene=scene, seed=given.seed)
    from rig.front_ends.virtual_tank import open_virtual_tank

    return open_virtual_tank(plan, scene=scene, seed=given.seed)


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
    return int(device) if device is not None and device.isdigit() else device


def replay_receiver(given: argparse.Namespace, front_end: Replay) -> Receiver:
    """Make the receiver for a recording, with the calibration that was named or is needed."""
    calibration = replay_calibration(given, front_end)
    return receiver_of(front_end.plan, front_end.info, calibration, when=front_end.began)


def replay_calibration(given: argparse.Namespace, front_end: Replay) -> Calibration | None:
    """Read the calibration that was named for a recording, or the one beside it if needed."""
    plan, info = front_end.plan, front_end.info
    by_latency = plan.geometry.time_zero == "calibration" and not info.knows_leaving
    return stored_calibration(
        given.calibration,
        beside=given.plan or given.recording,
        needed=by_latency or plan.receiver.weighting == "equalised",
    )


def plan_or_none(path: str | None) -> Plan | None:
    """Read the plan that was named, if one was."""
    if path is None:
        return None
    from rig.bench.plan import read_plan

    return read_plan(path)
