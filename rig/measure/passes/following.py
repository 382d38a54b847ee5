"""What went by: echoes followed from ping to ping, and each track judged.

A ping is searched again here, each on its own and at a higher false-alarm rate than
the plan asks: an echo that is too weak to be listed alone counts once it falls into
line with those of other pings, and a false alarm hardly ever does.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.history.medium_drift import changed_alike
from dsp.history.range_filters import Scan
from dsp.history.tracking import Track, Tracker, tracks_among, tracks_of
from dsp.ping.ranging import path_from_range_m
from rig.measure.passes.judging import Judged, drift_m, judge, untold
from rig.measure.passes.passing import Passing
from rig.run.groups import groups, pings_at_a_time
from rig.run.hits import heard_in, resolution_m, scan_of
from rig.run.origin import own_hits
from rig.run.receiver import Receiver
from rig.run.results import HitRows, Hits, HitTable
from rig.run.run import Run

MOST_SHARED = 4.0
"""So many times what the plan lets expect, a change that two targets share is the medium's;
beyond, two that move alike are likelier."""

OF_THE_ROOM = "in the sum of all pings it is no more than what still rings there"

HALF_DB = 6.0
"""What the sum of all pings holds less of was there for less than half of them, or not in phase,
and the sum says nothing of it."""

_Key = tuple[bytes, bytes, bool, tuple[bool, bool]]


def passings_of(run: Run) -> tuple[Passing, ...]:
    """Return what went by in a run; followed once."""
    return run.once(_passings)


def _passings(run: Run) -> tuple[Passing, ...]:
    table = hits_in(run)
    # Where all that was found was followed as it came, its numbers are at hand.
    passings = follow(run.receiver, table, owner=run.followed_in(table))
    return tuple(
        dataclasses.replace(p, passage=untold(p.passage, OF_THE_ROOM))
        if p.passage.kind == "stay" and _drowns_in_sum(run, p)
        else p
        for p in passings
    )


def _drowns_in_sum(run: Run, stay: Passing) -> bool:
    """Say whether what stays is in the sum of all pings, and does not stand out of it there.

    A chance alarm comes in one ping. What a room or a tank still rings is the same in each, so
    that where it is high by chance it is so in all of them: no number of pings makes it more
    than one chance. In their sum it is the noise that an echo must stand out of.
    """
    summed = run.measurement
    if summed.profile is None or stay.strength_db is None:
        return False
    range_m, resolved_m = float(np.mean(stay.range_m)), resolution_m(run.receiver)
    if any(abs(e.range_m - range_m) < resolved_m for e in (*summed.echoes, *summed.untold)):
        return False
    path_m = float(path_from_range_m(range_m, run.plan.geometry.baseline_m))
    place = path_m / run.receiver.sound_speed_m_s / summed.profile.bin_s
    half = run.receiver.shape.width_s / summed.profile.bin_s / 2
    about = summed.profile.strength_db[max(math.floor(place - half), 0) : math.ceil(place + half)]
    return float(about.max(initial=-math.inf)) > float(np.mean(stay.strength_db)) - HALF_DB


def hits_in(run: Run) -> HitTable:
    """Return what was found in each good ping, to be followed from ping to ping."""
    results = run.results
    if any(place is not None for place in results.each("sign_place")):
        return HitTable.of(list(own_hits(results)))
    latest: list[Hits] = []
    for pings in groups(results.latest, pings_at_a_time(run.receiver)):
        heard = {n: ping.heard for n, ping in enumerate(pings) if ping.heard is not None}
        unheard = {
            n: (ping, ping.alone, ping.time_zero)
            for n, ping in enumerate(pings)
            if n not in heard and ping.alone is not None and ping.time_zero is not None
        }
        heard |= zip(unheard, heard_in(run.receiver, list(unheard.values())), strict=True)
        latest += (heard[n].hits for n in sorted(heard))
    return HitTable.of(latest, older=lambda name: results.older("heard", "hits", name))


def follow(
    receiver: Receiver, table: HitTable, *, owner: NDArray[np.int64] | None = None
) -> tuple[Passing, ...]:
    """Follow every target through some pings and judge how it went by.

    Parameters
    ----------
    receiver : Receiver
        Of the pings; no profile is searched.
    table : HitTable
        In order, without lost pings. A target with too few hits to make a track is left
        out.
    owner : ndarray of int64, shape (hits,), optional
        As :class:`dsp.history.range_filters.Speeds` tells them, where they were followed already.

    Returns
    -------
    tuple of Passing
        In the order of their first hits.
    """
    cell_m, rows = resolution_m(receiver), table.rows
    if owner is None:
        own = np.split(np.stack([rows.range_m, rows.noise_m]), np.cumsum(table.counts)[:-1], axis=1)
        tracks = tracks_of(
            (
                Scan(time_s=sent_s, range_m=range_m, noise_m=noise_m)
                for sent_s, (range_m, noise_m) in zip(table.sent_s.tolist(), own, strict=True)
            ),
            resolution_m=cell_m,
            interval_s=receiver.plan.timing.ping_interval_s,
        )
    else:
        tracks = tracks_among(
            table.sent_s, table.counts, rows.range_m, rows.noise_m, owner, resolution_m=cell_m
        )
    return _in_order(receiver, [judge(receiver, *each) for each in _each(table, tracks)])


class Following:
    """Follows every target ping by ping, as they come.

    A track that has not changed since it was last asked for is not judged again.

    Parameters
    ----------
    receiver : Receiver
        Of the pings.
    """

    def __init__(self, receiver: Receiver) -> None:
        self._receiver = receiver
        self._tracker = Tracker(
            resolution_m=resolution_m(receiver), interval_s=receiver.plan.timing.ping_interval_s
        )
        self._hits: list[Hits] = []
        self._judged: dict[_Key, Judged] = {}

    def add(self, hits: Hits) -> None:
        """Take the next ping that was not lost.

        Raises
        ------
        ValueError
            Where it was sent no later than the last one.
        """
        self._tracker.add(scan_of(hits))
        self._hits.append(hits)

    def passings(self) -> tuple[Passing, ...]:
        """Return what went by in all pings so far, in the order of their first hits."""
        judged: dict[_Key, Judged] = {}
        for echoes, track in _each(HitTable.of(self._hits), self._tracker.tracks()):
            key = echoes.ping.tobytes(), echoes.range_m.tobytes(), track.unsure, track.turned
            found = self._judged.get(key)
            judged[key] = judge(self._receiver, echoes, track) if found is None else found
        self._judged = judged
        return _in_order(self._receiver, list(judged.values()))


def _each(table: HitTable, tracks: Iterable[Track]) -> Iterator[tuple[HitRows, Track]]:
    """Give each track, and its hits."""
    start = np.concatenate([[0], np.cumsum(table.counts)])
    return ((table.rows.taken(start[track.scan] + track.echo), track) for track in tracks)


def _in_order(receiver: Receiver, judged: Sequence[Judged]) -> tuple[Passing, ...]:
    passings = _freed_of_the_medium(receiver, judged)
    return tuple(sorted(passings, key=lambda p: (p.passage.first_s, p.range_m[0])))


def _freed_of_the_medium(receiver: Receiver, judged: Sequence[Judged]) -> list[Passing]:
    """Take back each pass that another target's range shares: it is the medium's, not theirs."""
    answer = []
    for one in judged:
        passing = one.passing
        shared = passing.passage.kind in ("pass", "half") and any(
            other is not one and changed_alike(one.ranges, other.ranges) for other in judged
        )
        most_m = MOST_SHARED * drift_m(receiver, float(np.mean(passing.range_m)))
        if shared and np.ptp(one.ranges.range_m) < most_m:
            reason = "another's range changed alike: the medium may have changed, and no target"
            passing = dataclasses.replace(passing, passage=untold(passing.passage, reason))
        answer.append(passing)
    return answer
