"""The pointer, or a finger, on the bodies in the sketch."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from rig.show.window.hand_path import EventClock
from rig.show.window.hands import Hands, Seen, body_words


class Grip:
    """Takes bodies by matplotlib's events, leads them and lets them go.

    Parameters
    ----------
    hands : Hands
    clock_s : callable
        By which the pointer is followed.
    """

    def __init__(self, hands: Hands, clock_s: Callable[[], float]) -> None:
        self._hands, self._clock = hands, EventClock(clock_s)

    def take(self, event: Any, views: Sequence[Seen]) -> str | None:
        """Take the body under the pointer; say which, or None where there is none."""
        view = next((v for v in views if v.axes is event.inaxes), None)
        body = None if view is None else self._hands.body_near(view, event.x, event.y)
        if view is None or body is None:
            return None
        at = view.place(event.xdata, event.ydata)
        self._hands.take(view, body.number, at, self._clock.time_s(event, holds=False))
        return f"Taken: {body_words(body)}"

    def move(self, event: Any) -> None:
        """Lead what is held, if anything is."""
        view = self._hands.held_in
        time_s = self._clock.time_s(event, holds=view is not None)
        if view is None:
            return
        # The hand may leave the drawing; what it holds stays within the bench.
        x, y = view.axes.transData.inverted().transform((event.x, event.y)).tolist()
        self._hands.move(view.place(x, y), time_s)

    def let_go(self, event: Any) -> str | None:
        """Let go; say what became of it, or None where nothing was held."""
        if self._hands.held_in is None:
            return None
        return self._hands.let_go(self._clock.time_s(event))
