"""Pictures drawn in two processes are those drawn in one, and no process stays behind.

Each claim is seen from outside, in a Python beside the tests' own, which has other threads.
"""

from __future__ import annotations

import itertools
import json
import os
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator

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


ONE_BY_ONE = """
import json
for words in sys.stdin:
    exec(json.loads(words), dict(globals()))
    print("done", flush=True)
"""


def python(words: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", DRAWN + words],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


@pytest.fixture(scope="module")
def said() -> Iterator[Callable[[str], str]]:
    """A function that has words done in the one Python beside, and tells what that says to it.

    To load what pictures need takes a second and a half of a processor.
    """
    with python(ONE_BY_ONE) as process:
        assert process.stdin is not None
        assert process.stdout is not None

        def told(words: str) -> str:
            print(json.dumps(words), file=process.stdin, flush=True)
            # To its end, where it ended before its time.
            answer = itertools.takewhile(lambda line: line != "done\n", process.stdout)
            return "".join(answer).strip()

        yield told
        assert process.communicate(timeout=PATIENCE_S) == ("", None)
        assert process.returncode == 0


def group_is_empty(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return True
    return False


@linux_with_two_cores
@pytest.mark.parametrize("draws", ["draws", "draws[:1], draws[1:4], draws[4:]"])
def test_two_processes_draw_in_turns_and_each_picture_stands_in_its_place(
    draws: str, said: Callable[[str], str]
) -> None:
    # Each "picture" says in which process it was drawn; all are larger than a pipe holds. The
    # first two wait for each other: one process alone would never draw the second.
    out = said(
        "import multiprocessing\n"
        "both = multiprocessing.Barrier(2)\n"
        "def draw(n):\n"
        "    if n < 2: both.wait()\n"
        "    return b'%d %d' % (n, os.getpid() == here) + b' ' * 200000\n"
        "draws = [lambda n=n: draw(n) for n in range(5)]\n"
        f"numbers, at = zip(*(d.split() for d in drawn_each({draws})))\n"
        "print(b''.join(numbers), sorted(at[:2]))"
    )
    assert out == "b'01234' [b'0', b'1']"


@linux_with_two_cores
def test_what_fails_beside_fails_as_it_would_here(said: Callable[[str], str]) -> None:
    out = said(
        "from rig.errors import StorageError\n"
        "def fails(): raise StorageError('ink: found none; give some')\n"
        "try:\n"
        "    drawn_each([lambda: b'a', fails, lambda: b'c'])\n"
        "except StorageError as problem:\n"
        "    print(problem)"
    )
    assert out == "ink: found none; give some"


@linux_with_two_cores
def test_what_a_killed_process_did_not_finish_is_drawn_here(said: Callable[[str], str]) -> None:
    out = said(
        "def draw():\n"
        "    if os.getpid() != here: os.kill(os.getpid(), 9)\n"
        "    return b'here'\n"
        "print(drawn_each([draw] * 3))"
    )
    assert out == "[b'here', b'here', b'here']"


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
    out, _ = process.communicate(timeout=PATIENCE_S)
    assert (out, process.returncode) == ("stopped\n", 0)
    assert group_is_empty(process.pid)


def test_one_of_several_threads_draws_all_itself(said: Callable[[str], str]) -> None:
    out = said(
        "import threading\n"
        "drawn = threading.Event()\n"
        "other = threading.Thread(target=drawn.wait)\n"
        "other.start()\n"
        "print(drawn_each([lambda: b'%d' % (os.getpid() == here)] * 3))\n"
        "drawn.set()\n"
        "other.join()"
    )
    assert out == "[b'1', b'1', b'1']"


@linux_with_two_cores
def test_what_is_loaded_ahead_draws_beside_and_a_killed_one_s_picture_is_drawn_here(
    said: Callable[[str], str],
) -> None:
    out = said(
        "def draw(what):\n"
        "    if what == 'ends' and os.getpid() != here: os.kill(os.getpid(), 9)\n"
        "    return f\"{what[0]} {'here' if os.getpid() == here else 'beside'}\".encode()\n"
        "def draws(what): return [lambda: draw(what)]\n"
        "large = ['large'] + [0] * 200000\n"
        "for what in (large, 'ends'):\n"
        "    print(side_by_side.LoadedAhead(draws).drawn(what)[0].decode())\n"
        "def numbers(most): return [lambda n=n: b'%d' % n for n in range(most)]\n"
        "print(side_by_side.LoadedAhead(numbers).drawn(4))\n"
        "side_by_side.LoadedAhead(draws)\n"
        "try: os.waitpid(-1, 0)\n"  # one that was not asked is ended with what began it
        "except ChildProcessError: print('none left')\n"
    )
    assert out == "large beside\ne here\n[b'0', b'1', b'2', b'3']\nnone left"
