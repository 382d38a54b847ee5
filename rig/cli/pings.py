"""Commands that show pings: `demo`, `run`, `replay`."""

from __future__ import annotations

import argparse
import contextlib
import json
import sys
from typing import TYPE_CHECKING, Any

from rig.cli import opening, options, output, stand, take_home
from rig.cli.room import add_room, in_room, show_code_picture
from rig.errors import PlanError

if TYPE_CHECKING:
    from collections.abc import Callable

    from rig.bench.plan import Plan
    from rig.front_ends.virtual_tank import VirtualTank
    from rig.run.opening import Bench
    from rig.run.run import Run
    from rig.show.pictures.side_by_side import LoadedAhead
    from rig.show.room.room import Room
    from rig.show.window.reopening import Reopen
    from rig.show.window.stretch import Stretch
    from rig.tank.scene import Scene


def _demo(given: argparse.Namespace) -> int:
    from rig.run.opening import open_bench, other_medium
    from rig.tank.built_in import DEMONSTRATION, built_in, built_in_scenes

    if given.scene is None or given.scene in built_in_scenes():
        scene, plan = built_in(given.scene or DEMONSTRATION)
    else:
        scene, plan = opening.scene_and_its_plan(given.scene)
        opening.warn(other_medium(plan, scene))
    with open_bench(plan, scene=scene, seed=given.seed) as bench:
        run, begun = _shown(given, bench, given.pings, otherwise=80)
    return _answer_run(given, run, begun)


def _run(given: argparse.Namespace) -> int:
    from rig.bench.plan import read_plan

    plan = read_plan(given.plan)
    calibration = opening.calibration_for(given, plan)
    with contextlib.ExitStack() as open_until_done:
        bench = open_until_done.enter_context(
            opening.bench_of(given, plan, calibration=calibration)
        )
        reopen = None
        if given.unattended is not None:
            reopen = stand.Reopener(given, plan, calibration, bench)
            open_until_done.callback(reopen.close)
        run, begun = _shown(given, bench, given.pings, otherwise=20, reopen=reopen)
    return _answer_run(given, run, begun)


def _replay(given: argparse.Namespace) -> int:
    if given.take_home is not None and given.room is not None:
        raise PlanError("--take-home: found --room, which would show nothing; leave one out")
    begun = None
    if given.take_home is not None:
        run = take_home.write_take_home(given)
    else:
        with opening.replay_of(given) as bench:
            run, begun = _shown(given, bench, bench.recorded_pings)
    opening.warn_of_loss(given.recording, run.origin)
    note = f"replay of {run.origin.name}"
    if not given.json:
        if given.take_home is not None:
            print(f"The page is in {given.take_home}")
        return _answer_run(given, run, begun, note=note)
    from rig.show.answers import ping_answers, replay_answer

    if given.picture is not None:
        output.draw_picture(given, run, begun, note=note)
    page = {} if given.take_home is None else {"take_home": given.take_home}
    output.print_long({**replay_answer(run), **page}, "per_ping", ping_answers(run))
    return 0


def _shown(
    given: argparse.Namespace,
    bench: Bench,
    pings: int | None,
    *,
    otherwise: int = 0,
    reopen: Reopen | None = None,
) -> tuple[Run, LoadedAhead | None]:
    """Go over pings, and show each as it comes; a window without a number goes on for good.

    Returns
    -------
    Run, LoadedAhead or None
        What was heard last, and what was begun meanwhile to draw it, if a picture is asked for.
    """
    from rig.show.wording import record_rate_text

    in_window = output.shows_window(given)
    if given.unattended is not None:
        stand.check_unattended(given, in_window=in_window)
    if pings is None:
        pings = sys.maxsize if in_window else otherwise
    run = bench.run()
    if given.angles and run.plan.geometry.second is None:
        raise PlanError(
            "--angles: found a plan with one receiver; give its geometry a second_channel and "
            "second_spacing_m, or leave --angles out"
        )
    if given.record is not None and not given.json:
        print(f"To be recorded in {given.record}.sigmf-data: {record_rate_text(run.info)}")
    there: Room | None = given.there
    as_text = bench.recorded_pings is None and given.picture is None and not given.json
    watched = in_window or there is not None or as_text
    results = bench.over(run, pings, record=given.record, one_by_one=watched)
    if given.unattended is not None:
        results = stand.forgetting(run, results)
    stretches = Stretches(given)
    begun = None
    if in_window:
        tank = _tank_of(bench)
        output.show_window(
            run,
            results,
            leave_out=_leave_out(given, tank),
            changes=None if tank is None else tank.changes,
            looks=given.looks,
            angles=given.angles,
            again=None if tank is None else stretches.again,
            there=there,
            untouched_s=given.unattended,
            reopen=reopen,
        )
    elif there is not None:
        show_code_picture(there)
        output.show_to_room(given, run, results, pings, there)
    else:
        if bench.recorded_pings is not None or _tank_of(bench) is not None:
            # No device waits meanwhile for the processor that this takes.
            begun = output.picture_of(given, run)
        output.show_as_they_come(given, run, results, pings, begun)
    for record in [given.record, *stretches.records] if given.record is not None else []:
        if not given.json:
            print(f"The recording is in {record}.sigmf-meta and {record}.sigmf-data")
    return stretches.last or run, begun


class Stretches:
    """Opens a stretch of pings for each plan that is turned to in the window.

    Attributes
    ----------
    last : Run or None
        The one that was begun last.
    records : list of str
        The names of their recordings, where the first was recorded.
    """

    def __init__(self, given: argparse.Namespace) -> None:
        self._given = given
        self.last: Run | None = None
        self._opened = 0
        self.records: list[str] = []

    def again(self, plan: Plan, scene: Scene) -> Stretch:
        """Open the virtual tank with another plan, in the scene as it stands."""
        from rig.run.opening import open_bench
        from rig.show.window.pace import paced
        from rig.show.window.stretch import Stretch

        given = self._given
        # A virtual tank holds nothing that would have to be closed.
        self._opened += 1
        bench = open_bench(plan, scene=scene, seed=given.seed + self._opened)
        run, tank = bench.run(), _tank_of(bench)
        record = "" if given.record is None else _next_name(given.record)
        results = bench.over(run, sys.maxsize, record=record or None, one_by_one=True)
        if given.unattended is not None:
            results = stand.forgetting(run, results)
        results = paced(
            results,
            plan.timing.ping_interval_s,
            leave_out=_leave_out(given, tank),
            by_hand=True,
        )
        self.last = run
        if record:
            self.records.append(record)
        changes = None if tank is None else tank.changes
        return Stretch(run=run, results=results, changes=changes, record=record)


def _next_name(record: str) -> str:
    """Return a recording's name with the next number behind it that is free."""
    from rig.files.sigmf import paths_of

    number = 2
    while any(path.exists() for path in paths_of(f"{record}-{number}")):
        number += 1
    return f"{record}-{number}"


def _leave_out(given: argparse.Namespace, tank: VirtualTank | None) -> Callable[[int], None] | None:
    """Return what leaves out pings that would be late; what is recorded is heard whole."""
    return None if tank is None or given.record is not None else tank.leave_out


def _tank_of(bench: Bench) -> VirtualTank | None:
    """Return the virtual tank of a bench that has one: it can leave pings out, and be touched."""
    from rig.front_ends.virtual_tank import VirtualTank

    tank = bench.front_end
    return tank if isinstance(tank, VirtualTank) else None


def _answer_run(
    given: argparse.Namespace, run: Run, begun: LoadedAhead | None, *, note: str = ""
) -> int:
    if given.unattended is not None:
        print("The stand was ended at its keyboard")
        return 0
    from rig.show.answers import run_answer
    from rig.show.wording import counted

    if given.picture is not None:
        output.draw_picture(given, run, begun, note=note)
    if given.json:
        print(json.dumps(run_answer(run)))
        return 0
    print(f"{counted(len(run.results), 'ping')}, {run.lost_pings} lost", end="")
    print(f"; sound speed {run.receiver.sound_speed_m_s:.2f} m/s")
    if run.info.invented:
        print("in the virtual tank: an invented scene, no sound was made")
    output.print_faults(run)
    if run.last is not None:
        output.print_echoes(run.last.echoes, "The last ping's echoes")
        output.print_late(run.last)
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def add_to(commands: Any) -> None:
    """Add this module's commands."""
    demo = options.command(
        commands, "demo", in_room(_demo), "show a virtual tank; needs no hardware"
    )
    demo.add_argument("--scene", metavar="NAME|FILE", help="a built-in scene, or a scene file")
    options.add_pings(demo)
    options.add_seed(demo)
    options.add_picture(demo)
    options.add_looks(demo)
    options.add_angles(demo)
    add_room(demo)
    options.add_record(demo)
    stand.add_unattended(demo)

    run = options.command(
        commands, "run", in_room(_run), "send pings, show and record what comes back"
    )
    options.add_front_end(run)
    options.add_pings(run)
    options.add_calibration(run)
    options.add_record(run)
    options.add_picture(run)
    options.add_looks(run)
    options.add_angles(run)
    add_room(run)
    stand.add_unattended(run)

    replay = options.command(commands, "replay", in_room(_replay), "show a recording ping by ping")
    options.add_recording(replay)
    options.add_calibration(replay)
    options.add_picture(replay)
    options.add_looks(replay)
    options.add_angles(replay)
    add_room(replay)
    replay.add_argument(
        "--take-home",
        metavar="FILE",
        type=take_home.page_name,
        help="write one HTML page that opens anywhere, offline, below 5 MB: the picture at many "
        "pings with a slider, the echo slowed down as sound, the numbers; opens no window",
    )
