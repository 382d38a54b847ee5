"""A stand that nobody minds: back to the start by itself, locked keys, a device that comes back."""

import argparse
import dataclasses
import os
import pathlib
import subprocess
import sys

import pytest
from typist import PATIENCE_S, typed
from virtual_screen import eventually

from rig.cli.stand import forgetting
from rig.run.opening import open_bench
from rig.run.results import PingResult
from rig.run.run import HISTORY_PINGS
from rig.show.room.address import Address
from rig.show.room.room import Room
from rig.show.window.doorplate import Doorplate
from rig.show.window.keys import Offers, foot, help_sheets
from rig.show.window.reopening import Reopening
from rig.show.window.stand import Stand, comes_to_an_end
from rig.show.window.stretch import Stretch
from rig.tank.built_in import built_in
from tests.shared.hand_window import Clock, HandWindow

ROOT = pathlib.Path(__file__).parents[4]
BODY_RGB = (0x9A, 0xA5, 0xB5)
UNTOUCHED_S = 20.0


def leave_alone(hand, seconds):
    """Let time go by without a ping, so that the test takes none of it."""
    hand.clock.now_s += seconds
    hand.start_s += seconds
    hand.show()


@pytest.fixture
def hand(tmp_path):
    """A window at a stand, on a clock of the test's own; back after 20 s untouched."""
    clock = Clock()
    scene, plan = built_in("trough")
    with open_bench(plan, scene=scene, seed=2) as bench:
        made = HandWindow(
            bench, tmp_path, size_px=(640, 360), stand=Stand(UNTOUCHED_S, clock_s=clock)
        )
        made.clock, made.start, made.folder = clock, scene, tmp_path
        made.start_s = clock.now_s
        made.ping(2)
        yield made
        made.close()


@pytest.mark.usefixtures("unseen_pictures")
def test_all_goes_back_to_the_start_once_it_is_left_alone(hand):
    plan, looks = hand.run.plan, hand.window._looks
    hand.press("1", "d", "t", "m", "k", "h")
    while hand.window.touch.knob[0] != "disc":
        hand.press("k")
    hand.press(".")
    hand.ping(2)
    assert len(hand.stretches) == 1
    assert len(hand.window.hands.scene.target) == len(hand.start.target) + 1
    leave_alone(hand, UNTOUCHED_S - 5)
    # What is to come is said while there is time to touch it.
    assert "Back to the start in" in hand.window.message
    leave_alone(hand, 6)
    assert len(hand.stretches) == 2
    hand.ping(2)
    window = hand.window
    assert (hand.run.plan, window.hands.scene) == (plan, hand.start)
    assert (window._looks, window._covered, window._pointer.range_m) == (looks, False, None)
    assert (window.help_shown, window.message, window.tray.open) == ("", "", False)
    assert window.touch.press("u") == "Nothing is left to undo."
    # From before, nothing is shown; and untouched, it stays as it is.
    assert min(window.shown_pings) == 0
    leave_alone(hand, 2 * UNTOUCHED_S)
    assert len(hand.stretches) == 2


@pytest.mark.usefixtures("unseen_pictures")
def test_a_touch_in_time_keeps_what_was_made(hand):
    hand.press("1")
    leave_alone(hand, UNTOUCHED_S - 3)
    assert hand.window.message
    hand.press("n")
    assert "Back to the start" not in hand.window.message
    leave_alone(hand, UNTOUCHED_S - 3)
    hand.ping()
    assert len(hand.window.hands.scene.target) == len(hand.start.target) + 1


@pytest.mark.usefixtures("unseen_pictures")
def test_no_key_ends_or_saves_anything(hand):
    before = sorted(hand.folder.iterdir())
    hand.press("q", "s", "v", "f")
    hand.ping()
    assert sorted(hand.folder.iterdir()) == before
    hand.press("k")
    width = hand.figure.bbox.width
    assert "v" not in {hand.window.tray.key_at(x, 6) for x in range(0, int(width), 3)}
    offers = Offers(hands=True, truth=True, locked=True)
    words = " ".join((foot(offers), *help_sheets(offers)))
    assert "quit" not in words
    assert "save" not in words


def test_the_room_s_plate_goes_by_a_click_and_before_the_help(tmp_path):
    scene, plan = built_in("trough")
    with Room(Address(port=0)) as room, open_bench(plan, scene=scene, seed=2) as bench:
        plate = Doorplate(room)
        made = HandWindow(bench, tmp_path, size_px=(640, 360), plate=plate)
        made.ping()
        assert plate.shown
        made.mouse("press", 320, 180)
        assert not plate.shown
        made.press("j")
        assert plate.shown
        made.press("h")
        assert not plate.shown
        assert "how to join the room" in made.window.help_shown
        made.close()


def test_a_scene_in_which_all_goes_away_begins_again_untouched():
    clock = Clock()
    stand = Stand(30.0, clock_s=clock)
    clock.now_s += 31
    assert not stand.due(ends=False)
    assert stand.due(ends=True)
    assert not stand.due(ends=True)
    clock.now_s += 31
    assert stand.due(ends=True)
    scene, _ = built_in("cistern")
    assert not comes_to_an_end(scene)  # what moves in it moves to and fro
    goes = dataclasses.replace(scene.target[0], turn_back_s=0.0)
    assert comes_to_an_end(dataclasses.replace(scene, target=(goes,)))


def test_a_run_of_weeks_keeps_no_more_than_pictures_show():
    scene, plan = built_in("trough")
    with open_bench(plan, scene=scene) as bench:
        run = bench.run()
    gone = [PingResult(index=n, sent_s=n * 1.0, lost=True, reason="no answer") for n in range(3000)]

    def came():
        for result in gone:
            run.take(result)
            yield result

    assert list(forgetting(run, came())) == gone
    assert len(run.results) <= HISTORY_PINGS
    assert run.results[-1] is gone[-1]


def test_reopening_tries_until_the_device_is_there():
    from rig.errors import DeviceError

    scene, plan = built_in("trough")
    told = ["the cable: gone; plug it in", "the port: in use; end the other one"]
    complaints = told.copy()
    seen = []

    def reopen():
        seen.append(reopening.problem)
        if complaints:
            raise DeviceError(complaints.pop(0))
        bench = open_bench(plan, scene=scene)
        run = bench.run()
        return Stretch(run=run, results=bench.over(run, 3))

    reopening = Reopening(reopen, "lost", pause_s=0.01)
    stretch = eventually(lambda: reopening.stretch)
    assert seen == ["lost", *told]
    assert not next(stretch.results).lost
    reopening.stop()


def test_a_stand_neither_records_nor_runs_without_a_screen(tmp_path):
    done = typed("demo", "--unattended", "--record", "all", folder=tmp_path)
    assert done.returncode == 2
    assert "--record" in done.stderr
    done = typed("demo", "--unattended", "60", folder=tmp_path)
    assert done.returncode == 1
    assert "needs a window" in done.stderr
    assert list(tmp_path.iterdir()) == []


# Its device goes after 6 pings, and is not there at the first attempt to open it again.
LOSES_ITS_DEVICE = """
import pathlib, sys
from rig.errors import DeviceError
from rig.run.opening import open_bench
from rig.show.window import reopening
from rig.show.window.live import show_live
from rig.show.window.pace import paced
from rig.show.window.stand import Stand
from rig.show.window.stretch import Stretch
from rig.show.window.window import LiveWindow
from rig.tank.built_in import built_in

folder, say = pathlib.Path(sys.argv[1]), LiveWindow.say

def said(window, words):
    say(window, words)
    (folder / "said").write_text(words)

LiveWindow.say = said
scene, plan = built_in("bench")
reopening.Reopening.__init__.__kwdefaults__["pause_s"] = 0.5
tries = []

def open_it(pings, fails):
    bench = open_bench(plan, scene=scene)
    run = bench.run()
    def pinged():
        for result in bench.over(run, pings, one_by_one=True):
            yield result
        if fails:
            (folder / "gone").touch()
            raise DeviceError("the cable: gone; plug it in")
    return run, paced(pinged(), 0.1)

def reopen():
    tries.append(1)
    if not (folder / "plugged-in").exists():
        raise DeviceError("the cable: still gone; plug it in")
    run, results = open_it(100_000, False)
    (folder / "back").touch()
    return Stretch(run=run, results=results)

run, results = open_it(6, True)
show_live(run, results, picture_path=folder / "shot.png", stand=Stand(600.0), reopen=reopen)
"""


class Child:
    """A process with a window, seen and pressed from outside."""

    def __init__(self, display, folder, *words):
        self.display = display
        self.environment = {**os.environ, "DISPLAY": display.name, "PYTHONPATH": str(ROOT)}
        self.process = subprocess.Popen(
            [sys.executable, *words],
            env=self.environment,
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.number = eventually(self._found)

    def _found(self):
        assert self.process.poll() is None, self.process.stderr.read()
        found = subprocess.run(
            ["xdotool", "search", "--name", "echobench"],
            env=self.environment,
            capture_output=True,
            text=True,
        )
        return found.stdout.split()[:1]

    def press(self, *keys):
        for key in keys:
            subprocess.run(
                ["xdotool", "key", "--window", *self.number, key],
                env=self.environment,
                check=False,
                stderr=subprocess.DEVNULL,
            )

    def bodies(self):
        """How many dots are filled as bodies of the scene are."""
        return (self.display.rgb() == BODY_RGB).all(axis=2).sum()

    def ended(self):
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out, err


@pytest.fixture
def child(display, tmp_path):
    opened = []

    def open_child(*words):
        opened.append(Child(display, tmp_path, *words))
        return opened[-1]

    yield open_child
    for each in opened:
        each.process.kill()
        each.process.communicate()


# The command, which tells when it covers or uncovers what stands there: it does so for a second.
TELLS = """
import pathlib, sys
from rig.cli import main
from rig.show.window.window import LiveWindow

told, last, show = pathlib.Path(sys.argv[1]), [None], LiveWindow._show

def shown(window):
    show(window)
    if window._covered != last[0]:
        last[0] = window._covered
        with told.open("a") as states:
            states.write("covered\\n" if window._covered else "seen\\n")

LiveWindow._show = shown
sys.exit(main(sys.argv[2:]))
"""


@pytest.mark.window
def test_the_command_at_a_stand_uncovers_by_itself_and_ends_by_its_own_keys(
    child, tmp_path, tmp_path_factory
):
    told = tmp_path_factory.mktemp("told") / "states"
    stand = child("-c", TELLS, str(told), "demo", "--scene", "bench", "--unattended", "1")

    def states(*wanted):
        return lambda: told.exists() and told.read_text().split() == list(wanted)

    # A ball of 12 cm, in each of two views.
    eventually(lambda: stand.bodies() > 500)
    # Elsewhere 60 dots are kept for a title bar; here the paper goes down to the last.
    eventually(lambda: (stand.display.rgb()[725:] > 240).all(axis=2).mean() > 0.5)
    stand.press("t")
    eventually(states("seen", "covered", "seen"))
    eventually(lambda: stand.bodies() > 500)
    stand.press("q", "s", "v", "t")
    eventually(states("seen", *2 * ["covered", "seen"]))
    assert stand.process.poll() is None
    assert list(tmp_path.iterdir()) == []
    stand.press("ctrl+q")
    assert stand.ended() == (0, "The stand was ended at its keyboard\n", "")


@pytest.mark.window
def test_a_window_says_that_the_device_is_gone_and_goes_on_once_it_is_back(child, tmp_path):
    stand = child("-c", LOSES_ITS_DEVICE, str(tmp_path))

    def words():
        return stand.display.rgb()[:34]

    def history():
        return stand.display.rgb()[442:636, 125:908]

    def what_is_said():
        return (tmp_path / "said").exists() and (tmp_path / "said").read_text()

    eventually(lambda: what_is_said() == "the cable: still gone; plug it in")
    assert (words() < 100).any()
    said, held = words(), history()
    (tmp_path / "plugged-in").touch()
    eventually((tmp_path / "back").exists)
    eventually(lambda: (words() != said).any())
    # Pings come again, beneath them those of before.
    eventually(lambda: (history() != held).any())
    stand.press("ctrl+q")
    assert stand.ended() == (0, "", "")


def test_reopener_lets_the_old_device_go_before_it_opens_it_anew(monkeypatch):
    from rig.cli import opening, stand

    scene, plan = built_in("trough")
    order = []

    class Noted:
        def __init__(self, bench):
            self._bench = bench
            order.append("opened")

        def run(self):
            return self._bench.run()

        def over(self, *given, **how):
            return self._bench.over(*given, **how)

        def close(self):
            order.append("closed")
            self._bench.close()

    monkeypatch.setattr(opening, "bench_of", lambda *_, **__: Noted(open_bench(plan, scene=scene)))
    reopen = stand.Reopener(argparse.Namespace(), plan, None, Noted(open_bench(plan, scene=scene)))
    stretch = reopen()
    assert not next(stretch.results).lost
    reopen.close()
    assert order == ["opened", "closed", "opened", "closed"]
