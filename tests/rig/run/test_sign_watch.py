"""A slip across whole pings is seen by the direct sound's sign, and the place found again."""

import numpy as np
import pytest

import rig
from dsp.ping.signs.signs import PLACE_TOLD, SIGNS, ping_sign
from rig.bench.capture import LEAD_S, CaptureBlock, StreamInfo
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.sign_watch import ANOTHER_PING

PINGS = 26
SLIPPING = StreamInfo(
    front_end="test", device="a made-up stream", sample_rate_hz=48000.0, can_slip=True,
    confirms_last=True,
)  # fmt: skip


def a_plan() -> Plan:
    chirp = {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005}
    return rig.plan_from_table(
        {
            "pulse": chirp,
            "timing": {"ping_interval_s": 0.05, "signed_pings": True},
            "receiver": {"range_start_m": 0.3, "range_stop_m": 4.0},
        }
    )


def heard(lost_pings: int, *, at: int) -> tuple[list[PingResult], list[int]]:
    """What is made of a stream that lacks so many whole intervals from ping `at` on; and which
    ping each block truly holds. A negative number of them comes twice."""
    plan = a_plan()
    length = plan.interval_samples
    pulse = pulses_of(plan)[0].samples.astype(float)
    random = np.random.default_rng(3)
    truly = [k if k < at else k + lost_pings for k in range(PINGS + 1)]
    blocks = []
    for k, place in enumerate(truly):
        samples = 1e-3 * random.standard_normal(length)
        for delay, amplitude in (
            (round(LEAD_S * 48000), 0.1),
            (round((LEAD_S + 0.01) * 48000), 0.05),
        ):
            samples[delay : delay + pulse.size] += ping_sign(place) * amplitude * pulse
        blocks.append(
            CaptureBlock(
                index=k,
                samples=samples,
                start_sample=k * length,
                mark_s=LEAD_S,
                sign_place=k,
                confirms_only=k == PINGS,
            )
        )
    return list(ping_results(Receiver(plan, SLIPPING), blocks)), truly


@pytest.mark.parametrize("lost_pings", [1, 2, 5, 14, -1, -3])
def test_a_slip_across_whole_pings_is_seen_and_their_place_found_again(lost_pings: int) -> None:
    at = 9
    results, truly = heard(lost_pings, at=at)
    turn = len(SIGNS)
    # Two different places of the sequence have at most three signs in a row alike (its
    # window property, MacWilliams and Sloane 1976, property III): the fourth mark differs.
    first = next(k for k in range(at, PINGS) if ping_sign(truly[k]) != ping_sign(k))
    assert first <= at + PLACE_TOLD - 1
    assert results[first].reason == ANOTHER_PING
    # What the wrong sign would confirm is lost too; four marks then tell the place.
    assert [r.lost for r in results[first - 1 : first + PLACE_TOLD]] == [True] * (PLACE_TOLD + 1)
    later = results[first + PLACE_TOLD + 1 :]
    assert not any(r.lost for r in later)
    assert [r.sign_place % turn for r in later if r.sign_place is not None] == [
        place % turn for place in truly[first + PLACE_TOLD + 1 : PINGS]
    ]


def test_a_stream_that_does_not_slip_loses_nothing() -> None:
    results, _ = heard(0, at=0)
    assert not any(r.lost for r in results)
    assert [r.sign_place for r in results] == list(range(PINGS))
