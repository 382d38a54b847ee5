"""Two receivers as one: which echo of the second's is whose, and where across the axis it stands.

An angle is 0 straight ahead, as seen from midway between source and first receiver; it is
positive towards the side on which the first receiver stands, as seen from the source: the
left of a scene of the virtual tank. Both receivers stand on one line, so that it is counted
from the plane square to that line: how high a target stands is not told. The offset is its
distance from that plane, with the same sign.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence

from dsp.ping.bearings import Bearing, NoBearing, PairPlaces, bearing
from dsp.ping.compression import EchoShape
from dsp.ping.delay_differences import OwnDifference, delay_difference
from dsp.ping.partners import partners
from dsp.ping.peaks import Peak
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredSecond
from rig.run.results import Side

U_LIKENESS_DB = 1.5
"""By how much one target's echo differs between two receivers of a kind, side by side
(common practice, no source)."""


def own_of(plan: Plan, stored: StoredSecond | None) -> OwnDifference | None:
    """Return what a calibration says that a pair adds; None where the plan knows it better."""
    if stored is None or not stored.better_than(plan.geometry.u_second_delay_s):
        return None
    kept = dataclasses.asdict(stored)
    del kept["method"]
    return OwnDifference(**kept)


class Pair:
    """The two receivers of one bench.

    Parameters
    ----------
    plan : Plan
        With a second receiver.
    sound_speed_m_s, u_sound_speed_m_s : float
    own : OwnDifference, optional
        What the pair itself adds, as a calibration tells it; else what the plan says of it.

    Attributes
    ----------
    longest_s : float
        More than this no delay between the two can be.
    own : OwnDifference
    """

    def __init__(
        self,
        plan: Plan,
        *,
        sound_speed_m_s: float,
        u_sound_speed_m_s: float,
        own: OwnDifference | None = None,
    ) -> None:
        geometry = plan.geometry
        half_m = geometry.baseline_m / 2
        self._places = PairPlaces(
            source_m=(-half_m, 0.0),
            first_m=(half_m, 0.0),
            second_m=(half_m + geometry.second_spacing_m, 0.0),
            # Of two places that are told by their distance, each has half of its variance.
            u_place_m=geometry.u_second_spacing_m / math.sqrt(2),
        )
        self._sound_speed_m_s = sound_speed_m_s
        self._u_sound_speed_m_s = u_sound_speed_m_s
        self.longest_s = self._places.spacing_m / sound_speed_m_s
        self.own = OwnDifference(u_common_s=geometry.u_second_delay_s) if own is None else own

    def sides(
        self,
        listed: Sequence[Peak],
        first: Sequence[Peak],
        second: Sequence[Peak],
        shape: EchoShape,
        *,
        u_mark_s: float,
    ) -> tuple[Side, ...]:
        """Tell where each of some echoes stands.

        Parameters
        ----------
        listed : sequence of Peak
            The echoes that are asked about, all of them in `first`.
        first, second : sequence of Peak
            All that each receiver heard, nearest first, counted from one time zero.
        shape : EchoShape
            Of one echo, in both.
        u_mark_s : float
            Standard uncertainty of time zero.
        """
        found = partners(
            first, second, longest_s=self.longest_s, u_likeness_db=U_LIKENESS_DB, own=self.own
        )
        partner = dict(zip(map(id, first), found, strict=True))
        sides = []
        for peak in listed:
            its = partner[id(peak)]
            if its.index is None:
                sides.append(Side(doubt=its.why_not))
            else:
                sides.append(self._side(peak, second[its.index], shape, u_mark_s))
        return tuple(sides)

    def _side(self, first: Peak, second: Peak, shape: EchoShape, u_mark_s: float) -> Side:
        later = delay_difference(first, second, shape, longest_s=self.longest_s, own=self.own)

        def at(later_s: float, u_later_s: float) -> Bearing | NoBearing:
            return bearing(
                first.delay_s,
                later_s,
                self._places,
                sound_speed_m_s=self._sound_speed_m_s,
                u_delay_s=math.hypot(first.u_delay_s, u_mark_s),
                u_later_s=u_later_s,
                u_sound_speed_m_s=self._u_sound_speed_m_s,
                bound_s=later.bound_s,
            )

        its = at(later.delay_s, later.u_delay_s)
        if isinstance(its, NoBearing):
            return Side(doubt=its.why)
        others = () if later.by_phase else tuple(at(s, 0.0) for s in later.possible_s)
        return Side(
            angle_rad=its.angle_rad,
            u_angle_rad=its.u_angle_rad,
            low_rad=its.low_rad,
            high_rad=its.high_rad,
            offset_m=its.across_m,
            u_offset_m=its.u_across_m,
            bound_rad=its.bound_rad,
            possible_rad=tuple(o.angle_rad for o in others if not isinstance(o, NoBearing)),
            doubt=later.why_not,
        )
