"""Which pings are added up with the newest: those before it, as far as nothing has moved since.

A sum over pings shows what stands still with less noise. What has moved, it smears; and of
codes that take turns, the side lobes of what has moved do not cancel, and stand there as
echoes of nothing.
"""

from __future__ import annotations

import dataclasses
import math
from collections import deque
from collections.abc import Iterable, Iterator, Sequence

import numpy as np

from dsp.ping.pulse.peaks import side_lobe_ceiling
from dsp.ping.pulse.profiles import stacked_in_turns
from dsp.ping.search.side_lobes_left import LEAST_MISFIT
from rig.bench.plan import Plan
from rig.run.hits import resolution_m, snr_out, stands_out
from rig.run.receiver import Receiver
from rig.run.results import Hits, PingResult

MOVED = 4.0
"""Standard deviations by which a range has changed for it to have moved: noise alone says so
once in 16 000 echoes."""


def stack_depth(plan: Plan) -> int:
    """Return how many profiles are added up as a plan asks: whole turns of its pulses."""
    cycle = plan.pulses_per_cycle
    return -(-plan.receiver.stack // cycle) * cycle


def stacked_as_asked(
    receiver: Receiver, pings: Iterable[PingResult], *, depth: int
) -> Iterator[PingResult]:
    """Add up each ping's own profile with those before it, and find the echoes in the sum.

    A profile that is stacked with no other has been searched already. What has moved since
    a ping ends the stack there.

    Parameters
    ----------
    receiver : Receiver
    pings : iterable of PingResult
        In order, each with its own profile in `alone`, what was found there in `heard`, and
        its own profile, threshold and `echoes` as those of a stack of one.
    depth : int
        How many profiles are added up, at the most.
    """
    still = Still(receiver)
    recent: deque[PingResult] = deque(maxlen=depth)
    for ping in pings:
        if ping.alone is None or ping.time_zero is None or ping.heard is None:
            yield ping
            continue
        recent.append(ping)
        kept = still.with_newest(recent)
        profile = stacked_in_turns([p.alone for p in kept if p.alone is not None])
        moving = ping.moving or len(kept) < len(recent)
        if profile is not ping.alone:
            echoes, threshold = receiver.search.echoes(profile, ping.time_zero)
            yield dataclasses.replace(
                ping, profile=profile, echoes=echoes, threshold=threshold, moving=moving
            )
        elif moving is not ping.moving:
            yield dataclasses.replace(ping, moving=moving)
        else:
            yield ping


class Still:
    """Tells whether what two pings heard stands where it stood."""

    def __init__(self, receiver: Receiver) -> None:
        self._receiver, shape = receiver, receiver.shape
        lobe_bins = math.ceil(shape.width_s / shape.bin_s)
        # Of pulses that take turns, the highest that any one's side lobes reach.
        self._side_lobe = max(
            float(side_lobe_ceiling(each, each.cycle_bins // 2)[lobe_bins])
            for each in receiver.shapes
        )
        self._resolution_m = resolution_m(receiver)
        self._least_snr = -2 * math.log(receiver.plan.receiver.false_alarm_rate)

    def with_newest(self, recent: Sequence[PingResult]) -> list[PingResult]:
        """Return the latest pings since when nothing has moved, in order."""
        newest = recent[-1]
        kept = [newest]
        for earlier in reversed(list(recent)[:-1]):
            if self._moved(newest, earlier):
                break
            kept.insert(0, earlier)
        return kept

    def _moved(self, newest: PingResult, earlier: PingResult) -> bool:
        if newest.heard is None or earlier.heard is None:
            return False
        now, then = newest.heard.hits, earlier.heard.hits
        if np.isnan(now.snr_db).any() or np.isnan(then.snr_db).any():
            return False  # a device that hands on edge times alone
        if self._unpaired(now, then) or self._unpaired(then, now):
            return True
        if now.range_m.size == 0 or then.range_m.size == 0:
            return False
        apart_m = np.abs(now.range_m[:, np.newaxis] - then.range_m)
        partner = apart_m.argmin(axis=1)
        apart_m = apart_m.min(axis=1)
        paired = (apart_m < self._resolution_m) & stands_out(self._receiver, now)
        noise_m = np.hypot(now.noise_m, then.noise_m[partner])
        if bool((apart_m > MOVED * noise_m)[paired].any()):
            return True
        if newest.alone is None or earlier.alone is None:
            return False
        if newest.alone.pulse_index == earlier.alone.pulse_index:
            return False
        # Half of what two codes' echoes differ by keeps a single code's side lobes: they are
        # listed where they stand above the threshold of the two together, √2 lower. What one
        # code's side lobes hide pulls that code's echo by as much as its own reach there.
        strength = 10 ** (now.strength_db / 20)
        hidden = LEAST_MISFIT * self._side_lobe**2 * strength
        unlike = np.abs(now.phasor - then.phasor[partner]) - hidden
        unlike = unlike / 2 * self._side_lobe
        threshold = strength * np.sqrt(self._least_snr / snr_out(self._receiver, now) / 2)
        return bool((unlike > threshold)[paired].any())

    def _unpaired(self, hits: Hits, others: Hits) -> bool:
        """Say whether one of the hits, and a sure one, has none near it among the others."""
        sure_m = hits.range_m[stands_out(self._receiver, hits)]
        if sure_m.size == 0 or others.range_m.size == 0:
            return bool(sure_m.size)
        apart_m = np.abs(sure_m[:, np.newaxis] - others.range_m).min(axis=1)
        return bool((apart_m > self._resolution_m).any())
