"""What a run of thousands of pings keeps, and what samples that are no numbers do."""

from __future__ import annotations

import dataclasses
import json
import tracemalloc
from collections.abc import Iterator
from functools import partial

import numpy as np
import pytest

from rig.bench.capture import LOSS, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.run.run import Run, run_of
from rig.show.answers import ping_answers, replay_answer
from rig.tank.built_in import built_in

PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005},
        "timing": {"ping_interval_s": 0.1},
        "receiver": {"range_stop_m": 4.0},
    }
)


def some_blocks(plan: Plan, pings: int) -> tuple[StreamInfo, list[CaptureBlock]]:
    scene, _ = built_in("bench")
    with open_virtual_tank(plan, scene=scene, seed=1) as tank:
        return tank.info, list(tank.blocks(pings))


def many_results(receiver: Receiver, pings: int) -> Iterator[PingResult]:
    """As many results as are wanted, each with arrays of its own."""
    _, blocks = some_blocks(PLAN, 1)
    (one,) = ping_results(receiver, blocks)
    assert one.profile is not None
    assert one.threshold_db is not None
    for index in range(pings):
        yield dataclasses.replace(
            one,
            index=index,
            profile=dataclasses.replace(one.profile, envelope=one.profile.envelope.copy()),
            alone=dataclasses.replace(one.profile, envelope=one.profile.envelope.copy()),
            threshold=partial(np.asarray, one.threshold_db.copy()),
        )


def kept_kilobytes(pings: int) -> float:
    """Memory that is still held once all results were taken, a ping."""
    info, _ = some_blocks(PLAN, 1)
    receiver = Receiver(PLAN, info)
    run = Run(receiver)
    tracemalloc.start()
    before = tracemalloc.get_traced_memory()[0]
    for result in many_results(receiver, pings):
        run.take(result)
    held = tracemalloc.get_traced_memory()[0] - before
    tracemalloc.stop()
    assert len(run.results) == pings
    return held / pings / 1000


def test_a_long_run_keeps_the_newest_profiles_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    # A result without arrays is some references and numbers: below 1 kB. The echoes are the
    # same objects here; they are a few kB more in a run. Of 300 pings a third keep, each of 8
    # bytes a bin, two profiles and a threshold, and so do up to 25 that wait to be packed.
    monkeypatch.setattr("rig.run.run.HISTORY_PINGS", 100)
    monkeypatch.setattr("rig.run.kept.TOGETHER", 25)
    info, _ = some_blocks(PLAN, 1)
    (one,) = ping_results(Receiver(PLAN, info), some_blocks(PLAN, 1)[1])
    assert one.profile is not None
    profile_kb = one.profile.envelope.nbytes / 1000
    assert kept_kilobytes(300) < 125 / 300 * (3 * profile_kb + 2) + 1.0


def test_what_is_dropped_changes_no_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    info, blocks = some_blocks(PLAN, 8)
    receiver = Receiver(PLAN, info)
    run = run_of(receiver, blocks)
    whole = json.dumps([replay_answer(run), *ping_answers(run)])
    monkeypatch.setattr("rig.run.run.HISTORY_PINGS", 2)
    monkeypatch.setattr("rig.run.kept.TOGETHER", 3)
    kept = run_of(receiver, blocks)
    assert [r.profile is None for r in kept.results] == [True] * 6 + [False] * 2
    assert json.dumps([replay_answer(kept), *ping_answers(kept)]) == whole


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_ping_with_samples_that_are_no_numbers_is_lost_and_the_others_are_not(
    bad: float,
) -> None:
    info, blocks = some_blocks(PLAN, 5)
    samples = blocks[2].samples.copy()
    samples[0, 700] = bad
    blocks[2] = dataclasses.replace(blocks[2], samples=samples)
    assert blocks[2].flags & LOSS == CaptureFlag.SAMPLES_NOT_NUMBERS
    results = list(ping_results(Receiver(PLAN, info), blocks))
    assert [r.lost for r in results] == [False, False, True, False, False]
    assert results[2].reason == "the stream reported: samples not numbers"
    assert results[2].echoes == ()


@pytest.mark.parametrize(("centre_hz", "duration_s"), [(1e3, 1e-3), (22_990.0, 1e-3), (50.0, 4e-3)])
def test_a_tone_at_the_ends_of_the_band_goes_through_the_tank(
    centre_hz: float, duration_s: float
) -> None:
    plan = plan_from_table(
        {
            "pulse": {"kind": "tone", "centre_hz": centre_hz, "duration_s": duration_s},
            "timing": {"ping_interval_s": 0.5},
        }
    )
    info, blocks = some_blocks(plan, 2)
    results = list(ping_results(Receiver(plan, info), blocks))
    # The direct sound is heard. Its arrival is that of a baseline of 0.12 m, to half a lobe.
    for result in results:
        assert not result.lost
        assert result.time_zero is not None
        assert result.time_zero.delay_s == pytest.approx(blocks[0].mark_s, abs=duration_s)


def test_a_baseline_whose_echoes_come_after_the_next_ping_is_refused() -> None:
    # 0.25 s at 300 m/s, less 5 ms of lead and 10 ms of pulse, are 70.5 m of path; to 5 m of
    # range 100 m of baseline make 100.5 m. The widest is √(70.5² − 10²) = 69.8 m.
    pulse = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
    with pytest.raises(ValueError, match=r"baseline_m: found 100; .* give at most 69\.8"):
        plan_from_table({"pulse": pulse, "geometry": {"baseline_m": 100.0}})
    assert plan_from_table({"pulse": pulse, "geometry": {"baseline_m": 69.7}}).geometry


def test_a_false_alarm_rate_of_nil_is_refused_and_not_taken_for_the_plans() -> None:
    info, blocks = some_blocks(PLAN, 1)
    receiver = Receiver(PLAN, info)
    (one,) = ping_results(receiver, blocks)
    assert one.profile is not None
    assert one.time_zero is not None
    with pytest.raises(ValueError, match="false_alarm_rate: found 0"):
        receiver.search.echoes(one.profile, one.time_zero, false_alarm_rate=0.0)
