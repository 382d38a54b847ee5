"""What keys, buttons and fingers do to the tank and the display, and how it is undone."""

from __future__ import annotations

import math
import pathlib
from collections.abc import Callable

from rig.bench.plan import Plan
from rig.bench.toml_text import plan_text
from rig.errors import SceneError, StorageError
from rig.files.whole import write_whole
from rig.show.pictures.saving import free_path
from rig.show.window.display import Display
from rig.show.window.hands import Hands, body_words
from rig.show.window.knobs import window_knobs
from rig.show.window.plan_knobs import PlanDesk, plan_knobs
from rig.tank.changes import put_in, resized, taken_out, within
from rig.tank.scene import Bubbles, Cylinder, Plate, Scene, Sphere, Target
from rig.tank.scene_text import rounded, scene_text

LARGER = math.sqrt(2)
"""Two steps make a body twice as large."""

_NO_BODY = "Choose a body first: n, or take one in the sketch."


class Touch:
    """Acts for the window on what can be touched.

    Parameters
    ----------
    display : Display
    hands : Hands or None
        None where nothing can be moved: then only the display can be turned.
    stop_m : float
        The range axis ends there.
    plan : callable
        The one in force.
    save_to : pathlib.Path
        Where scenes are saved; a number is added where there is a file already.
    desk : PlanDesk, optional
        Where another plan can be begun.
    """

    def __init__(
        self,
        display: Display,
        hands: Hands | None,
        *,
        stop_m: float,
        plan: Callable[[], Plan],
        save_to: pathlib.Path,
        desk: PlanDesk | None = None,
    ) -> None:
        self._display, self._hands = display, hands
        self._stop_m, self._plan, self._save_to = stop_m, plan, save_to
        self._knobs = window_knobs(display, hands, stop_m=stop_m)
        self._desk = desk
        if desk is not None:
            self._knobs += plan_knobs(desk)
            self._start_plan = desk.plan()
        self._place = 0
        self._told = ""
        self._undo: list[Callable[[], None]] = []

    @property
    def knob(self) -> tuple[str, str]:
        """The knob that is chosen: its name, and its value with its unit."""
        knob = self._knobs[self._place]
        return knob.name, knob.words()

    def next_knob(self) -> None:
        """Choose the next knob, round and round."""
        self._place = (self._place + 1) % len(self._knobs)

    def say(self, words: str) -> None:
        """Have some words told with what is pressed now; none change nothing."""
        self._told = words or self._told

    def told(self) -> str:
        """Return what there was to be told, once."""
        words, self._told = self._told, ""
        return words

    def took(self) -> None:
        """Note that the pointer has taken a body: one step to be undone."""
        if self._hands is not None:
            self._undo.append(self._hands.undo)

    def press(self, key: str, *, down: bool = False, covered: bool = False) -> str | None:
        """Do what a key stands for.

        Parameters
        ----------
        key : str
            By matplotlib's name.
        down : bool
            Whether ranges run down the page: an arrow then leads a body that way on it.
        covered : bool
            Whether what stands there is covered: then nothing is said of it, nor led.

        Returns
        -------
        str or None
            What there is to say; None where the key is no key of hands.
        """
        if key in (",", "."):
            # What a knob has to say, such as that it goes no farther, stays at the foot.
            self._turn(-1 if key == "," else 1)
            return self.told()
        if key in ("u", "ctrl+z"):
            return self._undo_one()
        if key == "r":
            return self._start_again()
        hands = self._hands
        if hands is None:
            return None
        if covered and key in _TELLING:
            return "What stands there is covered; t uncovers it, to be touched."
        steps = _STEPS_DOWN if down else _STEPS
        if covered:
            hands.chosen = None
        if key in steps and hands.chosen is not None:
            if hands.nudge(*steps[key]):
                self.took()
            return "" if hands.body is None else body_words(hands.body)
        acts: dict[str, Callable[[Hands], str]] = {
            "n": self._choose,
            "escape": self._choose_none,
            "x": self._take_out,
            "[": lambda h: self._resize(h, 1 / LARGER),
            "]": lambda h: self._resize(h, LARGER),
            "g": self._send_or_hang,
            "v": self._save_scene,
        }
        if key in _KINDS:
            return self._put_in(hands, _KINDS[key])
        return acts[key](hands) if key in acts else None

    def _turn(self, steps: int) -> None:
        knob = self._knobs[self._place]
        undo = knob.turn(steps)
        if undo is not None:
            self._undo.append(undo)

    def _undo_one(self) -> str:
        if not self._undo:
            return "Nothing is left to undo."
        self._undo.pop()()
        return self.told() or "Undone."

    def _start_again(self) -> str:
        hands, display, desk = self._hands, self._display, self._desk
        before = None if desk is None else desk.plan()
        if desk is not None and before != self._start_plan:
            desk.tell(desk.begin(self._start_plan, lambda scene: scene))
        gain_db, over_range_db = display.gain_db, display.over_range_db
        display.gain_db = display.over_range_db = 0.0
        if hands is not None:
            hands.start_again()

        def undo() -> None:
            display.gain_db, display.over_range_db = gain_db, over_range_db
            if hands is not None:
                hands.undo()
            if desk is not None and before is not None and before != self._start_plan:
                desk.tell(desk.begin(before, lambda scene: scene))

        self._undo.append(undo)
        return self.told() or "As it was at the start."

    def _choose(self, hands: Hands) -> str:
        hands.choose_next()
        return "No body is chosen." if hands.body is None else f"Chosen: {body_words(hands.body)}"

    def _choose_none(self, hands: Hands) -> str:
        hands.chosen = None
        return "No body is chosen."

    def _put_in(self, hands: Hands, kind: str) -> str:
        body = _new_body(hands.scene, kind, self._stop_m)
        hands.changes.once(put_in(body))
        hands.expect_one_more()
        self._undo.append(hands.undo)
        return f"Put in: a {kind}, {body.position_m[0]:.2f} m ahead."

    def _take_out(self, hands: Hands) -> str:
        body = hands.body
        if body is None:
            return _NO_BODY
        hands.drop()
        hands.changes.once(taken_out(body.number))
        hands.chosen = None
        self._undo.append(hands.undo)
        return f"Taken out: the {body.words}."

    def _resize(self, hands: Hands, factor: float) -> str:
        body = hands.body
        if body is None:
            return _NO_BODY
        hands.changes.once(resized(body.number, factor))
        self._undo.append(hands.undo)
        return f"The {body.words}: {'larger' if factor > 1 else 'smaller'}."

    def _send_or_hang(self, hands: Hands) -> str:
        if hands.body is None:
            return _NO_BODY
        words = hands.send_or_hang()
        self._undo.append(hands.undo)
        return words

    def _save_scene(self, hands: Hands) -> str:
        """Save the scene, and beside it the plan that it is heard with."""
        path = free_path(self._save_to)
        beside = free_path(path.with_name(f"{path.stem}-plan.toml"))
        words = "Made by hand in the window; invented. Run it with the plan that is named alike."
        try:
            write_whole(path, scene_text(rounded(hands.scene_now), words=words), what="scene")
            words = "The plan in use as the scene that is named alike was saved."
            write_whole(beside, plan_text(self._plan(), words=words), what="plan")
        except (StorageError, SceneError) as problem:
            return str(problem)
        return f"Saved. To run it: echobench run --plan {beside} --scene {path}"


# How far along, and how far across (1) or up (2): as the picture has them, from above, and with
# shift from the side.
_STEPS = {
    "left": (-1, 0, 1),
    "right": (1, 0, 1),
    "up": (0, 1, 1),
    "down": (0, -1, 1),
    "shift+up": (0, 1, 2),
    "shift+down": (0, -1, 2),
}
_STEPS_DOWN = {
    "up": (-1, 0, 1),
    "down": (1, 0, 1),
    "left": (0, 1, 1),
    "right": (0, -1, 1),
    "shift+left": (0, -1, 2),
    "shift+right": (0, 1, 2),
}
_TELLING = ("n", "x", "[", "]", "g")
_KINDS = {"1": "ball", "2": "plate", "3": "cylinder", "4": "cloud"}


def _new_body(scene: Scene, kind: str, stop_m: float) -> Target:
    """Return a body of a handy size, on the axis, behind those that stand there already."""
    # Each next one farther out, from the second third on, so that it hides no other.
    share = 0.35 + 0.1 * (len(scene.target) % 5)
    position_m = within(scene, (round(share * stop_m, 2), 0.0, 0.0))
    if kind == "ball":
        return Sphere(radius_m=round(stop_m / 60, 3), position_m=position_m)
    if kind == "plate":
        side_m = round(stop_m / 15, 3)
        return Plate(width_m=side_m, height_m=side_m, position_m=position_m)
    if kind == "cylinder":
        radius_m = round(stop_m / 100, 3)
        return Cylinder(radius_m=radius_m, length_m=10 * radius_m, position_m=position_m)
    return Bubbles(radius_m=round(stop_m / 40, 3), position_m=position_m)
