"""The command `what-if`."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import Any

from rig.cli import opening, options, output
from rig.errors import PlanError


def _what_if(given: argparse.Namespace) -> int:
    import dataclasses

    from rig.front_ends.replay import open_recording
    from rig.measure.beam.measurement import ping_by_ping
    from rig.measure.what_if.change import read_change
    from rig.measure.what_if.history import what_if
    from rig.measure.what_if.words import what_if_lines
    from rig.run.loop import measure
    from rig.show.answers import what_if_answer
    from rig.show.pictures.what_if_picture import save_what_if

    if len(given.change) != 1:
        raise PlanError(f"--change: found {len(given.change)} of them; give one: one thing changes")
    change = read_change(given.change[0])
    picture = given.picture or "echobench-what-if.png"
    with open_recording(given.recording, opening.plan_or_none(given.plan)) as front_end:
        calibration = opening.replay_calibration(given, front_end)
        # What passes is smeared where pings are added up.
        plan = ping_by_ping(front_end.plan)
        receiver = opening.receiver_of(plan, front_end.info, calibration, when=front_end.began)
        total = front_end.pings
        measured = measure(receiver, output.progress(front_end.blocks(total), total, "ping"))
        results = [dataclasses.replace(r, profile=r.alone) for r in measured.results]
        if front_end.lost_at_end:
            print(f"echobench: {given.recording}: {front_end.lost_at_end}", file=sys.stderr)
    found = what_if(receiver, results, change)
    note = f"Recording: {os.path.basename(given.recording)}"
    save_what_if(picture, receiver, results, found, note=note)
    if given.json:
        print(json.dumps(what_if_answer(found, picture)))
        return 0
    for line in what_if_lines(found):
        print(line)
    print(f"The picture is in {picture}")
    return 0


def add_to(commands: Any) -> None:
    """Add this module's command."""
    found = options.command(
        commands,
        "what-if",
        _what_if,
        "draw beside a recording's history what would be seen with one thing changed",
    )
    options.add_recording(found)
    options.add_calibration(found)
    options.add_picture(found)
    found.add_argument(
        "--change",
        metavar="NAME=VALUE",
        action="append",
        required=True,
        help="one of frequency (of the band's middle, Hz), disc (its radius, m), speed (of what "
        "passes, m/s), pulse (its length, s), tilt (of the beam, degrees towards where things "
        "go); a value such as speed=0.3, or speed=2x for twice the present one",
    )
