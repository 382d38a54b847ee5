"""The command `report`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from rig.cli import measure as measuring
from rig.cli import opening, options, output

if TYPE_CHECKING:
    from rig.bench.stored_calibration import Calibration
    from rig.front_ends.replay import Replay
    from rig.measure.beam import BeamMeasurement
    from rig.run.loop import PingResult
    from rig.run.receiver import Receiver
    from rig.show.report.contents import Matter


def _report(given: argparse.Namespace) -> int:
    from rig.front_ends.replay import open_recording
    from rig.show.answers import report_answer
    from rig.show.report.files import report_path, write_report

    path = report_path(given.recording, given.out)
    with open_recording(given.recording, opening.plan_or_none(given.plan)) as front_end:
        matter = _matter(given, front_end)
    files = [os.fspath(file) for file in write_report(path, matter)]
    if given.json:
        print(json.dumps(report_answer(matter.measurement, files)))
        return 0
    print(f"The report is in {files[0]}")
    print(f"Its numbers are in {', '.join(files[1:])}")
    return 0


def _matter(given: argparse.Namespace, front_end: Replay) -> Matter:
    """Measure all that the report is made of."""
    from rig.files.calibration import CALIBRATION_NAME
    from rig.measure.passes import passings_of
    from rig.run.loop import measure, ping_results
    from rig.show.report.contents import Matter

    calibration = opening.replay_calibration(given, front_end)
    receiver = opening.receiver_of(
        front_end.plan, front_end.info, calibration, when=front_end.began
    )
    total = front_end.pings
    results = tuple(ping_results(receiver, output.progress(front_end.blocks(total), total, "ping")))
    measurement = measure(receiver, output.progress(front_end.blocks(total), total, "ping"))
    if front_end.lost_at_end:
        print(f"echobench: {given.recording}: {front_end.lost_at_end}", file=sys.stderr)
    told = measuring.strengths_told(given, receiver, measurement.echoes, calibration)
    strengths, strengths_from = told or ((), "")
    return Matter(
        source=os.path.basename(given.recording),
        made=opening.now(),
        began=front_end.began,
        lost_at_end=front_end.lost_at_end,
        receiver=receiver,
        results=results,
        measurement=measurement,
        passings=passings_of(receiver, measurement.results),
        calibration=calibration,
        calibration_source=os.path.basename(given.calibration or CALIBRATION_NAME),
        beam=_beam(given, front_end, receiver, results, calibration),
        strengths=strengths,
        strengths_from=strengths_from,
    )


def _beam(
    given: argparse.Namespace,
    front_end: Replay,
    receiver: Receiver,
    results: tuple[PingResult, ...],
    calibration: Calibration | None,
) -> BeamMeasurement | None:
    """Measure the beam, where it was said how the target was moved."""
    from rig.measure.beam import measure_beam, ping_by_ping
    from rig.run.loop import ping_results

    if given.stops is None and given.speed_m_s is None:
        return None
    plan = ping_by_ping(receiver.plan)
    if plan != receiver.plan:
        receiver = opening.receiver_of(plan, front_end.info, calibration, when=front_end.began)
        results = tuple(ping_results(receiver, front_end.blocks(front_end.pings)))
    return measure_beam(
        receiver,
        results,
        measuring.way_moved(given),
        beside=not given.square,
        from_m=given.from_m,
        to_m=given.to_m,
    )


def add_to(commands: Any) -> None:
    """Add this module's command."""
    report = options.command(
        commands, "report", _report, "write a recording's report: one HTML page, and CSV files"
    )
    options.add_recording(report)
    options.add_calibration(report)
    report.add_argument(
        "--out",
        metavar="DIR|FILE",
        help="a folder that is there, or the page's name, which ends in .html "
        "(default: NAME-report.html in the folder at work)",
    )
    measuring.add_moved(report, required=False)
    measuring.add_source_level(report)
