"""Which ping of the sequence a block holds, told by the sign of its time-zero mark.

A stream may slip by a whole interval, which no mark's place shows. Its sign does: a mark that
stands upside down, once the block was turned back by the sign that was due, is another ping's.
"""

from __future__ import annotations

import dataclasses
import math

from dsp.ping.pulse.peaks import Peak
from dsp.ping.signs.signs import PLACE_TOLD, SIGNS, places_with
from rig.bench.capture import CaptureBlock

ANOTHER_PING = "its mark has another ping's sign: the sound slipped across a ping"
NOT_YET_KNOWN = "the sound slipped across a ping, and it is not yet known which ping this is"


class SignWatch:
    """Where a stream stands in the sequence of signs.

    Attributes
    ----------
    ahead : int
        By how many pings it stands ahead of where the front end has its blocks.
    """

    def __init__(self) -> None:
        self.ahead = 0
        self._upright_rad: float | None = None
        self._since_slip: list[tuple[int, int]] = []

    def placed(self, block: CaptureBlock) -> CaptureBlock:
        """Return a block with the place of the ping that it holds, by what is known now."""
        if not self.ahead or block.sign_place is None:
            return block
        return dataclasses.replace(block, sign_place=block.sign_place + self.ahead)

    def hear(self, block: CaptureBlock, mark: Peak) -> str:
        """Take the next mark; say in words where it is another ping's, else nothing."""
        if self._upright_rad is None:
            self._upright_rad = mark.phase_rad
            return ""
        upright = math.cos(mark.phase_rad - self._upright_rad) > 0
        if upright and not self._since_slip:
            self._upright_rad = mark.phase_rad
            return ""
        reason = NOT_YET_KNOWN if self._since_slip else ANOTHER_PING
        place = 0 if block.sign_place is None else block.sign_place
        self._since_slip.append((place, block.sign if upright else -block.sign))
        self._find_place()
        return reason

    def _find_place(self) -> None:
        """Take up the place at which the signs since the slip stand in the sequence."""
        self._since_slip = self._since_slip[-PLACE_TOLD:]
        first, last = self._since_slip[0][0], self._since_slip[-1][0]
        if len(self._since_slip) < PLACE_TOLD or last - first != PLACE_TOLD - 1:
            return
        places = places_with([sign for _, sign in self._since_slip])
        if len(places) == 1:
            self.ahead += (places[0] - first) % len(SIGNS)
            self._since_slip = []
