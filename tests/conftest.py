"""Which tests may run side by side, and what no test is held to: the clock on the wall.

Each file's tests stay together, so that what a file sets up once is set up once; and those
on reports, which share a recording, its report and a browser. Sound servers and the board's
emulator are one of a kind: their tests take turns.
"""

import gc
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, settings
from xdist.scheduler import LoadScopeScheduling

# As the command does it: small systems of equations are not shared out among threads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# So does it look for rubbish as seldom as the command: a twelfth of the processor time.
gc.set_threshold(20_000)

# Byte code is kept, as where people install: else each worker rewrites the asserts of all tests,
# and every process that a test starts compiles all its modules, whatever this shell was told.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# What is started in the background is deaf to Ctrl-C, and so would be what tests start.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# Tests are imported by path, so that none finds what it shares with others beside it.
sys.path.insert(0, str(Path(__file__).parent / "shared"))

# A busy machine may take as long as it likes over an example: no claim here is about time. The
# same examples are drawn each time, so that a suite fails for what was changed; others, by
# `pytest --hypothesis-profile=others`, for who looks for what falls.
for profile, same in (("same", True), ("others", False)):
    settings.register_profile(
        profile,
        deadline=None,
        suppress_health_check=[HealthCheck.too_slow],
        derandomize=same,
        print_blob=True,
    )
settings.load_profile("same")


def pytest_collection_finish() -> None:
    """What has been collected stays to the end: no search for rubbish need go through it."""
    gc.collect()
    gc.freeze()
    if "matplotlib.backends.backend_agg" in sys.modules:
        _measure_each_word_once()


def _measure_each_word_once() -> None:
    """Let all figures share how wide a line of text is, which each would measure anew.

    To measure one takes a thousandth of a second, and a picture has a hundred; the same lines
    come again in picture after picture.
    """
    from matplotlib import rcParams
    from matplotlib.backends.backend_agg import RendererAgg

    measure, known = RendererAgg.get_text_width_height_descent, {}

    def measured(renderer: Any, text: str, font: Any, ismath: Any) -> Any:
        settings = rcParams["text.hinting"], *rcParams["font.sans-serif"]
        key = (renderer.dpi, text, hash(font), ismath, settings)
        if key not in known:
            known[key] = measure(renderer, text, font, ismath)
        return known[key]

    RendererAgg.get_text_width_height_descent = measured


TOGETHER = ("audio", "board", "report", "room")
"""Folders whose tests take turns: sound servers, the one emulated board, a browser each."""


class InTurns(LoadScopeScheduling):
    """Hands on a file's tests to one worker, and those of a folder that takes turns.

    xdist's own groups are named in a test's id, which pytest 9.2 does not let it change any more.
    """

    def _split_scope(self, nodeid: str) -> str:
        path = nodeid.split("::", 1)[0]
        return next((part for part in path.split("/") if part in TOGETHER), path)


def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> InTurns:
    return InTurns(config, log)


@pytest.fixture
def unseen_pictures() -> Iterator[None]:
    """Pictures are laid out and not painted: for a test that looks at none."""
    from blank_paper import blank_paper

    with blank_paper():
        yield


@pytest.fixture
def undrawn_pictures() -> Iterator[None]:
    """Pictures are blank and not even laid out: for a test of what a command answers."""
    from blank_paper import no_drawing

    with no_drawing():
        yield
