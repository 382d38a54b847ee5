"""The second receiver's channel against the first's: what the pair itself adds."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dsp.ping.pair.delay_differences import OwnDifference, own_difference
from dsp.ping.pulse.peaks import Peak
from rig.bench.plan import Geometry, Plan
from rig.bench.stored_calibration import StoredSecond
from rig.measure.calibrate.echoes import HeardTarget
from rig.measure.calibrate.runs import Start
from rig.measure.calibrate.steps import KnownTarget
from rig.run.direct import direct_later_m, direct_of_both, direct_weaker_by
from rig.run.echo_search import PARTNER_RATE
from rig.run.pair import U_GAIN_DB

U_SQUARE_RAD = 0.01
"""A plate that is set square to the axis by eye is so to half a degree (common practice, no
source)."""


def second_of(
    plan: Plan,
    start: Start,
    heard: Sequence[HeardTarget],
    sound_speed_m_s: float,
    notes: list[str],
) -> StoredSecond | None:
    """Tell what the second channel adds: by the surest known target, or the direct sound."""
    if plan.geometry.second is None:
        return None
    by_targets = [own for h in heard if (own := _by_target(plan, h, sound_speed_m_s)) is not None]
    if by_targets:
        return min(by_targets, key=lambda own: own.u_common_s)
    if heard:
        notes.append("the second receiver did not hear the known targets")
    measured = start.run.measurement
    if measured.profile is None or measured.last is None or measured.last.time_zero is None:
        return None
    first, second = direct_of_both(start.receiver, measured.profile, measured.last.time_zero)
    if first is None or second is None:
        notes.append("the second receiver's own delay is not known: it heard no direct sound")
        return None
    return _stored(
        "direct",
        start,
        first,
        second,
        direct_later_m(plan.geometry),
        weaker_by=direct_weaker_by(plan.geometry),
        sound_speed_m_s=sound_speed_m_s,
    )


def target_later_m(geometry: Geometry, target: KnownTarget) -> tuple[float, float]:
    """Return how much longer a known target's way is to the second receiver, and its u.

    A ball is a point. A plate is a mirror if it is large, and as good as a point if it is
    small beside √(λ R): its way lies between the two, as likely here as there.
    """
    range_m, half_m = target.range_m, geometry.baseline_m / 2
    spacing_m = geometry.second_spacing_m
    point_m = math.hypot(range_m, half_m + spacing_m) - math.hypot(range_m, half_m)
    aside_m = spacing_m / range_m * target.u_range_m
    # A receiver that stands elsewhere than it is taken to is so for all that is ahead: what
    # that does is part of what is measured here.
    if target.radius_m is not None:
        return point_m, abs(aside_m)
    mirror_m = math.hypot(2 * range_m, 2 * half_m + spacing_m) - math.hypot(2 * range_m, 2 * half_m)
    between_m = abs(mirror_m - point_m) / math.sqrt(12)
    turned_m = spacing_m * U_SQUARE_RAD
    return (point_m + mirror_m) / 2, math.hypot(aside_m, between_m, turned_m)


def _by_target(plan: Plan, heard: HeardTarget, sound_speed_m_s: float) -> StoredSecond | None:
    start, measured = heard.start, heard.start.run.measurement
    receiver, profile = start.receiver, measured.profile
    if profile is None or profile.beside is None or receiver.pair is None:
        return None
    if measured.last is None or measured.last.time_zero is None:
        return None
    zero = measured.last.time_zero
    firsts = receiver.search.found(profile, zero, rates=(PARTNER_RATE,)).peaks
    seconds = receiver.search.found_each(
        [(profile.beside, zero)], rates=(PARTNER_RATE,), later_s=receiver.pair.longest_s
    )[0].peaks
    first = min(firsts, key=lambda p: abs(p.delay_s - heard.echo.delay_s), default=None)
    if first is None:
        return None
    near = [p for p in seconds if abs(p.delay_s - first.delay_s) <= receiver.pair.longest_s]
    if not near:
        return None
    second = max(near, key=lambda peak: peak.amplitude)
    half_m, range_m = plan.geometry.baseline_m / 2, heard.target.range_m
    return _stored(
        heard.target.words,
        start,
        first,
        second,
        target_later_m(plan.geometry, heard.target),
        weaker_by=math.hypot(range_m, half_m + plan.geometry.second_spacing_m)
        / math.hypot(range_m, half_m),
        sound_speed_m_s=sound_speed_m_s,
        ahead_m=range_m,
    )


def _stored(
    method: str,
    start: Start,
    first: Peak,
    second: Peak,
    later_m: tuple[float, float],
    *,
    weaker_by: float | None,
    sound_speed_m_s: float,
    ahead_m: float | None = None,
) -> StoredSecond:
    """Put together what a sound at both tells.

    Its way is `later_m` longer to the second, with that uncertainty, over which it loses by
    spreading a factor `weaker_by`; None where nobody knows, and gains count as set alike.
    """
    expected_m, u_expected_m = later_m
    own: OwnDifference = own_difference(
        first,
        second,
        start.receiver.shape,
        expected_delay_s=expected_m / sound_speed_m_s,
        u_expected_delay_s=u_expected_m / sound_speed_m_s,
    )
    gain_db, u_gain_db = 0.0, U_GAIN_DB
    if weaker_by is not None:
        gain_db, u_gain_db = own.gain_db + 20 * math.log10(weaker_by), own.u_gain_db
    return StoredSecond(
        method=method,
        envelope_delay_s=own.envelope_delay_s,
        u_envelope_delay_s=own.u_envelope_delay_s,
        carrier_delay_s=own.carrier_delay_s,
        u_carrier_delay_s=own.u_carrier_delay_s,
        gain_db=gain_db,
        u_gain_db=u_gain_db,
        u_common_s=own.u_common_s,
        ahead_m=ahead_m,
    )
