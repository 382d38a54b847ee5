"""What a target's speed does to the range of a single ping, taken from each once it is known.

A chirp shows what moves ahead of its place, or behind (range–Doppler coupling). One ping cannot
tell that from a place; the pings before it tell the speed. A corrected range is the one at which
the middle of the pulse met the target.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator

import numpy as np

from dsp.history.tracking import Scan, Speeds
from dsp.uncertainty import Budget
from rig.run.budget import MOTION
from rig.run.hits import resolution_m, slope_m_s, stands_out
from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult

MOVES = 4.0
"""Standard deviations by which a speed differs from none for its target to move."""


def freed_of_motion(receiver: Receiver, pings: Iterable[PingResult]) -> Iterator[PingResult]:
    """Give each ping its own echoes, without what their targets' speeds did to their ranges.

    What is left is a term of the budget: the speed's uncertainty. A strong echo that no ping
    before it foretells has a speed that nobody knows yet: its range is as unsure as that, and
    the ping is marked as moving. Of the very first ping nothing is known, and nothing said.

    Parameters
    ----------
    receiver : Receiver
    pings : iterable of PingResult
        In order, each with what was found in its own profile in `heard`.
    """
    coupling_s = receiver.plan.pulse.coupling_s
    speeds = Speeds(
        resolution_m=resolution_m(receiver), interval_s=receiver.plan.timing.ping_interval_s
    )
    first = True
    for ping in pings:
        if ping.heard is None:
            yield ping
            continue
        if coupling_s == 0:
            yield dataclasses.replace(ping, echoes=ping.heard.echoes)
            continue
        hits = ping.heard.hits
        speed_m_s, u_speed_m_s = speeds.add(
            Scan(time_s=hits.sent_s, range_m=hits.range_m, noise_m=hits.noise_m)
        )
        known = np.isfinite(u_speed_m_s)
        sure = stands_out(receiver, hits)
        echoes, moving = list(ping.heard.echoes), False
        for k, echo in enumerate(echoes):
            at = np.flatnonzero(hits.delay_s == echo.delay_s)
            if at.size == 0:  # at a range of 0
                continue
            hit = int(at[0])
            if known[hit] and abs(speed_m_s[hit]) > MOVES * u_speed_m_s[hit]:
                by_m, u_m = coupling_s * speed_m_s[hit], abs(coupling_s) * u_speed_m_s[hit]
                echoes[k] = _moved(receiver, echo, by_m=float(by_m), u_m=float(u_m))
            elif not known[hit] and sure[hit] and not first:
                moving = True
                u_m = abs(coupling_s) * speeds.u_unknown_m_s
                echoes[k] = _moved(receiver, echo, by_m=0.0, u_m=u_m)
        first = False
        yield dataclasses.replace(ping, echoes=tuple(echoes), moving=moving)


def _moved(receiver: Receiver, echo: Echo, *, by_m: float, u_m: float) -> Echo:
    """Return an echo without what its target's speed did to its range."""
    if echo.budget is None:
        return echo
    delay_s = echo.delay_s
    if by_m:
        delay_s -= by_m / float(slope_m_s(receiver, echo.delay_s, echo.range_m))
    names, u = (*echo.budget.names, MOTION), (*echo.budget.u, u_m)
    budget = Budget(value=echo.range_m - by_m, names=names, u=u)
    side = echo.side
    if side is not None and by_m:
        # The angle is the difference of two delays, which a speed does the same to.
        nearer = budget.value / echo.range_m
        side = dataclasses.replace(side, offset_m=side.offset_m * nearer)
    return dataclasses.replace(
        echo,
        side=side,
        range_m=budget.value,
        path_m=receiver.sound_speed_m_s * delay_s,
        delay_s=delay_s,
        u_range_m=math.hypot(echo.u_range_m, u_m),
        budget=budget,
    )
