"""The command `what-if`."""

from __future__ import annotations

import argparse
import json
from typing import Any

from rig.cli import options
from rig.errors import PlanError


def _what_if(given: argparse.Namespace) -> int:
    from rig.cli.measure import recorded_run
    from rig.measure.what_if.change import read_change
    from rig.measure.what_if.history import what_if
    from rig.measure.what_if.words import what_if_lines
    from rig.show.answers import what_if_answer
    from rig.show.pictures.saving import save_drawn
    from rig.show.pictures.what_if_picture import draw_what_if

    if len(given.change) != 1:
        raise PlanError(f"--change: found {len(given.change)} of them; give one: one thing changes")
    change = read_change(given.change[0])
    picture = given.picture or "echobench-what-if.png"
    run = recorded_run(given)
    found = what_if(run, change)
    note = f"Recording: {run.origin.name}"
    save_drawn(picture, lambda figure: draw_what_if(figure, run, found, note=note))
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
