"""Pictures drawn in two processes are those drawn in one, and no process stays behind.

Each claim is seen from outside, in a Python of its own: the test's own has other threads.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest
from typist import PATIENCE_S

linux_with_two_cores = pytest.mark.skipif(
    sys.platform != "linux" or len(os.sched_getaffinity(0)) < 2,
    reason="elsewhere all pictures are drawn in one process, which other tests see",
)
DRAWN = """
import os, sys, time
from rig.show.pictures import side_by_side
here = os.getpid()
def drawn_each(draws, *more):
    pictures = side_by_side.SideBySide()
    pictures.add(draws)
    for others in more: pictures.add(others)
    return pictures.drawn()
"""


def python(words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", DRAWN + words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def said(words: str) -> tuple[str, str]:
    out, complaint = python(words).communicate(timeout=PATIENCE_S)
    return out.strip(), complaint


def group_is_empty(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    return False


@linux_with_two_cores
@pytest.mark.parametrize("draws", ["draws", "draws[:1], draws[1:4], draws[4:]"])
def test_two_processes_draw_in_turns_and_each_picture_stands_in_its_place(draws: str) -> None:
    # Each "picture" says in which process it was drawn; all are larger than a pipe holds. The
    # first two wait for each other: one process alone would never draw the second.
    out, complaint = said(
        "import multiprocessing\n"
        "both = multiprocessing.Barrier(2)\n"
        "def draw(n):\n"
        "    if n < 2: both.wait()\n"
        "    return b'%d %d' % (n, os.getpid() == here) + b' ' * 200000\n"
        "draws = [lambda n=n: draw(n) for n in range(5)]\n"
        f"numbers, at = zip(*(d.split() for d in drawn_each({draws})))\n"
        "print(b''.join(numbers), sorted(at[:2]))"
    )
    assert complaint == ""
    assert out == "b'01234' [b'0', b'1']"


@linux_with_two_cores
def test_what_fails_beside_fails_as_it_would_here() -> None:
    out, complaint = said(
        "from rig.errors import StorageError\n"
        "def fails(): raise StorageError('ink: found none; give some')\n"
        "try:\n"
        "    drawn_each([lambda: b'a', fails, lambda: b'c'])\n"
        "except StorageError as problem:\n"
        "    print(problem)"
    )
    assert (out, complaint) == ("ink: found none; give some", "")


@linux_with_two_cores
def test_what_a_killed_process_did_not_finish_is_drawn_here() -> None:
    out, complaint = said(
        "def draw():\n"
        "    if os.getpid() != here: os.kill(os.getpid(), 9)\n"
        "    return b'here'\n"
        "print(drawn_each([draw] * 3))"
    )
    assert (out, complaint) == ("[b'here', b'here', b'here']", "")


@linux_with_two_cores
def test_a_stop_at_the_keyboard_ends_both_processes() -> None:
    # The key goes to the whole group, as a terminal sends it, once both are drawing.
    process = python(
        "def draw():\n"
        "    os.write(1, b'drawing\\n')\n"
        "    time.sleep(1000)\n"
        "try:\n"
        "    drawn_each([draw] * 3)\n"
        "except KeyboardInterrupt:\n"
        "    print('stopped')"
    )
    assert process.stdout is not None
    assert [process.stdout.readline() for _ in range(2)] == ["drawing\n"] * 2
    os.killpg(process.pid, signal.SIGINT)
    out, complaint = process.communicate(timeout=PATIENCE_S)
    assert (out, complaint, process.returncode) == ("stopped\n", "", 0)
    assert group_is_empty(process.pid)


def test_one_of_several_threads_draws_all_itself() -> None:
    out, complaint = said(
        "import threading\n"
        "drawn = threading.Event()\n"
        "threading.Thread(target=drawn.wait).start()\n"
        "print(drawn_each([lambda: b'%d' % (os.getpid() == here)] * 3))\n"
        "drawn.set()"
    )
    assert (out, complaint) == ("[b'1', b'1', b'1']", "")


@linux_with_two_cores
def test_what_is_loaded_ahead_draws_beside_and_a_killed_one_s_picture_is_drawn_here() -> None:
    out, complaint = said(
        "def draw(what):\n"
        "    if what == 'ends' and os.getpid() != here: os.kill(os.getpid(), 9)\n"
        "    return f\"{what[0]} {'here' if os.getpid() == here else 'beside'}\".encode()\n"
        "large = ['large'] + [0] * 200000\n"
        "for what in (large, 'ends'):\n"
        "    print(side_by_side.LoadedAhead(draw).drawn(what).decode())\n"
        "side_by_side.LoadedAhead(draw)\n"
        "try: os.waitpid(-1, 0)\n"  # one that was not asked is ended with what began it
        "except ChildProcessError: print('none left')\n"
    )
    assert complaint == ""
    assert out == "large beside\ne here\nnone left"
