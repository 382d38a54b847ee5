"""Is a second receiver fit: does it hear, and is it where and what the plan takes it for."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from dsp.ping.pair.delay_differences import OwnDifference, own_difference
from dsp.ping.pulse.profiles import EchoProfile, stacked_in_turns
from rig.bench.capture import CaptureBlock
from rig.measure.finding import Finding
from rig.run.direct import direct_later_m, direct_of_both, direct_weaker_by
from rig.run.pair import U_GAIN_DB
from rig.run.receiver import Receiver
from rig.run.results import PingResult, TimeZero
from rig.run.run import Run

LEAST_PEAK_DB, MOST_PEAK_DB = -60.0, -1.0
"""Of its highest sample, dB re full scale, as of the first's."""

MOST_APART = 3.0
"""Standard deviations by which its direct sound may be later or louder than its place says."""

_IN_TIME, _IN_PHASE = "second later than due", "second's phase"
_OF_ANGLES = (_IN_TIME, _IN_PHASE)
"""What is found amiss by these makes an angle wrong."""

SURE_OF_SIGN_RAD = math.pi / 6
"""A sign is told where the envelopes know so well which phase is due."""


def second_findings(
    receiver: Receiver, blocks: Sequence[CaptureBlock], results: Sequence[PingResult]
) -> list[Finding]:
    """Judge the second receiver by pings that were gone over; nothing where there is none."""
    second = receiver.info.second
    if receiver.pair is None or second is None:
        return []
    found = [_peak(max(float(np.abs(block.samples[second]).max()) for block in blocks))]
    good = [(r.alone, r.time_zero) for r in results if r.alone is not None and not r.lost]
    if not good or good[-1][1] is None or receiver.plan.geometry.baseline_m == 0:
        return found
    profile = stacked_in_turns([alone for alone, _ in good])
    return found + _direct(receiver, profile, good[-1][1])


def pair_doubts(run: Run) -> tuple[str, ...]:
    """Say what the direct sound at both receivers has against a run's angles; empty if nothing."""
    return run.once(_doubts) if run.receiver.pair is not None else ()


def _doubts(run: Run) -> tuple[str, ...]:
    profile, last = run.summed(), run.last
    if profile is None or last is None or last.time_zero is None:
        return ()
    if run.plan.geometry.baseline_m == 0:
        return ()
    found = _direct(run.receiver, profile, last.time_zero)
    return tuple(f.advice for f in found if f.name in _OF_ANGLES and not f.fit)


def _peak(highest: float) -> Finding:
    peak_db = 20 * math.log10(max(highest, 1e-10))
    advice = ""
    if peak_db < LEAST_PEAK_DB:
        advice = (
            "the second receiver hears next to nothing: see that it is plugged into the input "
            "that geometry.second_channel counts and not muted, and turn its gain up"
        )
    elif peak_db > MOST_PEAK_DB:
        advice = "turn the second receiver's gain or the output level down: its sound clips"
    return Finding(
        name="highest sample, second",
        value=peak_db,
        unit="dB re full scale",
        fit=not advice,
        advice=advice,
    )


def _direct(receiver: Receiver, profile: EchoProfile, time_zero: TimeZero) -> list[Finding]:
    """Judge place, order and sign by the direct sound at both."""
    first, second = direct_of_both(receiver, profile, time_zero)
    if first is None:
        return []
    if second is None:
        remedy = "see that nothing stands between source and second receiver, and turn its gain up"
        return [
            Finding(name="direct sound, second", value=0, unit="heard", fit=False, advice=remedy)
        ]
    speed, geometry = receiver.sound_speed_m_s, receiver.plan.geometry
    due_m, u_due_m = direct_later_m(geometry)
    heard = own_difference(
        first,
        second,
        receiver.shape,
        expected_delay_s=due_m / speed,
        u_expected_delay_s=u_due_m / speed,
    )
    # What a calibration knows of the pair is no fault.
    known = receiver.pair.own if receiver.pair is not None else heard
    found = [_in_time(receiver, heard, known, due_m / speed)]
    weaker_by = direct_weaker_by(geometry)
    if weaker_by is not None:
        found.append(_as_loud(heard, known, weaker_by))
    centre_rad_s = 2 * math.pi * receiver.centre_hz
    if centre_rad_s * heard.u_envelope_delay_s < SURE_OF_SIGN_RAD:
        apart_s, known_s = (o.carrier_delay_s - o.envelope_delay_s for o in (heard, known))
        found.append(_of_one_sign(math.remainder(centre_rad_s * (apart_s - known_s), 2 * math.pi)))
    return found


def _in_time(
    receiver: Receiver, heard: OwnDifference, known: OwnDifference, due_s: float
) -> Finding:
    late_s = heard.envelope_delay_s - known.envelope_delay_s
    u_late_s = math.hypot(heard.u_envelope_delay_s, heard.u_common_s, known.u_common_s)
    late = abs(late_s) > MOST_APART * u_late_s
    advice = ""
    # In the order that the other way round would have them, the ways' difference is turned.
    if late and abs(late_s + 2 * due_s) <= MOST_APART * u_late_s:
        advice = (
            "the two receivers seem to be swapped: give geometry.second_channel = "
            f"{receiver.info.microphone + 1}, or swap their plugs"
        )
    elif late:
        advice = (
            "the second receiver's direct sound does not come when its place says: see that "
            "baseline_m and second_spacing_m are as measured, and calibrate the pair with a ball "
            "on the axis"
        )
    elif 2 * abs(due_s) <= MOST_APART * u_late_s:
        advice = (
            "both stand as far from the source, so that this does not tell which is which: hold "
            "something before one side, and see that its angle has that side's sign"
        )
    return Finding(name=_IN_TIME, value=1e6 * late_s, unit="µs", fit=not late, advice=advice)


def _as_loud(heard: OwnDifference, known: OwnDifference, weaker_by: float) -> Finding:
    gain_db = heard.gain_db + 20 * math.log10(weaker_by) - known.gain_db
    advice = ""
    if abs(gain_db) > MOST_APART * U_GAIN_DB:
        advice = (
            "set both gains alike, or calibrate the pair with a ball on the axis: an echo that is "
            "much stronger on one input is taken for another's"
        )
    return Finding(
        name="second's gain",
        value=gain_db,
        unit="dB over the first's",
        fit=not advice,
        advice=advice,
    )


def _of_one_sign(off_rad: float) -> Finding:
    advice = ""
    if abs(off_rad) > math.pi / 2:
        advice = (
            "the two receivers seem to be of opposite sign: swap the two wires of one, or "
            "calibrate the pair with a ball on the axis"
        )
    return Finding(
        name=_IN_PHASE,
        value=math.degrees(abs(off_rad)),
        unit="° off the first's",
        fit=not advice,
        advice=advice,
    )
