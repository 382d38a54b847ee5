"""The command `report`."""

from __future__ import annotations

import argparse
import json
import os
from typing import TYPE_CHECKING, Any

from rig.cli import measure, opening, options

if TYPE_CHECKING:
    from rig.measure.beam.measurement import BeamMeasurement
    from rig.run.run import Run


def _report(given: argparse.Namespace) -> int:
    from rig.show.answers import report_answer
    from rig.show.report.contents import Contents
    from rig.show.report.files import report_path, write_report
    from rig.show.report.pictures import begun_for

    path = report_path(given.recording, given.out)
    run, begun = measure.recorded_beside(given, lambda run: (run, begun_for(run)))
    strengths, strengths_from = measure.strengths_by(given, run) or ((), "")
    contents = Contents(
        run=run,
        made=opening.now(),
        beam=_beam(given, run),
        strengths=strengths,
        strengths_from=strengths_from,
        looks=given.looks,
    )
    files = [os.fspath(file) for file in write_report(path, contents, begun)]
    if given.json:
        print(json.dumps(report_answer(run, files)))
        return 0
    print(f"The report is in {files[0]}")
    print(f"Its numbers are in {', '.join(files[1:])}")
    return 0


def _beam(given: argparse.Namespace, run: Run) -> BeamMeasurement | None:
    """Measure the beam, where it was said how the target was moved."""
    from rig.measure.beam.measurement import beam_of

    if given.stops is None and given.speed_m_s is None:
        return None
    return beam_of(
        run,
        measure.way_moved(given),
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
    options.add_looks(report)
    measure.add_moved(report, required=False)
    measure.add_source_level(report)
