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

from dsp.ping.pair.bearings import Bearing, NoBearing, PairPlaces, bearing
from dsp.ping.pair.delay_differences import OwnDifference, delay_difference
from dsp.ping.pair.partners import partners
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredSecond
from rig.run.results import Side

U_LIKENESS_DB = 1.5
"""By how much one target's echo differs between two receivers of a kind, side by side
(common practice, no source)."""

U_GAIN_DB = 2.0
"""By how much two inputs' gains differ that were set alike by hand, and nobody measured
(common practice, no source)."""


def own_of(
    plan: Plan, stored: StoredSecond | None, *, sound_speed_m_s: float
) -> OwnDifference | None:
    """Return what a calibration says that a pair adds; None where the plan knows it better."""
    if stored is None:
        return None
    u_delay_s = plan.geometry.u_second_delay_s
    if stored.ahead_m is not None:
        # It tells as well how far the second stands ahead of the first.
        u_delay_s = math.hypot(u_delay_s, plan.geometry.u_second_spacing_m / sound_speed_m_s)
    if not stored.better_than(u_delay_s):
        return None
    kept = dataclasses.asdict(stored)
    del kept["method"], kept["ahead_m"]
    return OwnDifference(**kept)


class Pair:
    """The two receivers of one bench.

    Parameters
    ----------
    plan : Plan
        With a second receiver.
    sound_speed_m_s, u_sound_speed_m_s : float
    stored : StoredSecond, optional
        What the pair itself adds, as a calibration tells it.

    Attributes
    ----------
    longest_s : float
        More than this no delay between the two can be.
    own : OwnDifference
        What the pair itself adds, as the calibration or else the plan says of it.
    """

    def __init__(
        self,
        plan: Plan,
        *,
        sound_speed_m_s: float,
        u_sound_speed_m_s: float,
        stored: StoredSecond | None = None,
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
        own = own_of(plan, stored, sound_speed_m_s=sound_speed_m_s)
        self._told_by = None
        if own is not None and stored is not None and stored.ahead_m is not None:
            self._told_by = (0.0, stored.ahead_m)
        if own is None:
            own = OwnDifference(u_common_s=geometry.u_second_delay_s, u_gain_db=U_GAIN_DB)
        self.own = own
        if plan.timing.band_sampling:
            # The phases of a band that folds down are not those of the waves that came.
            self.own = dataclasses.replace(self.own, u_carrier_delay_s=math.inf)

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

    def _way(self, place_m: tuple[float, float]) -> tuple[float, float]:
        """Return the direction of a place from the second receiver, as a unit vector."""
        across_m, ahead_m = (p - s for p, s in zip(place_m, self._places.second_m, strict=True))
        away_m = math.hypot(across_m, ahead_m)
        return across_m / away_m, ahead_m / away_m

    def _side(self, first: Peak, second: Peak, shape: EchoShape, u_mark_s: float) -> Side:
        later = delay_difference(first, second, shape, longest_s=self.longest_s, own=self.own)

        def at(later_s: float, u_later_s: float, places: PairPlaces) -> Bearing | NoBearing:
            return bearing(
                first.delay_s,
                later_s,
                places,
                sound_speed_m_s=self._sound_speed_m_s,
                u_delay_s=math.hypot(first.u_delay_s, u_mark_s),
                u_later_s=u_later_s,
                u_sound_speed_m_s=self._u_sound_speed_m_s,
                bound_s=later.bound_s,
            )

        its = at(later.delay_s, later.u_delay_s, self._places)
        if isinstance(its, Bearing) and self._told_by is not None:
            # What a wrong place does to the delay of what it was told by is in the pair's own.
            # To another's it does more or less by as much as the two ways' directions differ.
            ways = (self._way(place) for place in (self._told_by, (its.across_m, its.ahead_m)))
            share = min(1.0, math.dist(*ways))
            places = dataclasses.replace(self._places, u_place_m=share * self._places.u_place_m)
            its = at(later.delay_s, later.u_delay_s, places)
        if isinstance(its, NoBearing):
            return Side(doubt=its.why)
        others = () if later.by_phase else tuple(at(s, 0.0, self._places) for s in later.possible_s)
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
