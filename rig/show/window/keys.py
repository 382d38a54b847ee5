"""What the keys do, in words: those alone that do something in the window at hand."""

from __future__ import annotations

from dataclasses import dataclass

LOCKED = frozenset({"q", "s", "v", "f"})
"""What would end, leave or fill something, and is off at a stand that nobody minds."""

LEAVE = "ctrl+q"
"""Ends such a stand."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Offers:
    """What a window has keys for.

    Attributes
    ----------
    hands : bool
        There is a virtual tank, whose bodies can be taken.
    truth : bool
        What really stands there is known, and can be covered.
    room : bool
        A class can join, by a code that can be put away.
    locked : bool
        It stands unattended: :data:`LOCKED` do nothing.
    """

    hands: bool = False
    truth: bool = False
    room: bool = False
    locked: bool = False

    def has(self, need: str) -> bool:
        """Whether a key is offered, by what it needs."""
        return {
            "": True,
            "hands": self.hands,
            "truth": self.truth,
            "room": self.room,
            "open": not self.locked,
        }[need]


# Each with what it needs to be offered.
_FOOT = (
    ("", "space pause · m or click: mark · ↑ ↓ threshold · + − stack · b background"),
    ("truth", "t truth"),
    ("", "w what if · d turn"),
    ("open", "s save"),
    ("", "h help"),
    ("open", "q quit"),
)
_FOOT_BY_HAND = (
    ("", "mouse: take a body · k hands and knobs · space pause · m or click: mark"),
    ("truth", "t truth"),
    ("", "w what if · d turn"),
    ("open", "s save"),
    ("", "h help"),
    ("open", "q quit"),
)
_HELP = (
    ("", "space    hold the picture; pings go on and are recorded"),
    ("", "m        mark the next echo; a click marks any range"),
    ("", "← →      move the mark"),
    ("", "delete   take the mark away"),
    ("", "↑ ↓      raise, lower the threshold: fewer, more echoes"),
    ("", "+ −      add up more, fewer pings: noise sinks, movement smears"),
    ("", "b        take away what stood still until now, or put it back"),
    ("truth", "t        cover what really stands in a made-up scene, or uncover it"),
    ("", "d        draw the ranges down the page, or along it"),
    ("", "k  K     open the tray of knobs, or go to the next knob; close it"),
    ("", ", .      turn the knob down, up"),
    ("", "u  r     undo the last turn; all as it was at the start"),
    ("", "w        what if: with one thing changed, beside what was heard;"),
    ("", "         w again: the next thing; any other key: back to now"),
    ("room", "j        show how to join the room, or put it away"),
    ("open", "s        save this picture"),
    ("open", "f        fill the screen, or not"),
    ("", "h        show or hide this help"),
    ("open", "q        quit"),
)
_HELP_BY_HAND = (
    ("", "mouse     take a body in the sketch and lead it. Let go at rest,"),
    ("", "finger    it hangs still; let go in motion, it goes on"),
    ("", "n  esc    choose the next body, or none"),
    ("", "← → ↑ ↓   lead the chosen body as it is seen from above;"),
    ("", "          with shift as it is seen from the side"),
    ("", "1 2 3 4   put in a ball, a plate, a cylinder, a cloud"),
    ("", "x         take the chosen body out"),
    ("", "[ ]       make it smaller, larger"),
    ("", "g         let it go at a steady speed, or hang it still"),
    ("", "k  K      open the tray, or go to its next knob; close it"),
    ("", "          (a click or a touch on the lowest line opens it too)"),
    ("", ", .       turn the knob down, up"),
    ("", "u         undo the last step"),
    ("", "r         all as it was at the start"),
    ("open", "v         save the scene, as it stands, and the plan, as files"),
    ("", "h         hide this help"),
)

WHAT_IF_KEYS = "w: the next thing · s save · any other key: back to now"


def foot(offers: Offers) -> str:
    """Return the line of keys at the foot of the window."""
    words = _FOOT_BY_HAND if offers.hands else _FOOT
    return " · ".join(text for need, text in words if offers.has(need))


def help_sheets(offers: Offers) -> tuple[str, ...]:
    """Return the sheets of help, one after the other."""
    sheets = (_HELP, _HELP_BY_HAND) if offers.hands else (_HELP,)
    return tuple("\n".join(text for need, text in sheet if offers.has(need)) for sheet in sheets)


def what_if_keys(offers: Offers) -> str:
    """Return the line of keys beside two histories."""
    return WHAT_IF_KEYS.replace(" · s save", "") if offers.locked else WHAT_IF_KEYS
