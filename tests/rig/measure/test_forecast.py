"""A forecast against the numbers of theory, each from its own source."""

import math

import pytest

from rig.bench.plan import Plan, plan_from_table
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.forecast import forecast, forecast_lines
from rig.run.receiver import Receiver
from rig.run.run import run_of
from rig.tank.scene import scene_from_table


def plan(**tables: dict[str, object]) -> Plan:
    pulse = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
    return plan_from_table({"pulse": pulse, **tables})


def test_a_disc_s_cone_is_that_of_a_baffled_piston() -> None:
    # 50 mm disc at 200 kHz in water of 1482.35 m/s: near field a²/λ = 84.326 mm; two-way half
    # power at ka·sinθ = 1.1602860 (both computed with scipy). The plan's own speed at 20 °C is
    # 0.03 m/s off (promised to 0.05): 2e-5 of each.
    tone = {"kind": "tone", "centre_hz": 2e5, "duration_s": 2e-4}
    told = forecast(
        plan_from_table(
            {
                "pulse": tone,
                "timing": {"sample_rate_hz": 1e6, "ping_interval_s": 0.02},
                "receiver": {"range_stop_m": 2.0},
                "medium": {"kind": "fresh-water", "temperature_c": 20.0},
                "transducer": {"shape": "piston", "radius_m": 0.025},
            }
        )
    )
    ka = 2 * math.pi * 2e5 * 0.025 / 1482.35
    assert told.half_angle_rad == pytest.approx(math.asin(1.1602860 / ka), rel=1e-4)
    assert told.near_field_m == pytest.approx(0.084326, rel=1e-4)
    # Ten times a²/λ.
    assert told.points_from_m == pytest.approx(0.84326, rel=1e-4)
    # 4 m of cone at this angle, by the tangent.
    assert told.footprint_m[1] == pytest.approx(4 * math.tan(told.half_angle_rad), rel=1e-9)


def test_higher_frequency_gives_a_narrower_cone() -> None:  # common practice, and the formula
    low = forecast(plan())
    pulse = {"kind": "chirp", "start_hz": 8e3, "stop_hz": 16e3, "duration_s": 0.01}
    high = forecast(plan_from_table({"pulse": pulse}))
    assert high.half_angle_rad < low.half_angle_rad


def test_a_small_disc_makes_no_cone_and_the_words_say_so() -> None:
    small = plan(transducer={"radius_m": 0.002})
    told = forecast(small)
    assert told.half_angle_rad == math.pi / 2
    assert math.isinf(told.footprint_m[0])
    assert any("no cone" in line for line in forecast_lines(small, told))


def test_threshold_and_bound_are_those_of_gaussian_noise() -> None:
    told = forecast(plan())
    # −ln 1e-6 of the noise's mean power, 2E/N0 = 2 · 13.8155: 14.41 dB.
    assert told.threshold_snr_db == pytest.approx(10 * math.log10(2 * math.log(1e6)), abs=1e-9)
    # A flat 4–12 kHz has βₑ = 14510.4 rad/s; the taper takes 6 to 7 % off it.
    flat_m = told.sound_speed_m_s / 2 / (10 ** (told.threshold_snr_db / 20) * 14510.395)
    assert flat_m < told.range_deviation_at_threshold_m < 1.1 * flat_m


def test_a_longer_interval_sees_farther_before_it_is_fooled() -> None:
    told = forecast(plan(timing={"ping_interval_s": 0.5}))
    assert told.longest_range_m == pytest.approx(told.sound_speed_m_s * 0.25)


def test_no_width_of_a_cone_is_told_where_the_beam_is_not_yet_one() -> None:
    # 0.3 m in radius at 43 mm: a²/λ is 2.1 m (any textbook), between 0.3 and 3 m.
    ranges = {"range_start_m": 0.3, "range_stop_m": 3.0}
    large = plan(receiver=ranges, transducer={"shape": "piston", "radius_m": 0.3})
    (told,) = (line for line in forecast_lines(large, forecast(large)) if "cone 1" in line)
    assert "at 3 m" in told
    assert "at 0.3 m" not in told
    small = plan(receiver=ranges)
    (told,) = (line for line in forecast_lines(small, forecast(small)) if "to each side" in line)
    assert "wide at 0.3 m" in told


def test_what_comes_after_the_next_ping_is_said_to_be_named_where_pings_are_signed() -> None:
    alike = plan()
    signed = plan(timing={"ping_interval_s": alike.timing.ping_interval_s, "signed_pings": True})
    (said,) = (line for line in forecast_lines(alike, forecast(alike)) if "next ping" in line)
    (named,) = (line for line in forecast_lines(signed, forecast(signed)) if "next ping" in line)
    assert "shows too near" in said
    assert "named late" in named
    assert "too near" not in named


def test_each_line_holds_a_number_with_its_unit_or_a_plain_word() -> None:
    lines = forecast_lines(plan(), forecast(plan()))
    assert len(lines) >= 7
    assert all(any(unit in line for unit in (" m", " mm", " dB", "°")) for line in lines)


def test_a_range_that_runs_into_the_direct_sound_is_cautioned_against() -> None:
    assert forecast(plan()).cautions == ()
    # Without a baseline the nearest echo stands one resolution off.
    near = plan(
        receiver={"range_start_m": 0.01}, geometry={"baseline_m": 0.0, "time_zero": "loopback"}
    )
    told = forecast(near)
    assert told.nearest_range_m == pytest.approx(told.resolution_m)
    assert told.resolution_m > 0.01
    # With one of 0.3 m it is √(d² + b d) for a resolution d: the triangle on paper.
    told = forecast(plan(geometry={"baseline_m": 0.3}))
    d = told.resolution_m
    assert told.nearest_range_m == pytest.approx(math.sqrt(d**2 + 0.3 * d))
    assert told.cautions == ()
    # A tone of 5 ms has a resolution of a good part of a metre (c T/2 = 0.86 m).
    tone = plan_from_table({"pulse": {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.005}})
    (caution,) = forecast(tone).cautions
    assert "receiver.range_start_m asks for 0.2 m" in caution
    words = float(caution.rpartition("= ")[2])
    remedied = plan_from_table(
        {
            "pulse": {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.005},
            "receiver": {"range_start_m": words},
        }
    )
    assert forecast(remedied).cautions == ()
    assert f"caution: {caution}" in forecast_lines(tone, forecast(tone))


def test_no_echo_is_listed_nearer_than_the_forecast_nearest_range() -> None:
    bench = plan(receiver={"range_start_m": 0.0}, geometry={"time_zero": "calibration"})
    told = forecast(bench)
    for inside, found in ((0.8, 0), (1.5, 1)):
        place = [inside * told.nearest_range_m, 0.0, 0.0]
        scene = scene_from_table(
            {
                "medium": {"sound_speed_m_s": told.sound_speed_m_s},
                "noise": {"level_db": -80.0},
                "direct": {"level_db": -200.0},
                "target": [{"body": "sphere", "radius_m": 0.02, "position_m": place}],
            }
        )
        with open_virtual_tank(bench, scene=scene, seed=1) as tank:
            echoes = run_of(Receiver(bench, tank.info), tank.blocks(3)).echoes
        assert len(echoes) == found


def test_two_receivers_are_told_how_sure_an_angle_is_and_whether_waves_are_open() -> None:
    geometry = {"second_channel": 2, "u_second_spacing_m": 0.001, "u_second_delay_s": 0.0}
    wide = plan(geometry={**geometry, "second_spacing_m": 0.2})
    (line,) = [text for text in forecast_lines(wide, forecast(wide)) if "waves apart" in text]
    # 8 kHz in air, 43 mm: 0.2 m are 4.7 waves. 1 mm in 0.2 m is 5 mrad, 0.57° for k = 2.
    assert line.startswith("the receivers stand 4.7 waves apart, the envelope has to tell")
    assert line.endswith("to ± 0.6° (k = 2)")
    near = plan(geometry={**geometry, "second_spacing_m": -0.02})
    (line,) = [text for text in forecast_lines(near, forecast(near)) if "waves apart" in text]
    assert "no more than half" in line
