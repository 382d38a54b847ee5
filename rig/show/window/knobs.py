"""What can be turned in the window: of the tank, of the hand, of the display."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dsp.physics.medium import sound_speed_m_s
from rig.show.window.display import GAIN_STEP_DB, MOST_GAIN_DB, OVER_RANGE_DB, Display
from rig.show.window.hands import Hands
from rig.tank.changes import Going
from rig.tank.knobs import (
    SceneKnob,
    pair_ahead,
    pair_moved,
    rolling,
    scene_knobs,
    tilt_deg,
    tilted,
)
from rig.tank.scene import Scene

_ROLLS_DEG = (0.0, 3.0, 6.0, 10.0, 15.0, 20.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Knob:
    """One thing that can be turned.

    Attributes
    ----------
    name : str
    words : callable
        Its value with its unit.
    turn : callable
        Turns it so many steps; returns what undoes that, or None where it cannot be turned.
    """

    name: str
    words: Callable[[], str]
    turn: Callable[[int], Callable[[], None] | None]


def window_knobs(display: Display, hands: Hands | None, *, stop_m: float) -> list[Knob]:
    """Return the knobs of a window: of the display alone where nothing can be moved."""
    knobs = [_display_gain(display), _gain_over_range(display)]
    if hands is not None:
        tank = scene_knobs(_true_speed_m_s, reach_m=stop_m / 10)
        knobs += [_of_scene(hands, knob) for knob in tank]
        knobs += [_roll(hands), _pair_across(hands, stop_m), _pair_ahead(hands, stop_m)]
        knobs.append(_hand_speed(hands, stop_m))
    return knobs


def _true_speed_m_s(scene: Scene, temperature_c: float) -> float:
    medium = scene.medium
    return sound_speed_m_s(
        medium.kind,
        temperature_c=temperature_c,
        humidity_percent=medium.humidity_percent,
        salinity_g_kg=medium.salinity_g_kg,
    )


def _display_gain(display: Display) -> Knob:
    def turn(steps: int) -> Callable[[], None]:
        before = display.gain_db
        gain_db = before + steps * GAIN_STEP_DB
        display.gain_db = min(max(gain_db, -MOST_GAIN_DB), MOST_GAIN_DB)

        def undo() -> None:
            display.gain_db = before

        return undo

    return Knob(name="display gain", words=lambda: display.gain_words, turn=turn)


def _gain_over_range(display: Display) -> Knob:
    def turn(steps: int) -> Callable[[], None]:
        before = display.over_range_db
        place = OVER_RANGE_DB.index(before) + steps
        display.over_range_db = OVER_RANGE_DB[min(max(place, 0), len(OVER_RANGE_DB) - 1)]

        def undo() -> None:
            display.over_range_db = before

        return undo

    return Knob(name="gain over range", words=lambda: display.over_range_words, turn=turn)


def _of_scene(hands: Hands, knob: SceneKnob) -> Knob:
    def words() -> str:
        value = knob.read(hands.scene)
        if value is None:
            return "this scene has none"
        if knob.zero and value <= knob.low:
            return knob.zero
        return f"{value:.{knob.digits}f} {knob.unit}".replace("-", "−")

    def turn(steps: int) -> Callable[[], None] | None:
        if knob.read(hands.scene) is None:
            return None

        def turned(scene: Scene) -> Scene:
            value = knob.read(scene)
            if value is None:
                return scene
            wanted = round(value + steps * knob.step, 9)
            return knob.turned(scene, min(max(wanted, knob.low), knob.high))

        hands.changes.once(turned)
        return hands.undo

    return Knob(name=knob.name, words=words, turn=turn)


def _roll(hands: Hands) -> Knob:
    middle_deg = [0.0]
    amplitude = _Going(
        hands,
        "roll",
        lambda amplitude_deg: rolling(amplitude_deg, middle_deg[0]),
        lambda scene: tilted(scene, middle_deg[0]),
    )

    def turn(steps: int) -> Callable[[], None] | None:
        now_deg = tilt_deg(hands.scene)
        if now_deg is None:
            return None
        if not amplitude.value:
            # It rolls about how it was tilted before it rolled.
            middle_deg[0] = now_deg
        place = min(max(_ROLLS_DEG.index(amplitude.value) + steps, 0), len(_ROLLS_DEG) - 1)
        return amplitude.turn_to(_ROLLS_DEG[place])

    def words() -> str:
        return f"{amplitude.value:.0f} degrees up and down"

    return Knob(name="pair rolls", words=words, turn=turn)


def _pair_ahead(hands: Hands, stop_m: float) -> Knob:
    step_m_s = _round_speed_m_s(stop_m / 40)
    speed = _Going(hands, "ahead", pair_ahead, pair_moved(0.0))

    def turn(steps: int) -> Callable[[], None]:
        hands.drop()
        return speed.turn_to(round(speed.value + steps * step_m_s, 9))

    def words() -> str:
        way = "ahead" if speed.value >= 0 else "back"
        return f"{abs(speed.value):.2f} m/s {way}, bodies still"

    return Knob(name="pair moves along", words=words, turn=turn)


class _Going:
    """What goes on in the tank by a name and a number, until the number is 0."""

    def __init__(
        self,
        hands: Hands,
        name: str,
        make: Callable[[float], Going],
        ends_with: Callable[[Scene], Scene],
    ) -> None:
        self._hands, self._name = hands, name
        self._make, self._ends_with = make, ends_with
        self._value = 0.0

    @property
    def value(self) -> float:
        """The number; 0 where it has been ended by who started all again."""
        return self._value if self._hands.changes.goes_on(self._name) else 0.0

    def turn_to(self, value: float) -> Callable[[], None]:
        """Go on by another number; return what undoes that."""
        before = self.value
        self._set(value)
        if value:
            self._hands.changes.begin(self._name, self._make(value))
        else:
            self._hands.changes.once(self._ends_with)

        def undo() -> None:
            self._hands.undo()
            self._set(before)
            if before:
                self._hands.changes.begin(self._name, self._make(before), is_step=False)

        return undo

    def _set(self, value: float) -> None:
        self._value = value
        self._hands.changes.end(self._name)


def _pair_across(hands: Hands, stop_m: float) -> Knob:
    step_m_s = _round_speed_m_s(stop_m / 40)
    speed_m_s = [0.0]

    def turn(steps: int) -> Callable[[], None]:
        before = speed_m_s[0]
        speed_m_s[0] = round(before + steps * step_m_s, 9)
        hands.drop()
        hands.changes.once(pair_moved(speed_m_s[0]))

        def undo() -> None:
            speed_m_s[0] = before
            hands.undo()

        return undo

    def words() -> str:
        side = "to the left" if speed_m_s[0] >= 0 else "to the right"
        return f"{abs(speed_m_s[0]):.2f} m/s {side}, bodies still"

    return Knob(name="pair moves across", words=words, turn=turn)


def _hand_speed(hands: Hands, stop_m: float) -> Knob:
    step_m_s = _round_speed_m_s(stop_m / 60)

    def turn(steps: int) -> Callable[[], None]:
        before = hands.steady_m_s
        hands.steady_m_s = max(before + steps * step_m_s, step_m_s)

        def undo() -> None:
            hands.steady_m_s = before

        return undo

    return Knob(name="let go at", words=lambda: f"{hands.steady_m_s:.2f} m/s", turn=turn)


def _round_speed_m_s(about_m_s: float) -> float:
    return max(round(about_m_s, 2), 0.01)
