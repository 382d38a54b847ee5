"""Two receivers as one: angles, their intervals, and what is said where there is none."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from drawn_pairs import drawn_pair, side_of

from rig.bench.plan import Plan, plan_from_table
from rig.errors import PlanError
from rig.run.opening import open_bench, open_replay
from rig.run.receiver import Receiver
from rig.run.run import Run
from rig.show.answers import measure_answer, ping_answers, replay_answer, run_answer
from rig.tank.scene import scene_from_table

SPEED_M_S = 343.987  # the formula's at 20 °C and 50 %, which the plans believe in


def _plan(pulse: dict[str, Any] | None = None, *, rate: float = 48e3, **geometry: Any) -> Plan:
    chirp = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.005}
    second = {"baseline_m": 0.12, "second_channel": 2, "second_spacing_m": -0.24}
    return plan_from_table(
        {
            "pulse": pulse or chirp,
            "timing": {"sample_rate_hz": rate, "ping_interval_s": 0.05},
            "receiver": {"range_stop_m": 2.6},
            "geometry": {**second, **geometry},
        }
    )


def _run(plan: Plan, *places: tuple[float, float], pings: int = 1, **tables: Any) -> Run:
    balls = [{"body": "sphere", "radius_m": 0.05, "position_m": [x, y, 0.0]} for x, y in places]
    medium = {"kind": "air", "sound_speed_m_s": SPEED_M_S}
    noise = {"level_db": -70.0}
    scene = scene_from_table({"medium": medium, "noise": noise, "target": balls, **tables})
    with open_bench(plan, scene=scene, seed=5) as bench:
        return bench.ping(pings)


def _echoes(run: Run) -> list[dict[str, Any]]:
    # JSON has no NaN and no infinity; what is written must be read again.
    return json.loads(json.dumps(run_answer(run), allow_nan=False))["echoes"]


@pytest.mark.parametrize("spacing_m", [-0.24, 0.05, 0.2])
@pytest.mark.parametrize("place", [(1.2, -0.5), (0.9, 0.0), (1.5, 0.7)])
def test_angle_and_offset_are_those_of_the_place(
    spacing_m: float, place: tuple[float, float]
) -> None:
    (echo,) = _echoes(_run(_plan(second_spacing_m=spacing_m), place))
    # Places are exact here: what the plan says of its own exactness covers by far.
    assert echo["angle_deg"] == pytest.approx(
        math.degrees(math.atan2(place[1], place[0])), abs=echo["u_angle_deg"]
    )
    assert echo["offset_m"] == pytest.approx(place[1], abs=echo["u_offset_m"])
    assert echo["angle_doubt"] is None
    # 1 mm in 0.24 m are 0.24°, and in 0.05 m 1.1°, for what stands ahead; more aside.
    assert echo["u_angle_deg"] > math.degrees(0.001 / abs(spacing_m))


def test_each_of_several_echoes_has_its_own_angle() -> None:
    places = [(0.8, 0.3), (1.3, -0.4), (1.9, 0.1)]
    echoes = _echoes(_run(_plan(), *places))
    expected = [math.degrees(math.atan2(y, x)) for x, y in places]
    found = [echo["angle_deg"] for echo in echoes]
    # Each by its own standard uncertainty, of which most is common to all: 1 mm of spacing.
    for angle, true, echo in zip(found, expected, echoes, strict=True):
        assert angle == pytest.approx(true, abs=2 * echo["u_angle_deg"])


def test_intervals_cover_drawn_benches() -> None:
    random = np.random.default_rng(20)
    missed = told = 0
    for bench in range(30):
        drawn = drawn_pair(random, snr_db=random.uniform(24, 45))
        side = side_of(drawn, seed=bench)
        if side is not None and math.isfinite(side.angle_rad):
            told += 1
            missed += not side.low_rad <= drawn.angle_rad <= side.high_rad
    assert told >= 27
    # Of 30 intervals that each miss one time in 22, six or more miss once in 500 suites
    # (binomial: 0.0023); the long form is tests/benchmarks/drawn_angles.py.
    assert missed <= 5


def test_a_mean_of_pings_has_a_finer_bound() -> None:
    run = _run(_plan(), (1.2, -0.5), pings=8, noise={"level_db": -50.0})
    each = [r.echoes[0].side for r in run.results]
    (mean,) = measure_answer(run)["echoes"]
    bounds = [math.degrees(side.bound_rad) for side in each if side is not None]
    # Eight times the energy: a bound finer by √8; each is read off an SNR that is known to
    # a fifth or so, from some 50 cells of noise.
    assert mean["angle_bound_deg"] == pytest.approx(np.mean(bounds) / math.sqrt(8), rel=0.25)
    assert mean["angle_deg"] == pytest.approx(-22.62, abs=2 * mean["u_angle_deg"])


def test_a_stack_and_codes_that_take_turns_tell_it_too() -> None:
    golay = {"kind": "golay", "centre_hz": 8e3, "chip_s": 0.00025, "chips": 16}
    plan = _plan(golay)
    run = _run(plan, (1.2, -0.5), pings=4)
    for result in run.results:
        side = result.echoes[0].side
        assert side is not None
        assert side.angle_rad == pytest.approx(math.atan2(-0.5, 1.2), abs=2 * side.u_angle_rad)


@pytest.mark.parametrize("stack", [1, 8])
def test_pings_that_carry_signs_tell_it_in_their_sum_too(stack: int) -> None:
    table = _plan().as_table()
    table["timing"]["signed_pings"] = True
    table["receiver"]["stack"] = stack
    run = _run(plan_from_table(table), (1.2, -0.5), pings=12)
    expected = math.degrees(math.atan2(-0.5, 1.2))
    for echo in (*measure_answer(run)["echoes"], *_echoes(run)):
        assert echo["angle_deg"] == pytest.approx(expected, abs=echo["u_angle_deg"])
    # By the sum of all pings the angle's bound is finer than by one ping: by the root of 12, less
    # what four ways take of the pings that tell them apart.
    (whole,), last = run.echoes, run.results[-1].heard
    assert last is not None
    assert last.echoes[0].side is not None
    assert whole.side is not None
    assert whole.side.bound_rad < last.echoes[0].side.bound_rad / 2


def test_hits_of_each_ping_have_the_angle_of_their_echo() -> None:
    run = _run(_plan(), (1.2, -0.5), pings=2)
    for result in run.results:
        assert result.heard is not None
        hits, (echo,) = result.heard.hits, result.echoes
        assert echo.side is not None
        (at,) = np.flatnonzero(hits.delay_s == echo.delay_s)
        assert hits.angle_rad[at] == echo.side.angle_rad
        assert hits.u_angle_rad[at] == echo.side.u_angle_rad


def test_one_receiver_says_nothing_of_angles() -> None:
    run = _run(_plan(second_channel=0, second_spacing_m=0.0), (1.2, -0.5))
    (echo,) = _echoes(run)
    assert not [key for key in echo if "angle" in key or "offset" in key]
    assert run.echoes[0].side is None


def test_a_target_that_only_one_receiver_hears_has_no_angle_and_the_reason() -> None:
    deaf = {"second_receiver": {"gain_db": -120.0}}
    (echo,) = _echoes(_run(_plan(), (1.2, -0.5), **deaf))
    assert echo["angle_deg"] is None
    assert echo["u_offset_m"] is None
    assert "not heard by the second receiver" in echo["angle_doubt"]


def test_a_delay_longer_than_the_spacing_is_said_and_not_clipped() -> None:
    # Believed 0.05 m apart, and 0.12 m: from 60° aside the delay is that of 0.1 m.
    far = {"second_receiver": {"spacing_m": 0.12}}
    plan = _plan(second_spacing_m=0.05)
    (echo,) = _echoes(_run(plan, (0.75, 1.3), **far))
    assert echo["angle_deg"] is None
    assert "spacing" in echo["angle_doubt"] or "not heard" in echo["angle_doubt"]


def test_a_burst_whose_cycle_is_open_names_the_other_angles() -> None:
    # 12 cycles at 10 kHz, spaced seven waves: the envelope, known to a part of 1.2 ms, leaves
    # several cycles of 0.1 ms open.
    tone = {"kind": "tone", "centre_hz": 10e3, "duration_s": 0.0012}
    run = _run(_plan(tone), (1.5, 0.3), noise={"level_db": -56.0})
    (echo,) = _echoes(run)
    assert "cycles of the carrier open" in echo["angle_doubt"]
    assert len(echo["possible_angles_deg"]) > 1
    true = math.degrees(math.atan2(0.3, 1.5))
    assert echo["angle_deg"] == pytest.approx(true, abs=2 * echo["u_angle_deg"])
    assert min(abs(a - true) for a in echo["possible_angles_deg"]) < 1.0


def test_a_second_receiver_of_opposite_sign_is_not_trusted_by_its_phase() -> None:
    turned = {"second_receiver": {"opposite": True}}
    (echo,) = _echoes(_run(_plan(), (1.2, -0.5), **turned))
    # Half a wave off, envelope and phase contradict each other.
    assert "no cycle" in echo["angle_doubt"]
    assert echo["angle_deg"] == pytest.approx(-22.62, abs=2 * echo["u_angle_deg"])


def test_a_recording_tells_the_same_angles(tmp_path: Path) -> None:
    name = str(tmp_path / "two")
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": SPEED_M_S},
            "noise": {"level_db": -70.0},
            "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.4, 0.0]}],
        }
    )
    with open_bench(_plan(), scene=scene, seed=1) as bench:
        live = bench.ping(3, record=name)
    with open_replay(f"{name}.sigmf-meta") as bench:
        replayed = bench.ping(3)
    assert replay_answer(replayed) == replay_answer(live)
    assert list(ping_answers(replayed)) == list(ping_answers(live))
    assert run_answer(live)["echoes"][0]["angle_deg"] is not None


def test_a_stream_without_a_second_receiver_refuses_the_plan() -> None:
    alone = _plan(second_channel=0, second_spacing_m=0.0)
    scene = scene_from_table({"medium": {"sound_speed_m_s": SPEED_M_S}})
    with open_bench(alone, scene=scene) as bench:
        info = bench.receiver.info
    with pytest.raises(PlanError, match=r"second_channel: found 2, but .* no second receiver"):
        Receiver(_plan(), info)


def test_the_scene_that_ships_tells_each_side(capsys: pytest.CaptureFixture[str]) -> None:
    from rig.cli import main

    assert main(["demo", "--scene", "sides", "--pings", "2"]) == 0
    table = capsys.readouterr().out
    assert "angle / °" in table
    assert main(["demo", "--scene", "sides", "--pings", "2", "--json"]) == 0
    echoes = json.loads(capsys.readouterr().out.splitlines()[-1])["echoes"]
    # The places in rig/tank/scenes/sides.toml; the third ball has gone 0.025 m across.
    places = [(1.0, 0.0), (1.45, 0.35), (2.10, -0.475)]
    for echo, (along_m, across_m) in zip(echoes, places, strict=True):
        assert echo["offset_m"] == pytest.approx(across_m, abs=2 * echo["u_offset_m"])
        angle_deg = math.degrees(math.atan2(across_m, along_m))
        assert echo["angle_deg"] == pytest.approx(angle_deg, abs=2 * echo["u_angle_deg"])


def test_report_and_tables_have_the_angles(tmp_path: Path) -> None:
    import pandas as pd

    import rig

    plan = _plan()
    scene = scene_from_table(
        {
            "medium": {"sound_speed_m_s": SPEED_M_S},
            "noise": {"level_db": -70.0},
            "target": [{"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.4, 0.0]}],
        }
    )
    with rig.open_bench(plan, scene=scene, seed=1) as bench:
        run = bench.ping(3)
    (side,) = [echo.side for echo in run.echoes]
    assert side is not None
    angle_deg = math.degrees(side.angle_rad)
    assert run.echoes.to_pandas()["angle_deg"][0] == angle_deg
    run.report(str(tmp_path / "two.html"))
    page = (tmp_path / "two.html").read_text(encoding="utf-8")
    assert f"{angle_deg:.2f}" in page
    assert "positive towards the first receiver" in page
    (echoes,) = tmp_path.glob("*echoes.csv")
    assert pd.read_csv(echoes)["angle_deg"][0] == pytest.approx(angle_deg, rel=1e-6)


def test_a_wire_and_two_receivers_are_three_channels() -> None:
    plan = _plan(time_zero="loopback", loopback_channel=1, second_channel=3)
    (echo,) = _echoes(_run(plan, (1.2, -0.5)))
    assert echo["angle_deg"] == pytest.approx(-22.62, abs=2 * echo["u_angle_deg"])


def test_a_band_that_folds_down_leaves_the_phase_out() -> None:
    burst = {"kind": "burst", "centre_hz": 40e3, "cycles": 8, "ring_s": 0.0003}
    table = _plan(second_spacing_m=0.1).as_table()
    table["pulse"] = burst
    table["timing"] |= {"sample_rate_hz": 62.5e3, "band_sampling": True}
    plan = plan_from_table(table)
    (echo,) = _echoes(_run(plan, (1.2, 0.3), noise={"level_db": -75.0}))
    assert "phase is not known" in echo["angle_doubt"]
    # An envelope of 0.3 ms or so, read to a hundredth, is 3 µs: 1 mm in 0.1 m, 0.6°.
    assert echo["angle_deg"] == pytest.approx(14.04, abs=2 * echo["u_angle_deg"])
    assert echo["u_angle_deg"] < 3


def test_an_equalised_compression_tells_the_same_angle() -> None:
    from datetime import UTC, datetime

    from rig.front_ends.virtual_tank import open_virtual_tank
    from rig.measure.calibrate.calibration import calibrate
    from rig.measure.calibrate.steps import KnownTarget, steps

    ball = {"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}
    medium = {"sound_speed_m_s": SPEED_M_S}
    scene = scene_from_table({"medium": medium, "noise": {"level_db": -70.0}, "target": [ball]})
    made = calibrate(
        _plan(),
        lambda plan: open_virtual_tank(plan, scene=scene, seed=1),
        steps([KnownTarget(range_m=1.2, radius_m=0.05)], one_by_one=False),
        made=datetime.now(UTC),
        pings=8,
    )
    table = _plan().as_table()
    table["receiver"]["weighting"] = "equalised"
    other = {**ball, "position_m": [1.2, -0.5, 0.0]}
    scene = scene_from_table({"medium": medium, "noise": {"level_db": -70.0}, "target": [other]})
    with open_bench(plan_from_table(table), scene=scene, calibration=made) as bench:
        echo = max(bench.ping(1).echoes, key=lambda e: e.strength_db)
    assert echo.side is not None
    assert echo.side.angle_rad == pytest.approx(
        math.atan2(-0.5, 1.2), abs=2 * echo.side.u_angle_rad
    )


def test_gains_that_were_set_by_hand_are_no_other_echo() -> None:
    for gain_db in (-4.0, 4.0):
        (echo,) = _echoes(_run(_plan(), (1.2, -0.5), second_receiver={"gain_db": gain_db}))
        assert echo["angle_deg"] == pytest.approx(-22.62, abs=2 * echo["u_angle_deg"])
