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
from dsp.ping.pair.delay_differences import ALIKE, DECIDES, OwnDifference
from dsp.ping.pulse.peaks import Peak

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
            if _in_time(peak, other, longest_s, own) and _alike(peak, other, u_likeness_db, own)
        }
        for peak in first
    ]
    only = _only_partners(may_be)
    return tuple(
        Partner(index=index)
        if index is not None
        else Partner(
            index=None,
            why_not="others are so near that it is open which echo of the second receiver is its"
            if others
            else "not heard by the second receiver",
        )
        for index, others in zip(only, may_be, strict=True)
    )


def _in_time(peak: Peak, other: Peak, longest_s: float, own: OwnDifference) -> bool:
    later_s = other.delay_s - peak.delay_s - own.envelope_delay_s
    u_s = math.hypot(peak.u_delay_s, other.u_delay_s, own.u_envelope_delay_s, own.u_common_s)
    return abs(later_s) <= longest_s + DECIDES * u_s


def _alike(peak: Peak, other: Peak, u_likeness_db: float, own: OwnDifference) -> bool:
    stronger_db = 20 * math.log10(other.amplitude / peak.amplitude) - own.gain_db
    # An amplitude is noisy by 1/√(2E/N0) of itself.
    u_noise_db = _NEPER_DB * math.sqrt(1 / peak.snr + 1 / other.snr)
    return abs(stronger_db) <= DECIDES * math.hypot(u_noise_db, u_likeness_db, own.u_gain_db)


def _only_partners(may_be: Sequence[set[int]]) -> list[int | None]:
    """Return for each the one partner that it has in all ways to pair as many off as can be.

    One way is found by paths that pair off one more each; another one of as many, without one
    of its pairs, is there if such a path is without that pair, and then the pair is not the
    only one (C. Berge 1957; from memory).
    """
    taken: dict[int, int] = {}
    for i in range(len(may_be)):
        _pair_off(i, may_be, taken, set())
    only: list[int | None] = [None] * len(may_be)
    for j, i in taken.items():
        others = [may - {j} if k == i else may for k, may in enumerate(may_be)]
        without = {partner: k for partner, k in taken.items() if partner != j}
        free = set(range(len(may_be))) - set(without.values())
        if not any(_pair_off(k, others, without, set()) for k in free):
            only[i] = j
    return only


def _pair_off(i: int, may_be: Sequence[set[int]], taken: dict[int, int], tried: set[int]) -> bool:
    """Pair one more off, if need be by giving others other partners; say whether it went."""
    for j in sorted(may_be[i] - tried):
        tried.add(j)
        if j not in taken or _pair_off(taken[j], may_be, taken, tried):
            taken[j] = i
            return True
    return False
