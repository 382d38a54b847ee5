"""Commands about the bench itself: `plan`, `devices`, `check`, `calibrate`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from rig.cli import opening, options, output
from rig.errors import DeviceError, PlanError

if TYPE_CHECKING:
    from rig.measure.calibrate.steps import KnownTarget, Step


def _plan(given: argparse.Namespace) -> int:
    if given.write is not None:
        return _write_plan(given)
    from rig.bench.plan import read_plan
    from rig.measure.forecast import forecast
    from rig.show.answers import plan_answer

    plan = read_plan(given.plan)
    foretold = forecast(plan)
    if given.json:
        print(json.dumps(plan_answer(foretold)))
        return 0
    from rig.measure.forecast import forecast_lines

    print(f"What {given.plan} will show:")
    for line in forecast_lines(plan, foretold):
        print(f"  {line}")
    return 0


def _write_plan(given: argparse.Namespace) -> int:
    from rig.bench.start_plans import START_PLANS, write_start_plan

    name, path = given.write
    write_start_plan(name, path)
    if given.json:
        print(json.dumps({"bench": name, "plan": path}))
        return 0
    print(f"A plan for a {START_PLANS[name]} is in {path}; change what is marked there as yours.")
    print(f"What it will show: echobench plan --plan {path}")
    return 0


def _devices(given: argparse.Namespace) -> int:
    from rig.front_ends.sound_card.devices import list_devices

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
    from rig.bench.plan import read_plan
    from rig.measure.checkup import check_up, value_words
    from rig.show.answers import check_answer
    from rig.show.wording import counted

    plan = read_plan(given.plan)
    calibration = opening.calibration_for(given, plan)
    pings = given.pings or 8
    with opening.bench_of(given, plan, calibration=calibration) as bench:
        blocks = output.progress(bench.front_end.blocks(pings), pings, "ping")
        findings = check_up(bench.run(), blocks)
        info = bench.receiver.info
    if given.json:
        print(json.dumps(check_answer(findings)))
    else:
        channels = counted(info.channels, "channel")
        latency = "" if info.latency_s is None else f", latency {1e3 * info.latency_s:.0f} ms"
        print(f"{info.device}: {info.sample_rate_hz:g} Hz, {channels}{latency}")
        for finding in findings:
            verdict = "fit" if finding.fit else "NOT FIT"
            print(
                f"  {finding.name:<22} {value_words(finding.value):>8} {finding.unit:<18} {verdict}"
            )
            if finding.advice:
                print(f"      {finding.advice}")
    return 0 if all(f.fit for f in findings) else 1


def _calibrate(given: argparse.Namespace) -> int:
    import dataclasses

    from rig.bench.plan import read_plan
    from rig.files.calibration import CALIBRATION_NAME, write_calibration
    from rig.measure.calibrate.calibration import calibrate
    from rig.measure.calibrate.steps import CAUTION, steps
    from rig.measure.calibrate.words import calibration_lines
    from rig.show.answers import calibration_answer

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
        lambda one: opening.front_end_of(given, one),
        steps(known, one_by_one=given.one_by_one, starts=starts),
        made=opening.now(),
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
    from rig.measure.calibrate.steps import KnownTarget

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


def add_to(commands: Any) -> None:
    """Add this module's commands."""
    plan = options.command(
        commands, "plan", _plan, "say what a plan will show, or write one to start from"
    )
    either = plan.add_mutually_exclusive_group(required=True)
    either.add_argument("--plan", metavar="FILE", help="say what this plan will show, a TOML file")
    either.add_argument(
        "--write",
        metavar=("BENCH", "FILE"),
        nargs=2,
        help="write a plan to start from, into a new file; BENCH is air (loudspeaker and "
        "microphone), tank (of water) or board (on a serial port)",
    )

    options.command(commands, "devices", _devices, "list the sound devices")

    check = options.command(
        commands, "check", _check, "is the hardware fit: levels, noise, lost pings"
    )
    options.add_front_end(check)
    options.add_pings(check)
    options.add_calibration(check)

    calibrate = options.command(
        commands, "calibrate", _calibrate, "measure the bench itself, and store what it is"
    )
    options.add_front_end(calibrate)
    options.add_pings(calibrate)
    options.add_calibration(
        calibrate, "where to store it (default: echobench-calibration.json beside the plan)"
    )
    calibrate.add_argument(
        "--at",
        metavar="M",
        type=options.number_in(low=0.01, high=1000.0),
        action="append",
        default=[],
        help="a flat plate or sphere stands on the axis so far from midway between source and "
        "receiver, metres; twice for sound speed and time zero",
    )
    calibrate.add_argument(
        "--u-at",
        metavar="M",
        type=options.number_in(low=1e-6, high=1.0),
        default=0.001,
        help="standard uncertainty of each of these distances, metres (default: 0.001)",
    )
    calibrate.add_argument(
        "--plate-size",
        metavar=("WIDTH", "HEIGHT"),
        type=options.number_in(low=1e-3, high=100.0),
        nargs=2,
        help="of the plate, metres: for the level",
    )
    calibrate.add_argument(
        "--sphere-radius",
        metavar="M",
        type=options.number_in(low=1e-4, high=10.0),
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
        type=options.count,
        help="how often to open the device, to learn how its latency differs from start to "
        "start (default: 3 for a sound card, else 1)",
    )
    calibrate.add_argument(
        "--noise-cost",
        metavar="DB",
        type=options.number_in(low=0.1, high=60.0),
        help="how much noise an equalised compression may cost (default: what the echo that "
        "was listened to can spare)",
    )
