"""The live window, on a virtual screen, driven by keys as a reader would."""

import contextlib
import os
import pathlib
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.image import imread
from typist import PATIENCE_S
from virtual_screen import eventually

pytestmark = pytest.mark.window

ROOT = pathlib.Path(__file__).parents[4]
ENDLESS = 100_000

POINTER_RGB = (0xC2, 0x41, 0x0C)
BODY_RGB = (0x9A, 0xA5, 0xB5)

# Pings of the bench that ships, two or three a second: a window that draws all the time keeps
# keys and screen waiting. What has happened is kept in files: how many pings came, the keys that
# were done and whose picture is on the screen, and that the window knows of the pings' end. Each
# argument after the first two changes what happens.
CHILD = """
import pathlib, sys, time
from rig.errors import DeviceError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.run import Origin, Run
from rig.tank.built_in import built_in
from rig.show.window.live import show_live
from rig.show.window.window import LiveWindow

folder, pings, fails = pathlib.Path(sys.argv[1]), int(sys.argv[2]), "fails" in sys.argv
scene, plan = built_in("bench")
front_end = open_virtual_tank(plan, scene=scene, seed=3)
truth = front_end.truth if "truth" in sys.argv else None
run = Run(Receiver(plan, front_end.info), origin=Origin(truth=truth))
press, take = LiveWindow.press, LiveWindow.take

def pressed(window, key):
    press(window, key)
    if key != "q":
        screen = window._canvas.get_tk_widget()
        screen.update_idletasks()
        screen.winfo_pointerxy()  # answered once all that was drawn before is on the screen
        with (folder / "keys").open("a") as keys:
            keys.write(key + "\\n")

def taken(window, results, ending):
    take(window, results, ending)
    if ending:
        (folder / "ended").touch()

LiveWindow.press, LiveWindow.take = pressed, taken

def paced():
    try:
        for result in run.over(front_end.blocks(pings)):
            (folder / "count").write_text(str(result.index + 1))
            yield result
            time.sleep(0.4)
        if fails:
            raise DeviceError("the cable: gone; plug it in")
    finally:
        (folder / "let_go").touch()

try:
    show_live(run, paced(), picture_path=folder / "shot.png")
except DeviceError as problem:
    print(problem)
    sys.exit(3)
"""


class Window:
    """A child process with the window, seen and driven from outside."""

    def __init__(self, display, folder, pings, *how):
        self.folder = folder
        self.display = display
        self.environment = {**os.environ, "DISPLAY": display.name, "PYTHONPATH": str(ROOT)}
        self.child = subprocess.Popen(
            [sys.executable, "-W", "error", "-c", CHILD, str(folder), str(pings), *how],
            env=self.environment,
            cwd=folder,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )

    def wait(self):
        """Wait until it is there and shows pings."""
        self.number = eventually(self._found)
        eventually(self.has_pings)

    def end(self):
        """End the child, whatever it does."""
        self.child.kill()
        self.child.communicate()

    def _found(self):
        assert self.child.poll() is None, self.child.stderr.read()
        found = subprocess.run(
            ["xdotool", "search", "--name", "echobench"],
            env=self.environment,
            capture_output=True,
            text=True,
        )
        return found.stdout.split()[:1]

    def has_pings(self):
        """Whether a wide dark stroke of the lid's echo shows in the history."""
        return (self.panel(442, 470)[:, :, 0] < 60).sum() > 50

    def press(self, *keys):
        """Press keys, and wait until each is done and what it changed is on the screen."""
        for key in keys:
            done = self._done()
            self._xdotool("key", "--window", *self.number, key)
            if key != "q":
                eventually(lambda done=done: self._done() > done)

    def _done(self):
        kept = self.folder / "keys"
        return kept.read_text().count("\n") if kept.exists() else 0

    def click(self, x, y):
        self._xdotool("mousemove", str(x), str(y), "click", "1")

    def _xdotool(self, *words):
        # Not checked: q takes the window away before the key is let go again. What a key
        # does is checked by what comes of it.
        subprocess.run(
            ["xdotool", *words], env=self.environment, check=False, stderr=subprocess.DEVNULL
        )

    def screen(self):
        return self.display.rgb()

    def panel(self, top, bottom):
        """What a stretch of the panels shows, without their frames."""
        return self.screen()[top + 2 : bottom - 2, 125:908]

    def pointed(self):
        """Where the pointer's line stands in the history, in dots from the left; 0 for nowhere."""
        history = self.panel(442, 636)
        columns = np.flatnonzero((history == POINTER_RGB).all(axis=2).mean(axis=0) > 0.9)
        return columns.mean() + 125 if columns.size else 0

    def bodies(self):
        """How many dots are filled as bodies of the scene are."""
        return (self.screen()[92:636, 92:910] == BODY_RGB).all(axis=2).sum()

    def pointed_down(self):
        """Where the pointer's line lies across the panels, in dots from the top; 0 for nowhere."""
        panels = self.screen()[112:612, 700:900]
        rows = np.flatnonzero((panels == POINTER_RGB).all(axis=2).mean(axis=1) > 0.9)
        return rows.mean() + 112 if rows.size else 0

    def count(self):
        return int((self.folder / "count").read_text() or 0)

    def ended(self):
        out, err = self.child.communicate(timeout=PATIENCE_S)
        return self.child.returncode, out, err


@pytest.fixture(scope="module")
def kept():
    """The window that tests share, or none: it takes two seconds of a processor to open."""
    windows = []
    yield windows
    for window in windows:
        window.end()


@pytest.fixture
def live(display, kept, tmp_path_factory, request):
    """A window with pings that do not end; a test leaves it as it found it."""
    if not kept:
        kept.append(Window(display, tmp_path_factory.mktemp("window"), ENDLESS, "truth"))
        kept[0].wait()
        # A ball of 12 cm at 238 dots a metre is filled by 640 dots, in each of two views.
        eventually(lambda: kept[0].bodies() > 1000)
        kept[0].press("t")  # covered: what was heard is looked at
    failures = request.session.testsfailed
    yield kept[0]
    if request.session.testsfailed > failures:
        kept.pop().end()  # nobody knows how it was left


@pytest.fixture
def window(display, kept, tmp_path):
    """A function that opens a window of the test's own; the screen holds one at a time."""
    while kept:
        kept.pop().end()
    with contextlib.ExitStack() as opened:

        def open_window(pings, *how):
            made = Window(display, tmp_path, pings, *how)
            opened.callback(made.end)
            made.wait()
            return made

        yield open_window


def test_window_fits_the_screen_and_keeps_up_with_the_pings(live):
    def whole():
        # A picture comes to the screen strip by strip, the foot last.
        screen = live.screen()
        paper = (screen[:720] > 240).all(axis=2).mean() > 0.5
        # The line of keys stands whole above the window's lower edge.
        keys = (screen[690:716, 20:1260] < 100).any(axis=2).sum() > 1000
        return paper and keys and (screen[725:] == 0).all()

    eventually(whole)
    first = live.panel(442, 636)
    eventually(lambda: (live.panel(442, 636) != first).mean() > 0.01)


def test_what_stands_there_is_covered_and_uncovered_by_a_key(live):
    eventually(lambda: live.bodies() == 0)
    live.press("t")
    eventually(lambda: live.bodies() > 1000)
    live.press("t")
    eventually(lambda: live.bodies() == 0)


def test_pause_holds_the_picture_while_pings_go_on_and_are_taken(live):
    live.press("space")
    held, taken = live.panel(92, 636), live.count()
    eventually(lambda: live.count() >= taken + 5)
    assert (live.panel(92, 636) == held).all()
    live.press("space")
    eventually(lambda: (live.panel(92, 636) != held).any())


def test_mark_is_set_moved_and_taken_away_by_keys_and_by_a_click(live):
    live.press("space", "m")
    first = eventually(live.pointed)

    def further():
        # Two echoes of a ping may lie within a dot of each other.
        live.press("m")
        return live.pointed() > first and live.pointed()

    second = eventually(further)
    # Back first: where it stands at the last echo, no way is left to the right.
    live.press("Left", "Left", "Left")
    third = eventually(lambda: 0 < live.pointed() < second and live.pointed())
    live.press("Right", "Right", "Right", "Right")
    eventually(lambda: live.pointed() > third)
    live.press("Delete")
    eventually(lambda: live.pointed() == 0)
    live.click(700, 340)
    # The line is 2 or 3 dots wide; half a dot more for where a dot begins.
    assert abs(eventually(live.pointed) - 700) <= 1.5
    live.press("Delete", "space")


def test_a_key_turns_the_picture_and_a_click_marks_in_it_either_way(live):
    live.press("space", "d")
    # Time for a picture to be laid out anew before the click goes to it.
    eventually(lambda: (live.screen()[112:612, 560:565] > 240).all(axis=2).any(axis=0).all())
    live.click(800, 480)
    assert abs(eventually(live.pointed_down) - 480) <= 1.5
    live.press("d")
    eventually(lambda: live.pointed() > 0)
    live.press("Delete", "space")


def test_still_background_goes_and_comes_back(live):
    def ink():
        # Right of 2 m there is nothing but the post and the wall, which stand still.
        return (live.panel(442, 470)[:, 500:, 0] < 150).mean()

    eventually(lambda: live.count() > 20)
    before = eventually(ink)
    live.press("b")
    eventually(lambda: ink() < 0.2 * before)
    live.press("b")
    eventually(lambda: ink() > 0.8 * before)


def test_keys_that_change_what_is_shown_are_undone_by_their_counterparts(live):
    eventually(lambda: live.count() > 10)
    live.press("space")
    before = live.screen()[92:]
    for does, undoes in (("plus", "minus"), ("Up", "Down"), ("h", "h")):
        live.press(does)
        eventually(lambda: (live.screen()[92:] != before).any())
        live.press(undoes)
        eventually(lambda: (live.screen()[92:] == before).all())
    live.press("space")


def test_pictures_are_saved_beside_each_other(live):
    live.press("s")
    first = live.folder / "shot.png"
    eventually(lambda: first.exists() and imread(first).shape == (720, 1280, 4))
    kept = first.read_bytes()
    live.press("s")
    eventually((live.folder / "shot-2.png").exists)
    assert first.read_bytes() == kept


def test_what_if_stands_beside_what_was_heard_until_another_key(live):
    def two_histories():
        # Where the captions stand on the live picture, there is a history's noise instead.
        return (live.screen()[200:400, 1050:1240] < 250).any(axis=2).mean() > 0.3

    eventually(lambda: live.count() > 20)
    assert not two_histories()
    live.press("w")
    eventually(two_histories)
    first = live.screen()[60:120, 690:1250]
    taken = live.count()
    live.press("w")
    eventually(lambda: (live.screen()[60:120, 690:1250] != first).any())
    assert two_histories()
    live.press("s")
    saved = live.folder / "shot-what-if.png"
    eventually(lambda: saved.exists() and imread(saved).shape == (720, 1280, 4))
    live.press("space")
    eventually(lambda: not two_histories())
    # Meanwhile pings were taken, and none was held up.
    eventually(lambda: live.count() > taken + 5)
    eventually(live.has_pings)


def test_quitting_ends_the_pings_and_nothing_is_complained_of(live, kept):
    # Nor of anything that the tests before this one did in it.
    live.press("q")
    assert live.ended() == (0, "", "")
    assert (live.folder / "let_go").exists()
    kept.remove(live)


def test_end_of_the_pings_leaves_the_window_open_to_be_read(window):
    live = window(8)
    eventually((live.folder / "ended").exists)
    live.press("m")  # and is answered
    assert live.child.poll() is None
    live.press("q")
    assert live.ended() == (0, "", "")


def test_device_that_goes_is_told_once_the_window_is_closed(window):
    live = window(8, "fails")
    eventually((live.folder / "let_go").exists)
    assert live.child.poll() is None
    live.press("q")
    code, out, err = live.ended()
    assert (code, err) == (3, "")
    assert out.startswith("the cable: gone")


def test_without_a_screen_one_line_says_what_to_do(tmp_path):
    environment = {k: v for k, v in os.environ.items() if k not in ("DISPLAY", "WAYLAND_DISPLAY")}
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path), "5"],
        env={**environment, "PYTHONPATH": str(ROOT)},
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
    )
    assert done.returncode == 3
    assert "saved to a file" in done.stdout
    assert done.stdout.count("\n") == 1
