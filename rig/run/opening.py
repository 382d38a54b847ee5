"""From a plan to an open bench, and from a recording to one."""

from __future__ import annotations

import contextlib
import itertools
import math
import os
from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from typing import TypeVar

from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.capture import StreamInfo
from rig.bench.closing import Closing
from rig.bench.front_end_names import FRONT_ENDS
from rig.bench.plan import Plan
from rig.bench.stored_calibration import Calibration
from rig.errors import RecordingError
from rig.files.calibration import CALIBRATION_NAME, read_calibration
from rig.front_ends.protocol import FrontEnd
from rig.front_ends.replay import Replay, open_recording
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Origin, Run
from rig.run.trust import slip_tolerance_s
from rig.tank.scene import Scene

START_LEVEL_DB = -20.0
"""Of a sound card's output, dB re full scale, unless another is asked for: start quiet."""

OTHER_MEDIUM = 1.1
"""A sound speed that is wrong by a tenth is no matter of temperature: that would take 50 °C."""

R = TypeVar("R", bound=Run)


class Bench(Closing):
    """An open front end, and the receiver that is planned for it.

    Made by :func:`open_bench` or :func:`open_replay`; closed at the end of its ``with``.

    Attributes
    ----------
    front_end : FrontEnd
    receiver : Receiver
    origin : Origin
        Of every run on it.
    recorded_pings : int or None
        How many a recording holds; None on a bench that pings now.
    """

    def __init__(
        self,
        front_end: FrontEnd,
        receiver: Receiver,
        origin: Origin,
        *,
        recorded_pings: int | None = None,
    ) -> None:
        self.front_end = front_end
        self.receiver = receiver
        self.origin = origin
        self.recorded_pings = recorded_pings

    def run(self) -> Run:
        """Return a run in which nothing has been heard yet."""
        return Run(self.receiver, origin=self.origin)

    def ping(self, pings: int = 1, *, record: str | None = None) -> Run:
        """Send pings and go over what comes back.

        Parameters
        ----------
        pings : int
        record : str, optional
            Records to ``record.sigmf-meta`` and ``record.sigmf-data`` as well.

        Raises
        ------
        DeviceError
            Where the device goes for good.
        StorageError
            Where the recording cannot be written.
        """
        return self.filled(self.run(), pings, record=record)

    def filled(self, run: R, pings: int, *, record: str | None = None) -> R:
        """Send pings, and return `run`, one of this bench's, once it has them all.

        Other parameters and errors as for :meth:`ping`.
        """
        for _ in self._over(run, pings, record=record, at_hand=self._at_hand(pings)):
            pass
        return run

    def over(
        self, run: Run, pings: int, *, record: str | None = None, one_by_one: bool = False
    ) -> Iterator[PingResult]:
        """Send pings, and hand on each result once `run`, one of this bench's, has it.

        While the virtual tank is recorded, one by one: who stops in between has recorded no ping
        more than those whose results there are, but the last.

        Parameters
        ----------
        one_by_one : bool
            Pings that need not be waited for, recorded ones and the virtual tank's, are worked
            on one by one, too: for whoever looks at each in turn.

        Other parameters and errors as for :meth:`ping`.
        """
        sounded_for_record = self.recorded_pings is None and record is not None
        at_hand = 0 if one_by_one or sounded_for_record else self._at_hand(pings)
        yield from self._over(run, pings, record=record, at_hand=at_hand)

    def _at_hand(self, pings: int) -> int:
        """Return how many of so many pings need not be waited for."""
        if self.recorded_pings is not None:
            return min(pings, self.recorded_pings)
        return pings if self.front_end.info.front_end == "virtual-tank" else 0

    def _over(
        self, run: Run, pings: int, *, record: str | None, at_hand: int
    ) -> Iterator[PingResult]:
        with contextlib.ExitStack() as open_until_done:
            recorder = None
            if record is not None:
                from rig.files.recorder import Recorder

                front_end = self.front_end
                recorder = open_until_done.enter_context(
                    Recorder(record, self.receiver.plan, front_end.info, scenes=front_end.truth)
                )
            blocks = self.front_end.blocks(pings)
            results = run.over(blocks, recorder=recorder, at_hand=at_hand)
            if isinstance(self.front_end, Replay):
                results = _as_noted(results, self.front_end, self.receiver, self.origin.name)
            yield from results

    def close(self) -> None:
        """Let the device go."""
        self.front_end.close()


def _as_noted(
    results: Iterable[PingResult], replay: Replay, receiver: Receiver, name: str
) -> Iterator[PingResult]:
    """Hand on each ping whose pulse left when it did as the ping was recorded.

    A number of the plan or of the ping, or a sample, that is no longer what it was shows so.
    What finds marks may have learnt since, and a calibration may state another speed for a
    direct sound's way: by as much as both know they may differ. A latency that was calibrated anew
    places pulses anew, and is held to nothing.
    """
    if receiver.plan.geometry.time_zero == "calibration":
        yield from results
        return
    rate_hz, interval = receiver.info.sample_rate_hz, receiver.plan.interval_samples
    way_s = receiver.plan.geometry.longest_way_s
    share = receiver.u_sound_speed_m_s / receiver.sound_speed_m_s
    u_way_s = 0.0 if math.isinf(way_s) else way_s * share
    for result, ping in itertools.zip_longest(results, replay.noted[: replay.pings]):
        if result is None:
            return
        if ping is not None and result.time_zero is not None and not result.lost:
            zero = result.time_zero
            placed_s = (ping.start_sample - ping.index * interval) / rate_hz
            off_s = (result.latency_s or 0.0) - placed_s - ping.time_zero_s
            u_zero_s = math.hypot(zero.u_delay_s, zero.u_shape_s, u_way_s)
            if abs(off_s) > slip_tolerance_s(u_zero_s, rate_hz):
                raise RecordingError(
                    f"{name}: ping {ping.index}: the pulse leaves {1e3 * off_s:+.3g} ms from where "
                    "echobench:time_zero_s has it; give a recording as it was written, or the plan "
                    "that it was made by with --plan FILE"
                )
        yield result


def open_bench(
    plan: Plan,
    *,
    front_end: str = "virtual-tank",
    scene: Scene | None = None,
    seed: int = 0,
    device: int | str | None = None,
    level_db: float = START_LEVEL_DB,
    calibration: Calibration | None = None,
    calibration_name: str = "",
) -> Bench:
    """Open a front end with a plan.

    Parameters
    ----------
    plan : Plan
    front_end : {"virtual-tank", "sound-card", "serial-board", "emulated-board"}
    scene : Scene, optional
        For the tank and the emulated board; the one that ships for the plan's medium
        unless another is given.
    seed : int
        Of their noise.
    device : int or str, optional
        The sound device, by number or name, or the board's serial port.
    level_db : float
        Output level of a sound card, dB re full scale. Start quiet.
    calibration : Calibration, optional
        Of this bench; refused where it is stale or foreign.
    calibration_name : str
        Its file's name, for a report.

    Raises
    ------
    DeviceError
        Where the device cannot be opened.
    PlanError, CalibrationError
        Where the plan or the calibration does not fit it.
    """
    opened = open_front_end(
        plan,
        front_end=front_end,
        scene=scene,
        seed=seed,
        device=device,
        level_db=level_db,
        calibration=calibration,
    )
    try:
        receiver = receiver_of(plan, opened.info, calibration, when=datetime.now(UTC))
    except BaseException:
        opened.close()
        raise
    origin = Origin(truth=opened.truth, calibration_name=calibration_name)
    return Bench(opened, receiver, origin)


def open_front_end(
    plan: Plan,
    *,
    front_end: str,
    scene: Scene | None = None,
    seed: int = 0,
    device: int | str | None = None,
    level_db: float = START_LEVEL_DB,
    calibration: Calibration | None = None,
) -> FrontEnd:
    """Open a front end alone; parameters and errors as for :func:`open_bench`."""
    if front_end == "sound-card":
        from rig.front_ends.sound_card.card import open_sound_card

        known = None
        if plan.geometry.time_zero == "calibration" and calibration is not None:
            known = calibration.time_zero
        return open_sound_card(
            plan,
            device=device,
            level_db=level_db,
            known_latency_s=None if known is None else known.latency_s,
            u_known_latency_s=0.0 if known is None else known.u_latency_s,
        )
    if front_end == "serial-board":
        from rig.front_ends.board.serial_board import open_serial_board

        return open_serial_board(plan, port=None if device is None else str(device))
    if front_end == "emulated-board":
        from rig.front_ends.board.emulated_board import open_emulated_board

        return open_emulated_board(plan, scene=scene_of_bench(plan, scene), seed=seed)
    if front_end != "virtual-tank":
        raise ValueError(f"front_end: found {front_end!r}; give one of {', '.join(FRONT_ENDS)}")
    from rig.front_ends.virtual_tank import open_virtual_tank

    return open_virtual_tank(plan, scene=scene_of_bench(plan, scene), seed=seed)


def scene_of_bench(plan: Plan, scene: Scene | None) -> Scene:
    """Return a scene, or the one that ships for the plan's medium."""
    from rig.tank.built_in import scene_for

    return scene_for(plan) if scene is None else scene


def other_medium(plan: Plan, scene: Scene) -> str:
    """Say where sound in a scene is another than what the plan believes; empty where not."""
    believed = plan.medium
    believed_m_s = believed_speed_m_s(believed)
    true_m_s = scene.medium.sound_speed_m_s
    ratio = believed_m_s / true_m_s
    if scene.medium.kind == believed.kind and 1 / OTHER_MEDIUM < ratio < OTHER_MEDIUM:
        return ""
    return (
        f"the plan believes in {believed.kind} at {believed_m_s:.0f} m/s, and the scene "
        f"is {scene.medium.kind} at {true_m_s:.0f} m/s: ranges will be wrong by a factor of "
        f"{ratio:.3g}; give the plan the scene's [medium], or take another scene"
    )


def receiver_of(
    plan: Plan, info: StreamInfo, calibration: Calibration | None, *, when: datetime | None
) -> Receiver:
    """Make the receiver, with a calibration that fits the bench or not at all."""
    if calibration is not None:
        calibration.check(plan, info, when=when)
    return Receiver(plan, info, calibration=calibration)


def calibration_for(
    plan: Plan, *, front_end: str, path: str | None, beside: str
) -> Calibration | None:
    """Read the calibration that was named, or the one beside a file if the plan needs it."""
    return _stored_calibration(plan, path, beside=beside, knows_leaving=front_end != "sound-card")


def _stored_calibration(
    plan: Plan, path: str | None, *, beside: str, knows_leaving: bool
) -> Calibration | None:
    by_latency = plan.geometry.time_zero == "calibration" and not knows_leaving
    if path is None and not by_latency and plan.receiver.weighting != "equalised":
        return None
    return read_calibration(path or os.path.join(os.path.dirname(beside), CALIBRATION_NAME))


def open_replay(
    path: str | os.PathLike[str],
    *,
    plan: Plan | None = None,
    plan_path: str | None = None,
    calibration_path: str | None = None,
) -> Bench:
    """Open a recording, or a sound file with the plan that it was made by.

    Parameters
    ----------
    path : str or path
        A ``.sigmf-meta``, or a WAV or FLAC file.
    plan : Plan, optional
        How to process it. A recording brings its own; a sound file needs one.
    plan_path : str, optional
        Where that plan lies.
    calibration_path : str, optional
        A stored calibration. Where the plan needs one and none is named, it is the one
        beside the plan or the recording.

    Raises
    ------
    RecordingError, PlanError, CalibrationError
        As :func:`rig.front_ends.replay.open_recording` and :class:`rig.run.receiver.Receiver`
        have them.
    """
    replay = open_recording(path, plan)
    calibration = _stored_calibration(
        replay.plan,
        calibration_path,
        beside=plan_path or os.fspath(path),
        knows_leaving=replay.info.knows_leaving,
    )
    receiver = receiver_of(replay.plan, replay.info, calibration, when=replay.began)
    origin = Origin(
        name=os.path.basename(os.fspath(path)),
        began=replay.began,
        lost_at_start=replay.lost_at_start,
        lost_at_end=replay.lost_at_end,
        truth=replay.truth,
        calibration_name=(
            "" if calibration is None else os.path.basename(calibration_path or CALIBRATION_NAME)
        ),
    )
    return Bench(replay, receiver, origin, recorded_pings=replay.pings)
