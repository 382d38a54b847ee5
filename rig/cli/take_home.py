"""What `replay --take-home` writes: a recording as one page."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING

from rig.cli import opening, output

if TYPE_CHECKING:
    from rig.run.run import Run

_SUFFIXES = (".html", ".htm")
_REMEDY = "give --take-home another name, or move it away"


def page_name(text: str) -> str:
    """Read the name of a page, before a recording is gone over."""
    if not text.lower().endswith(_SUFFIXES):
        raise argparse.ArgumentTypeError(f"found {text!r}; give a name that ends in .html")
    return text


def write_take_home(given: argparse.Namespace) -> Run:
    """Go over a recording, and write the page; a file that is there stays."""
    from rig.files.whole import already_there, write_whole
    from rig.show.report.contents import Contents
    from rig.show.take_home.album import Album
    from rig.show.take_home.document import take_home_html
    from rig.show.take_home.sound import slow_sound

    if os.path.exists(given.take_home):
        raise already_there(given.take_home, remedy=_REMEDY)
    with opening.replay_of(given) as bench:
        run, pings = bench.run(), bench.recorded_pings or 0
        album = Album(run, pings, looks=given.looks)
        for result in output.progress(bench.over(run, pings), pings, "ping", shown=not given.json):
            album.take(result)
        album.close()
    # From the start once more, as far as the first ping with an echo: a run keeps no samples.
    with opening.replay_of(given) as bench:
        sound = slow_sound(bench.receiver, bench.front_end.blocks(pings))
    contents = Contents(run=run, made=opening.now())
    write_whole(given.take_home, take_home_html(contents, album, sound), what="page")
    return run
