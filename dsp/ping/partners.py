"""Which echo of the one channel is which of the other's.

Each receiver hears each target once, no more apart in time than the receivers stand apart in
way, and about as strong. Where targets stand closer together than that, more than one of the
other channel's echoes may be an echo's; where that leaves more than one way to pair all of
them off, none of these ways is taken.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dsp.arguments import require_within
from dsp.ping.delay_differences import ALIKE, DECIDES, OwnDifference
from dsp.ping.peaks import Peak

MOST_TOGETHER = 6
"""More echoes in one crowd than this are not paired off."""

_NEPER_DB = 20 / math.log(10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Partner:
    """What the second channel has for an echo of the first.

    Attributes
    ----------
    index : int or None
        Of the second channel's peak; None where there is none, or more than one may be it.
    why_not : str
        Why there is none, in words; empty where there is one.
    """

    index: int | None
    why_not: str = ""


def partners(
    first: Sequence[Peak],
    second: Sequence[Peak],
    *,
    longest_s: float,
    u_likeness_db: float,
    own: OwnDifference = ALIKE,
    decides: float = DECIDES,
) -> tuple[Partner, ...]:
    """Pair the echoes of two channels off.

    Parameters
    ----------
    first, second : sequence of Peak
        All that each channel heard, nearest first.
    longest_s : float
        More than this no difference can be: the receivers' spacing over the sound speed.
    u_likeness_db : float
        By how much one target's echo differs between the channels, noise and the pair's own
        gain apart: as standard deviation.
    own : OwnDifference
    decides : float
        An echo that differs by so many standard deviations in delay or strength is another's.

    Returns
    -------
    tuple of Partner
        One for each of `first`.

    Raises
    ------
    ValueError
        Where `longest_s` or `u_likeness_db` is negative.
    """
    require_within("longest_s", longest_s, 0, math.inf, "s")
    require_within("u_likeness_db", u_likeness_db, 0, math.inf, "dB")
    may_be = [
        {
            j
            for j, other in enumerate(second)
            if _in_time(peak, other, longest_s, own, decides)
            and _alike(peak, other, u_likeness_db, own, decides)
        }
        for peak in first
    ]
    found: list[Partner] = [Partner(index=None, why_not="not heard by the second receiver")] * len(
        first
    )
    for crowd in _crowds(may_be):
        others = set().union(*(may_be[i] for i in crowd))
        if max(len(crowd), len(others)) > MOST_TOGETHER:
            ways = []
        else:
            ways = _most_paired([(i, may_be[i]) for i in crowd])
        for i in crowd:
            taken = {way.get(i) for way in ways}
            if len(taken) == 1 and (index := taken.pop()) is not None:
                found[i] = Partner(index=index)
            else:
                found[i] = Partner(
                    index=None,
                    why_not="others are so near that it is open which echo of the second "
                    "receiver is its",
                )
    return tuple(found)


def _in_time(peak: Peak, other: Peak, longest_s: float, own: OwnDifference, decides: float) -> bool:
    later_s = other.delay_s - peak.delay_s - own.envelope_delay_s
    u_s = math.hypot(peak.u_delay_s, other.u_delay_s, own.u_envelope_delay_s, own.u_common_s)
    return abs(later_s) <= longest_s + decides * u_s


def _alike(
    peak: Peak, other: Peak, u_likeness_db: float, own: OwnDifference, decides: float
) -> bool:
    stronger_db = 20 * math.log10(other.amplitude / peak.amplitude) - own.gain_db
    # An amplitude is noisy by 1/√(2E/N0) of itself.
    u_noise_db = _NEPER_DB * math.sqrt(1 / peak.snr + 1 / other.snr)
    return abs(stronger_db) <= decides * math.hypot(u_noise_db, u_likeness_db, own.u_gain_db)


def _crowds(may_be: Sequence[set[int]]) -> list[list[int]]:
    """Return the first channel's echoes that have any of the second's in common."""
    crowds: list[tuple[list[int], set[int]]] = []
    for i, others in enumerate(may_be):
        if not others:
            continue
        met = [c for c in crowds if c[1] & others]
        crowds = [c for c in crowds if not c[1] & others]
        crowds.append(
            (sorted([i, *(j for c in met for j in c[0])]), others.union(*(c[1] for c in met)))
        )
    return [members for members, _ in crowds]


def _most_paired(open_ones: Sequence[tuple[int, set[int]]]) -> list[dict[int, int]]:
    """Return all ways to pair as many off as can be."""
    ways = _all_ways(open_ones, frozenset())
    most = max(len(way) for way in ways)
    return [way for way in ways if len(way) == most]


def _all_ways(
    open_ones: Sequence[tuple[int, set[int]]], taken: frozenset[int]
) -> list[dict[int, int]]:
    if not open_ones:
        return [{}]
    (i, others), rest = open_ones[0], open_ones[1:]
    ways = _all_ways(rest, taken)
    for j in sorted(others - taken):
        ways += [{i: j, **way} for way in _all_ways(rest, taken | {j})]
    return ways
