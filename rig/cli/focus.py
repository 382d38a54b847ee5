"""The command `focus`: arches folded back into the points that drew them."""

from __future__ import annotations

import argparse
import contextlib
import json
from typing import Any

from rig.cli import opening, options, output


def _focus(given: argparse.Namespace) -> int:
    from rig.measure.focus.answer import focus_answer
    from rig.measure.focus.kept import KeptProfiles
    from rig.measure.focus.measurement import focus_of
    from rig.measure.focus.words import focus_lines

    with contextlib.ExitStack() as open_until_done:
        bench = open_until_done.enter_context(opening.replay_of(given))
        run, pings = bench.run(), bench.recorded_pings or 0
        kept = open_until_done.enter_context(
            KeptProfiles(run.receiver, run.plan.receiver.range_stop_m)
        )
        for _ in output.progress(kept.taking(bench.over(run, pings)), pings, "ping"):
            pass
        opening.warn_of_loss(given.recording, run.origin)
        focus = focus_of(
            run,
            kept=kept,
            speed_m_s=given.speed_m_s,
            u_speed_m_s=given.u_speed_m_s,
            moved=given.moved,
            beside=not given.square,
            from_m=given.from_m,
            to_m=given.to_m,
        )
        if given.picture is not None:
            from rig.show.pictures.focus_picture import draw_focus
            from rig.show.pictures.saving import save_drawn

            note = f"From {run.origin.name}."
            save_drawn(
                given.picture,
                lambda figure: draw_focus(figure, run, kept, focus, note=note, looks=given.looks),
            )
    if given.json:
        print(json.dumps(focus_answer(focus)))
        return 0
    for line in focus_lines(focus):
        print(line)
    if given.picture is not None:
        print(f"The picture is in {given.picture}")
    return 0


def add_to(commands: Any) -> None:
    """Add this module's command."""
    focus = options.command(
        commands,
        "focus",
        _focus,
        "fold the arches of a recording back into the points that drew them, where pair or target "
        "moved straight on at an even speed",
    )
    options.add_recording(focus)
    options.add_calibration(focus)
    options.add_picture(focus)
    options.add_looks(focus)
    focus.add_argument(
        "--speed-m-s",
        metavar="V",
        type=options.number_in(low=1e-6),
        help="the speed along the way (default: the one at which what passed is sharpest)",
    )
    focus.add_argument(
        "--u-speed-m-s",
        metavar="U",
        type=options.number_in(low=0.0),
        default=0.0,
        help="its standard uncertainty, where it is given (default: 0)",
    )
    focus.add_argument(
        "--moved",
        choices=("target", "pair"),
        default="target",
        help="what moved: where targets did, what stood still is taken away first (default: "
        "target)",
    )
    focus.add_argument(
        "--square",
        action="store_true",
        help="the way is square to the line from source to receiver, not along it",
    )
    options.add_span(focus, first="only from this range on", last="only up to this range")
