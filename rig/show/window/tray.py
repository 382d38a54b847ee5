"""The tray at the foot of the window: what hands can do, to be clicked or touched.

Two lines lie over the words at the foot while it is open. One has the knob, its value and
its unit; the other what can be done to bodies. Whatever is clicked there stands for a key.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

from rig.show.pictures.page import ACCENT, MARGIN, SOFT, TITLE_PT, Page, measure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

HEIGHT = 58
_LINE = 29
_PAD = 9

ARROWS = (("◂", ","), ("▸", "."))
OPEN = "k"
NEXT_KNOB = ("next knob", "k")
BUTTONS = (
    ("ball", "1"),
    ("plate", "2"),
    ("cylinder", "3"),
    ("cloud", "4"),
    ("take out", "x"),
    ("smaller", "["),
    ("larger", "]"),
    ("go / hang", "g"),
    ("undo", "u"),
    ("start again", "r"),
    ("save scene", "v"),
    ("close", "K"),
)
DISPLAY_BUTTONS = (("undo", "u"), ("start again", "r"), ("close", "K"))


class Tray:
    """The tray, drawn and clicked.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    hands : bool
        Whether there is anything to move.
    without : collection of str
        Keys that are off, and have no button.
    """

    def __init__(
        self, figure: Figure, *, hands: bool, without: Collection[str] = frozenset()
    ) -> None:
        from matplotlib.patches import Rectangle

        page = self._page = Page(figure)
        self.open = False
        top = page.height - HEIGHT
        self._ground = figure.add_artist(
            Rectangle((0, 0), 1, HEIGHT / page.height, transform=figure.transFigure, color="white")
        )
        on_line: dict[str, Any] = {"va": "baseline", "changes": True}
        self._places: list[tuple[float, float, float, str]] = []
        self._knob = page.text(0, top + 21, size_pt=TITLE_PT, bold=True, **on_line, color=ACCENT)
        self._frames: list[Any] = []
        self._said = page.text(0, top + 21, **on_line)
        self._next = page.text(0, top + 21, NEXT_KNOB[0], **on_line)
        self._arrows = [
            page.text(0, top + 21, word, size_pt=TITLE_PT, **on_line) for word, _ in ARROWS
        ]
        x = float(MARGIN)
        for word, key in BUTTONS if hands else DISPLAY_BUTTONS:
            if key in without:
                continue
            page.text(x, top + _LINE + 19, word, **on_line)
            width = measure(14.0)(word)
            self._places.append((x - _PAD, x + width + _PAD, top + _LINE, key))
            x += width + 2 * _PAD + 8
        for left, right, line_top, _ in self._places:
            frame = Rectangle(
                (left / page.width, 1 - (line_top + _LINE - 3) / page.height),
                (right - left) / page.width,
                (_LINE - 5) / page.height,
                transform=figure.transFigure,
                fill=False,
                edgecolor=SOFT,
                linewidth=page.fine,
            )
            self._frames.append(figure.add_artist(frame))
        self.artists = [self._ground, *self._frames, *page.artists]
        self._fixed = len(self._places)
        for order, artist in enumerate(self.artists):
            artist.set(zorder=100 + order, visible=False)

    def show(self, name: str, value: str, said: str) -> None:
        """Show the tray with a knob and what there is to say, or hide it where it is closed."""
        for artist in self.artists:
            artist.set_visible(self.open)
        if not self.open:
            return
        page, top = self._page, self._page.height - HEIGHT
        big = measure(TITLE_PT, bold=True)
        self._places = self._places[: self._fixed]
        x = float(MARGIN)

        def put(text: Any, width: float, key: str) -> None:
            nonlocal x
            text.set_x(x / page.width)
            if key:
                self._places.append((x - _PAD, x + width + _PAD, top, key))
            x += width + 2 * _PAD + 4

        put(self._arrows[0], measure(TITLE_PT)("◂"), ",")
        next_wide = measure(14.0)(NEXT_KNOB[0])
        # What is said stands behind, with a third of the line at the most.
        words_room = min(measure(14.0)(said) + 20, page.width / 3) if said else 0.0
        room = page.width - x - next_wide - 140 - words_room
        words = page.fitted(f"{name}: {value}", room, size_pt=TITLE_PT, bold=True)
        self._knob.set(text=words)
        put(self._knob, big(words), "")
        put(self._arrows[1], measure(TITLE_PT)("▸"), ".")
        x += 20
        put(self._next, next_wide, NEXT_KNOB[1])
        x += 20
        self._said.set_text(page.fitted(said, max(page.width - x - MARGIN, 1.0)) if said else "")
        put(self._said, 0.0, "")

    def key_at(self, x_dots: float, y_dots: float) -> str | None:
        """Return the key that a click stands for; empty on the tray's own ground."""
        page = self._page
        if y_dots > HEIGHT * page.scale:
            return None
        if not self.open:
            # The line of keys at the foot: a finger has no other way in.
            return OPEN if y_dots < _LINE * page.scale else None
        x, y = x_dots / page.scale, page.height - y_dots / page.scale
        for left, right, top, key in self._places:
            if left <= x <= right and top <= y <= top + _LINE:
                return key
        return ""
