"""Pings worked on together: as each alone, to the last bit, and not one more lost."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import multiprocessing
import re
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.errors import RecordingError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.groups import MOST_PINGS, groups, pings_at_a_time
from rig.run.loop import ping_results
from rig.run.opening import open_bench
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.tank.scene import scene_from_table

CHIRP = {"kind": "chirp", "start_hz": 8e3, "stop_hz": 16e3, "duration_s": 0.004}
GOLAY = {"kind": "golay", "centre_hz": 12e3, "chip_s": 1e-4, "chips": 16}
PINGS = 20
FORKS = sys.platform == "linux"


def a_plan(**tables: object) -> Plan:
    timing = {"ping_interval_s": 0.05}
    receiver = {"range_stop_m": 3.0, "false_alarm_rate": 1e-3}
    return plan_from_table({"timing": timing, "receiver": receiver, **tables})


def heard_by(plan: Plan) -> tuple[StreamInfo, list[CaptureBlock]]:
    """Return a stream that may slip, does so once, loses a block and clips one."""
    # A ball drawn across the beam; invented.
    tables = {
        "medium": {"kind": "air", "sound_speed_m_s": 343.963},
        "noise": {"level_db": -60.0},
        "target": [
            {
                "body": "sphere",
                "radius_m": 0.05,
                "position_m": [1.2, -0.2, 0.0],
                "velocity_m_s": [0.0, 0.4, 0.0],
            }
        ],
    }
    with open_virtual_tank(plan, scene=scene_from_table(tables, source="test"), seed=2) as tank:
        blocks = list(tank.blocks(PINGS))
        info = dataclasses.replace(tank.info, can_slip=True)
    blocks[5] = dataclasses.replace(blocks[5], flags=CaptureFlag.INPUT_OVERFLOW)
    blocks[8] = dataclasses.replace(blocks[8], flags=CaptureFlag.CLIPPED)
    blocks[12:] = [
        dataclasses.replace(b, samples=np.roll(b.samples, 40, axis=1)) for b in blocks[12:]
    ]
    blocks[16] = dataclasses.replace(blocks[16], samples=np.full_like(blocks[16].samples, np.nan))
    return info, blocks


def said(ping: PingResult) -> tuple[object, ...]:
    """Return all that a ping tells, arrays as bytes."""
    arrays: list[bytes] = []
    for profile in (ping.alone, ping.profile):
        if profile is not None:
            arrays += [profile.envelope.tobytes(), profile.ahead.tobytes()]
    if ping.heard is not None:
        hits = ping.heard.hits
        arrays += [hits.range_m.tobytes(), hits.noise_m.tobytes(), hits.phasor.tobytes()]
    if ping.threshold_db is not None:
        arrays.append(ping.threshold_db.tobytes())
    plain = (ping.index, ping.lost, ping.reason, ping.clipped, ping.time_zero, ping.latency_s)
    return (*plain, ping.echoes, ping.moving, *arrays)


@pytest.mark.parametrize(("at_a_time", "beside"), [(3, FORKS), (64, False)])
@pytest.mark.parametrize(
    "tables",
    [
        {"pulse": CHIRP},
        {"pulse": GOLAY, "receiver": {"range_stop_m": 2.5, "stack": 4}},
        {"pulse": CHIRP, "geometry": {"time_zero": "loopback"}},
        {"pulse": CHIRP, "geometry": {"time_zero": "calibration"}},
    ],
    ids=["direct", "in turns", "by a wire", "known beforehand"],
)
def test_pings_worked_on_together_are_as_each_alone(
    tables: dict[str, object], at_a_time: int, beside: bool
) -> None:
    plan = a_plan(**tables)
    info, blocks = heard_by(plan)
    alone = [said(ping) for ping in ping_results(Receiver(plan, info), blocks)]
    together = ping_results(Receiver(plan, info), blocks, at_a_time=at_a_time, beside=beside)
    assert [said(ping) for ping in together] == alone
    assert 3 <= sum(lost for _, lost, *_ in alone) < PINGS


@pytest.mark.skipif(not FORKS, reason="no process is started beside this one here")
def test_a_search_whose_process_is_ended_goes_on_in_this_one() -> None:
    plan = a_plan(pulse=CHIRP)
    info, blocks = heard_by(plan)
    alone = [said(ping) for ping in ping_results(Receiver(plan, info), blocks)]
    results = ping_results(Receiver(plan, info), blocks, at_a_time=3, beside=True)
    before = said(next(results))
    (process,) = multiprocessing.active_children()
    with contextlib.closing(
        ping_results(Receiver(plan, info), blocks, at_a_time=3, beside=True)
    ) as other:
        assert said(next(other)) == before
    process.kill()
    assert [before, *(said(ping) for ping in results)] == alone
    assert not multiprocessing.active_children()


@pytest.mark.skipif(not FORKS, reason="no process is started beside this one here")
def test_where_no_other_process_can_be_started_all_are_searched_in_this_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refused(_: multiprocessing.process.BaseProcess) -> None:
        raise OSError("no room for another process")

    plan = a_plan(pulse=CHIRP)
    info, blocks = heard_by(plan)
    alone = [said(ping) for ping in ping_results(Receiver(plan, info), blocks)]
    monkeypatch.setattr(multiprocessing.get_context("fork").Process, "start", refused)
    results = ping_results(Receiver(plan, info), blocks, at_a_time=3, beside=True)
    assert [said(ping) for ping in results] == alone


def test_a_live_run_waits_for_no_other_ping() -> None:
    plan = a_plan(pulse=CHIRP)
    info, blocks = heard_by(plan)
    given: list[int] = []

    def live() -> Iterator[CaptureBlock]:
        for block in blocks[:5]:
            given.append(block.index)
            yield block

    steady = dataclasses.replace(info, can_slip=False)
    for result in ping_results(Receiver(plan, steady), live()):
        assert given == list(range(result.index + 1))


def test_pings_recorded_together_are_recorded_as_each_alone(tmp_path: Path) -> None:
    plan = a_plan(pulse=CHIRP)
    medium = {"kind": "air", "sound_speed_m_s": 343.963}
    tables = {"medium": medium, "noise": {"level_db": -60.0}}
    scene = scene_from_table(tables, source="test")
    told, kept = [], []
    for name, together in (("together", True), ("alone", False)):
        with open_bench(plan, scene=scene, seed=2) as bench:
            record = str(tmp_path / name)
            run = bench.run()
            if together:
                bench.filled(run, PINGS, record=record)
            else:
                for number, _ in enumerate(bench.over(run, PINGS, record=record), 1):
                    # Who stops in between has an answer to each ping that was recorded.
                    written = json.loads((tmp_path / "alone.sigmf-meta").read_text())
                    assert len(written["captures"]) == number
            told.append([said(ping) for ping in run.results])
        meta = (tmp_path / f"{name}.sigmf-meta").read_text()
        # But for when each came, by the calendar, and how the file of samples is named.
        meta = re.sub(r'"core:(datetime|dataset)": "[^"]*"', "", meta)
        kept.append((meta, (tmp_path / f"{name}.sigmf-data").read_bytes()))
    assert told[0] == told[1]
    assert kept[0] == kept[1]


def test_each_ping_is_recorded_before_it_waits_for_others() -> None:
    plan = a_plan(pulse=CHIRP)
    info, blocks = heard_by(plan)
    written: list[int] = []

    class Kept:
        def write(self, block: CaptureBlock) -> None:
            written.append(block.index)

        def note(self, *_: object, **__: object) -> None:
            pass

    def sounded() -> Iterator[CaptureBlock]:
        for number, block in enumerate(blocks):
            assert len(written) == number
            yield block

    for _ in ping_results(Receiver(plan, info), sounded(), recorder=Kept(), at_a_time=64):
        assert len(written) == PINGS


def test_pings_before_a_damaged_one_are_handed_on_first() -> None:
    plan = a_plan(pulse=CHIRP)
    info, blocks = heard_by(plan)

    def damaged() -> Iterator[CaptureBlock]:
        yield from blocks[:4]
        raise RecordingError("pings.sigmf-data: ends within ping 4")

    receiver = Receiver(plan, dataclasses.replace(info, can_slip=False))
    results = ping_results(receiver, damaged(), at_a_time=3, beside=FORKS)
    assert [next(results).index for _ in range(4)] == [0, 1, 2, 3]
    with pytest.raises(RecordingError, match="within ping 4"):
        next(results)


def test_a_stop_at_the_keyboard_is_not_held_up() -> None:
    def stopped() -> Iterator[int]:
        yield 1
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        next(groups(stopped(), 64))


def test_long_blocks_are_worked_on_fewer_at_a_time() -> None:
    short, long = a_plan(pulse=CHIRP), a_plan(pulse=CHIRP, timing={"ping_interval_s": 5.0})
    info = StreamInfo(front_end="made", device="made in a test", sample_rate_hz=48_000.0)
    assert pings_at_a_time(Receiver(short, info)) == MOST_PINGS
    # 5 s at 48 000 Hz: eight fill two million samples.
    assert pings_at_a_time(Receiver(long, info)) == 8
