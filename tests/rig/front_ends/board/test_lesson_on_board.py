"""Lessons on the emulated board: what it can do is right, and what it cannot is said at once."""

import dataclasses
import json
import math
from contextlib import closing
from pathlib import Path

import pytest

from rig.bench.plan import read_plan
from rig.cli import main
from rig.errors import PlanError
from rig.front_ends.board.emulator import BoardEmulator
from rig.front_ends.board.link import Identity
from rig.front_ends.board.search import ask_who
from rig.teach.lessons.index import lesson_named, lesson_names
from rig.teach.lessons.running import check_bench, hear

pytestmark = pytest.mark.usefixtures("undrawn_pictures")

PLAN = """
[pulse]
kind = "burst"
centre_hz = 40000.0
cycles = 12
ring_s = 60e-6
[timing]
sample_rate_hz = 62500.0
ping_interval_s = 0.036
band_sampling = true
[receiver]
range_start_m = 0.25
range_stop_m = 2.5
[geometry]
baseline_m = 0.03
time_zero = "calibration"
u_time_zero_s = 1e-6
[transducer]
radius_m = 0.008
"""


@pytest.fixture(scope="module")
def plan_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("plan") / "board.toml"
    path.write_text(PLAN)
    return path


@pytest.fixture(scope="module")
def identity() -> Identity:
    with closing(BoardEmulator(500000)) as emulator:
        found = ask_who(emulator.port_name, 500000)
    assert found is not None
    return found


def test_out_and_back_is_right_on_the_board_and_on_its_recording(
    plan_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    taught = ("lesson", "time-is-distance", "--part", "out-and-back", "--json")
    bench = ("--front-end", "emulated-board", "--plan", str(plan_file))
    assert main([*taught, *bench, "--record", "--out", str(tmp_path / "class")]) == 0
    live = json.loads(capsys.readouterr().out.splitlines()[-1])
    # By the scene: 2 m out and back, at the 343.963 m/s that CoolProp's HumidAir gives.
    due_ms = 1e3 * 2 * math.hypot(2.0, 0.015) / 343.963
    # 2.58 standard uncertainties hold 99 of 100 results (JCGM 100:2008, table G.1).
    assert abs(live["measured"] - due_ms) <= 2.58 * live["u_measured"]
    # The uncertainty cannot be less than the board's 1 µs of time zero, nor need it be more
    # than that, its clock's 50 ppm (a rectangle) of 11.6 ms, and as much noise again.
    assert 1e-3 <= live["u_measured"] <= 2 * math.hypot(1e-3, 11.6 * 50e-6 / math.sqrt(3))
    page = Path(live["sheet"]).read_text(encoding="utf-8")
    assert "Invented scene" in page

    recordings = [w for file in live["parts"][0]["recordings"] for w in ("--recording", file)]
    assert main([*taught, *recordings, "--out", str(tmp_path / "again")]) == 0
    again = json.loads(capsys.readouterr().out.splitlines()[-1])
    for key in ("measured", "u_measured", "expected", "u_expected", "verdict"):
        assert again[key] == live[key], key


def test_what_the_board_cannot_do_is_left_out_before_the_first_ping(
    plan_file: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Nothing here hangs on how many pings a step has, and an emulated one takes a while: what
    # fewer tell is held to their own, larger uncertainty.
    monkeypatch.setattr(
        "rig.teach.lessons.running.hear",
        lambda step, bench, **how: hear(dataclasses.replace(step, pings=4), bench, **how),
    )
    words = ("lesson", "time-is-distance", "--front-end", "emulated-board", "--json", "--seed", "0")
    status = main([*words, "--plan", str(plan_file), "--out", str(tmp_path)])
    told = capsys.readouterr()
    assert status == 1
    lines = told.err.splitlines()
    left_out = [line for line in lines if "is left out" in line]
    assert left_out == lines[: len(left_out)]  # before part 1
    tones, signs = left_out
    assert "blind-zone" in tones
    assert "`echobench plan --write air bench.toml`" in tones
    assert "which-ping" in signs
    assert "whose pings carry no sign" in signs
    parts = json.loads(told.out.splitlines()[-1])["parts"]
    assert [part["measured"] is None for part in parts] == [False, False, True, True, True]
    # The emulated board hears each ping alone, and so no echo of the one before.
    assert "found no echo" in parts[3]["problem"]
    assert all(part["agrees"] for part in parts[:2])


@pytest.mark.parametrize("lesson", lesson_names())
def test_a_part_is_refused_where_a_board_cannot_do_it_and_nowhere_else(
    lesson: str, plan_file: Path, identity: Identity
) -> None:
    plan = read_plan(plan_file)
    for part in lesson_named(lesson).parts:
        for step in part.steps:
            sent = step.changes.get("pulse", {}).get("kind", "burst")
            looks = step.changes.get("receiver", {})
            start_m, reach_m = looks.get("range_start_m", 0.25), looks.get("range_stop_m", 2.5)
            # What 1152 samples of 16 µs last, out and back.
            too_far = reach_m - start_m > 1152 * 16e-6 * 343.963 / 2
            how = {"front_end": "emulated-board", "source": "board.toml", "board": identity}
            hears_with_two = "second_channel" in step.changes.get("geometry", {})
            in_air = step.scene["medium"].get("kind", "air") == "air"
            signed = step.changes.get("timing", {}).get("signed_pings", False)
            if sent == "burst" and not too_far and in_air and not hears_with_two and not signed:
                check_bench(step, plan.as_table(), **how)
                continue
            with pytest.raises(PlanError) as refused:
                check_bench(step, plan.as_table(), **how)
            assert f"step {step.name}" in str(refused.value)
            assert "\n" not in str(refused.value)


def test_a_lesson_of_which_the_board_can_do_nothing_is_refused(
    plan_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("lesson", "time-is-distance", "--part", "blind-zone", "--json")
    bench = ("--front-end", "emulated-board", "--plan", str(plan_file))
    status = main([*words, *bench, "--out", str(tmp_path)])
    told = capsys.readouterr()
    assert (status, told.out, told.err.count("\n")) == (2, "", 1)
    assert "it rings on after each burst, and this part sends plain tones" in told.err
