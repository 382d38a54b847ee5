"""A calibration of a scene against the scene's own truth, and what is refused later.

All scenes are invented. Their truths are the scene's own numbers; the virtual tank shares
no code with what is tested.
"""

import dataclasses
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mutations import without_checksum

from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.bench.stored_calibration import (
    LONGEST_AGE_H,
    MOST_WARMING_C,
    Calibration,
)
from rig.errors import CalibrationError, PlanError, StorageError
from rig.files.calibration import read_calibration, write_calibration
from rig.files.recorder import Recorder
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.measure.calibrate.calibration import calibrate
from rig.measure.calibrate.steps import KnownTarget, steps
from rig.measure.calibrate.words import calibration_lines
from rig.run.loop import ping_results
from rig.run.opening import open_replay
from rig.run.receiver import Receiver
from rig.run.run import Run, run_of
from rig.tank.scene import scene_from_table

NOW = datetime(2031, 5, 6, 7, 8, 9, tzinfo=UTC)
SPEED_M_S = 346.1  # of the scenes; the plan believes 343.99
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
FACE = {"shape": "piston", "radius_m": 0.02, "resonance_hz": 8e3, "bandwidth_hz": 4e3}


def a_plan(**tables: Any) -> Plan:
    receiver = {"range_stop_m": 4.0} | tables.pop("receiver", {})
    return plan_from_table({"pulse": CHIRP, "receiver": receiver} | tables)


def plate(range_m: float, *, side_m: float = 0.09) -> dict[str, Any]:
    return {
        "body": "plate",
        "width_m": side_m,
        "height_m": side_m,
        "position_m": [range_m, 0.0, 0.0],
    }


def a_scene(*target: dict[str, Any], noise_db: float = -60.0, **tables: Any) -> dict[str, Any]:
    return {
        "medium": {"kind": "air", "sound_speed_m_s": SPEED_M_S},
        "noise": {"level_db": noise_db},
        "target": list(target),
    } | tables


def calibrated(
    scene: dict[str, Any],
    *at: float,
    plan: Plan | None = None,
    seed: int = 1,
    pings: int = 10,
    most_cost_db: float | None = None,
    **known: Any,
) -> Calibration:
    return calibrate(
        plan or a_plan(),
        lambda one: open_virtual_tank(one, scene=scene_from_table(scene), seed=seed),
        steps([KnownTarget(range_m=m, **known) for m in at], one_by_one=False),
        made=NOW,
        pings=pings,
        most_cost_db=most_cost_db,
    )


def finding(made: Calibration, name: str) -> Any:
    return next(f for f in made.findings if f.name == name)


@pytest.fixture(scope="module")
def two_plates() -> Calibration:
    scene = a_scene(plate(0.7), plate(1.9), transducer=FACE)
    return calibrated(scene, 0.7, 1.9, u_range_m=0.0005)


# What it measures


@pytest.mark.parametrize("face", [None, FACE])
@pytest.mark.parametrize("seed", range(4))
def test_two_plates_give_the_sound_speed_to_a_thousandth_at_40_db(
    seed: int, face: dict[str, Any] | None
) -> None:
    # A noise of −43 dB puts 2E/N0 of the farther plate's echo at some 41 dB, all pings
    # together, or 35 dB behind such transducers: 0.11 mm of range (Cramér–Rao, flat 4 to
    # 12 kHz) over 1.2 m is 0.01 %, a tenth of the promise.
    tables = {} if face is None else {"transducer": face}
    scene = a_scene(plate(0.7), plate(1.9), noise_db=-43.0, **tables)
    made = calibrated(scene, 0.7, 1.9, seed=seed)
    assert made.replica is not None
    assert made.sound_speed.method == "two distances"
    assert made.sound_speed.sound_speed_m_s == pytest.approx(SPEED_M_S, rel=1e-3)


def test_sound_speed_is_as_unsure_as_the_tape_makes_it(two_plates: Calibration) -> None:
    # √2 · 0.5 mm over 1.2 m; noise and the baseline's slant add less than 2 %.
    expected = SPEED_M_S * math.sqrt(2) * 0.0005 / 1.2
    assert two_plates.sound_speed.u_sound_speed_m_s == pytest.approx(expected, rel=0.02)


def test_the_formula_s_sound_speed_stands_beside_and_the_gap_is_noted(
    two_plates: Calibration,
) -> None:
    # 343.963 m/s at 20 °C and 50 %: computed with CoolProp; promised to 0.05 m/s.
    assert two_plates.sound_speed.by_formula_m_s == pytest.approx(343.963, abs=0.05)
    assert any("check temperature" in note for note in two_plates.notes)


def test_plates_that_lie_on_no_line_give_no_sound_speed_and_the_note_says_which() -> None:
    # The middle one stands 30 mm nearer than was said, 60 tapes' uncertainty of 0.5 mm.
    scene = a_scene(plate(0.7), plate(1.3), plate(1.9, side_m=0.15))
    made = calibrated(scene, 0.7, 1.33, 1.9, u_range_m=0.0005)
    assert made.sound_speed.method == "formula"
    (note,) = [n for n in made.notes if "no one line" in n]
    assert "the one of 1.33 m is -" in note


def test_one_plate_and_the_direct_sound_give_the_sound_speed_too() -> None:
    made = calibrated(a_scene(plate(1.9)), 1.9)
    assert made.sound_speed.method == "one distance"
    # A millimetre in 1.9 m of range and one in the baseline; three times that.
    apart = abs(made.sound_speed.sound_speed_m_s - SPEED_M_S)
    assert apart < 3 * made.sound_speed.u_sound_speed_m_s < 2.0


@pytest.mark.parametrize("time_zero", ["direct", "loopback", "calibration"])
def test_time_zero_is_the_scene_s_latency(time_zero: str) -> None:
    plan = a_plan(geometry={"time_zero": time_zero})
    scene = a_scene(plate(0.7), plate(1.9), converter={"latency_s": 0.0123})
    made = calibrated(scene, 0.7, 1.9, plan=plan)
    assert made.time_zero is not None
    latency_s = made.time_zero.latency_s
    # The plates' tape is exact here, and noise of 50 dB below makes less than 1 µs.
    assert latency_s == pytest.approx(0.0123, abs=1e-6)
    assert abs(latency_s - 0.0123) < 3 * made.time_zero.u_latency_s


def test_a_latency_that_differs_from_start_to_start_is_as_unsure_as_that() -> None:
    latencies_s = iter([0.010, 0.012, 0.014])

    def open_anew(plan: Plan) -> Any:
        scene = a_scene(plate(1.9), converter={"latency_s": next(latencies_s)})
        return open_virtual_tank(plan, scene=scene_from_table(scene), seed=1)

    made = calibrate(a_plan(), open_anew, steps([], one_by_one=False, starts=3), made=NOW, pings=4)
    assert made.time_zero is not None
    # The mean and the standard deviation of three numbers 2 ms apart; noise and the
    # plan's wrong speed move each by 2 µs, and all alike.
    assert made.time_zero.latency_s == pytest.approx(0.012, abs=3e-6)
    assert made.time_zero.spread_s == pytest.approx(0.002, abs=1e-6)
    assert made.time_zero.u_latency_s == pytest.approx(0.002, rel=1e-3)


def test_plates_show_the_delay_that_transducers_add_to_a_wire_s_time_zero() -> None:
    # Each of two resonators delays a narrow band about its resonance by Q/(π f0) =
    # 1/(π · 4 kHz) = 79.6 µs (the slope of its phase); away from it by less. The pulse is as
    # wide as the band: the delay lies between half of that and all of it.
    plan = a_plan(geometry={"time_zero": "loopback"})
    made = calibrated(a_scene(plate(0.7), plate(1.9), transducer=FACE), 0.7, 1.9, plan=plan)
    assert made.time_zero is not None
    assert made.time_zero.method == "two distances"
    assert 79.6e-6 < made.time_zero.latency_s < 2 * 79.6e-6
    assert any("what transducers, wire or board add" in note for note in made.notes)


def test_a_colouring_transducer_s_pulse_gains_resolution_for_a_stated_noise(
    two_plates: Calibration,
) -> None:
    replica = two_plates.replica
    assert replica is not None
    assert replica.source == "echo"
    assert replica.plain_resolution_m > 1.5 * replica.resolution_m
    assert 0 < replica.noise_cost_db <= 20.1


def test_level_is_the_scene_s_source_level_by_a_sphere() -> None:
    # −10 dB at 1 m. The tank's sphere has the strength of a large one, a²/4, bent down by
    # 1/√(1 + (0.6/ka²)²): under 0.1 dB at 4 kHz, ka 3.6. The receiver's has ripples from
    # creeping waves of 1 dB at ka 3 to 4 and less above, averaged over the band.
    sphere = {"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}
    made = calibrated(a_scene(sphere, noise_db=-80.0), 1.2, radius_m=0.05)
    assert made.level is not None
    assert made.level.source_level_db == pytest.approx(-10.0, abs=0.4)
    assert abs(made.level.source_level_db + 10.0) < 2 * made.level.u_source_level_db


def test_level_is_freed_of_what_large_discs_do_to_a_sphere_nearby() -> None:
    # Discs of 150 mm at 8 kHz are points from 5 m on; at 1.2 m and 60 mm beside their axes the
    # tank, which sums over them, hears the ball weaker by more than a decibel.
    sphere = {"body": "sphere", "radius_m": 0.05, "position_m": [1.2, 0.0, 0.0]}
    scene = a_scene(sphere, noise_db=-80.0, transducer={"radius_m": 0.15})
    discs, points = (
        calibrated(scene, 1.2, radius_m=0.05, plan=a_plan(transducer={"radius_m": radius_m})).level
        for radius_m in (0.15, 0.01)
    )
    assert discs is not None
    assert points is not None
    assert discs.source_level_db == pytest.approx(-10.0, abs=0.4)  # as above
    assert points.source_level_db < -11.0


def test_level_is_the_scene_s_source_level_by_a_small_plate_far_off() -> None:
    # (A/λ)², both in the tank and here; it bends by 0.13 dB where it is half of a mirror's
    # strength, which 2.5 m is far from; noise is 50 dB below.
    made = calibrated(a_scene(plate(2.5), noise_db=-80.0), 2.5, size_m=(0.09, 0.09))
    assert made.level is not None
    assert made.level.source_level_db == pytest.approx(-10.0, abs=0.2)


def test_a_plate_in_its_near_field_tells_no_level_and_says_why() -> None:
    made = calibrated(a_scene(plate(0.7, side_m=0.2)), 0.7, size_m=(0.2, 0.2))
    assert made.level is None
    assert any("near field" in note for note in made.notes)


def test_noise_is_the_scene_s(two_plates: Calibration) -> None:
    # 10 pings of 192 samples know it to 1/√3840 = 0.14 dB; four times that.
    found = finding(two_plates, "noise before the ping")
    assert found.value == pytest.approx(-60.0, abs=0.56)


def test_ring_down_is_the_scene_s_decay() -> None:
    ring = {"level_db": -20.0, "frequency_hz": 8e3, "decay_s": 1e-3}
    made = calibrated(a_scene(plate(3.0), noise_db=-80.0, ring_down=ring), 3.0)
    found = finding(made, "ring-down to 1/e")
    # The direct sound's side lobes ride on it, which the fit's own scatter tells.
    assert found.value == pytest.approx(1.0, abs=max(3 * found.u_value, 0.1))


def test_without_a_ring_none_is_made_up() -> None:
    made = calibrated(a_scene(plate(3.0)), 3.0)
    assert not any(f.name.startswith("ring-down") for f in made.findings)
    assert any("no ring-down" in note for note in made.notes)


class WithCrosstalk:
    """A virtual tank whose microphone also hears the pulse by wire."""

    def __init__(self, plan: Plan, level: float) -> None:
        from rig.bench.waveforms import pulses_of

        scene = scene_from_table(a_scene(plate(1.9), noise_db=-70.0))
        self._tank = open_virtual_tank(plan, scene=scene, seed=3)
        self._pulse = level * pulses_of(plan)[0].samples
        self._baseline_s = plan.geometry.baseline_m / SPEED_M_S
        self.info: StreamInfo = self._tank.info
        self.truth = None

    def blocks(self, pings: int) -> Any:
        rate = self.info.sample_rate_hz
        for block in self._tank.blocks(pings):
            samples = block.samples.astype(float)
            frequency = np.fft.rfftfreq(samples.shape[1], 1 / rate)
            late = np.exp(-2j * np.pi * frequency * (block.mark_s - self._baseline_s))
            pulse = np.fft.rfft(self._pulse.astype(float), samples.shape[1])
            samples[0] += np.fft.irfft(pulse * late, samples.shape[1])
            yield CaptureBlock(
                index=block.index,
                samples=samples,
                start_sample=block.start_sample,
                mark_s=block.mark_s,
                flags=block.flags,
            )

    def close(self) -> None: ...

    def __enter__(self) -> "WithCrosstalk":
        return self

    def __exit__(self, *_: object) -> None: ...


def test_crosstalk_is_what_the_wire_brings() -> None:
    # 16 samples of noise at −70 dB in 20 pings: some −80 dB; at −45 dB that is 2 %. A
    # leaving 2 µs off, from the plan's wrong speed, turns the phase only; the first samples of
    # a tapered pulse rise by 6 % a sample, a tenth of which that makes.
    made = calibrate(
        a_plan(),
        lambda plan: WithCrosstalk(plan, 10 ** (-45 / 20)),
        steps([], one_by_one=False),
        made=NOW,
        pings=20,
    )
    assert finding(made, "crosstalk").value == pytest.approx(-45.0, abs=0.8)


def test_without_crosstalk_only_a_bound_is_given(two_plates: Calibration) -> None:
    assert finding(two_plates, "crosstalk, at most").fit


def test_a_target_that_is_not_heard_where_it_was_said_to_be_is_refused() -> None:
    with pytest.raises(CalibrationError, match=r"no echo within 0\.10 m of the target at 2\.5 m"):
        calibrated(a_scene(plate(0.7)), 2.5)


def test_a_target_outside_the_plan_s_ranges_is_refused_before_any_ping() -> None:
    with pytest.raises(PlanError, match="found at 9 m, outside the plan's ranges"):
        calibrated(a_scene(plate(0.7)), 9.0)


def test_steps_put_up_targets_in_turn_and_each_is_measured_alone() -> None:
    at = (0.7, 1.9)
    told: list[str] = []
    stands: list[dict[str, Any]] = []

    def prepare(step: Any) -> None:
        told.append(step.name)
        stands[:] = [plate(t.range_m) for t in step.targets]

    made = calibrate(
        a_plan(),
        lambda one: open_virtual_tank(one, scene=scene_from_table(a_scene(*stands)), seed=1),
        steps([KnownTarget(range_m=m) for m in at], one_by_one=True),
        made=NOW,
        pings=6,
        prepare=prepare,
    )
    assert told == ["listen", "target at 0.7 m", "target at 1.9 m"]
    assert made.sound_speed.sound_speed_m_s == pytest.approx(SPEED_M_S, rel=1e-3)


def test_a_pair_of_pulses_is_taken_apart_and_equalised_together() -> None:
    pulse = {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16}
    plan = plan_from_table({"pulse": pulse, "receiver": {"range_stop_m": 4.0}})
    made = calibrated(a_scene(plate(1.9), transducer=FACE), 1.9, plan=plan)
    assert made.replica is not None
    assert len(made.replica.replicas) == 2
    equalised = plan_from_table(
        {"pulse": pulse, "receiver": {"range_stop_m": 4.0, "weighting": "equalised", "stack": 2}}
    )
    scene = scene_from_table(a_scene(plate(1.2), transducer=FACE))
    with open_virtual_tank(equalised, scene=scene, seed=4) as tank:
        found = run_of(Receiver(equalised, tank.info, calibration=made), tank.blocks(8))
    nearest = max(found.echoes, key=lambda e: e.strength_db)
    assert abs(nearest.range_m - 1.2) < 0.005


# What the equalised compression shows


def test_two_plates_at_0_6_of_the_resolution_are_told_apart_where_the_plain_filter_shows_one() -> (
    None
):
    # From 7 to 13 kHz, 0.6 of c/2B is 17.3 mm, and the two echoes add up in phase, which
    # is the worst case. Each may be pulled by the other's flank: a quarter of that is
    # 4 mm, and tells them apart.
    pulse = CHIRP | {"start_hz": 7e3, "stop_hz": 13e3, "taper": "none"}
    apart_m = 0.6 * SPEED_M_S / (2 * 6e3)
    plan = plan_from_table({"pulse": pulse, "receiver": {"range_stop_m": 4.0}})
    made = calibrated(a_scene(plate(1.2), noise_db=-70.0), 1.2, plan=plan, pings=20)
    scene = scene_from_table(a_scene(plate(1.2), plate(1.2 + apart_m), noise_db=-70.0))

    def shown(weighting: str) -> list[float]:
        asked = dataclasses.replace(
            plan, receiver=dataclasses.replace(plan.receiver, weighting=weighting)
        )
        with open_virtual_tank(asked, scene=scene, seed=5) as tank:
            receiver = Receiver(asked, tank.info, calibration=made)
            return [e.range_m for e in run_of(receiver, tank.blocks(8)).echoes]

    plain = shown("none")
    assert len(plain) == 1
    assert plain[0] == pytest.approx(1.2 + apart_m / 2, abs=apart_m / 4)
    assert shown("equalised") == pytest.approx([1.2, 1.2 + apart_m], abs=apart_m / 4)
    assert made.replica is not None
    printed = "\n".join(calibration_lines(made))
    assert f"for {made.replica.noise_cost_db:.1f} dB more noise" in printed


@pytest.mark.parametrize("taper", ["none", "tukey", "hann"])
def test_equalised_side_lobes_are_no_echoes_even_of_two_plates_in_one(taper: str) -> None:
    # 76 dB above the noise. With hard edges the direct sound has a lobe a pulse's length
    # behind it, where the plate that was calibrated by is coloured otherwise; with round ones
    # two plates at 0.6 of c/2B stay one echo, which is no copy of the pulse.
    pulse = CHIRP | {"start_hz": 7e3, "stop_hz": 13e3, "taper": taper}
    apart_m = 0.6 * SPEED_M_S / (2 * 6e3)
    plain, asked = (
        plan_from_table({"pulse": pulse, "receiver": {"range_stop_m": 4.0, "weighting": w}})
        for w in ("none", "equalised")
    )
    made = calibrated(a_scene(plate(1.2), noise_db=-70.0), 1.2, plan=plain, pings=20)
    scene = scene_from_table(a_scene(plate(1.2), plate(1.2 + apart_m), noise_db=-70.0))
    for seed in range(3):
        with open_virtual_tank(asked, scene=scene, seed=seed) as tank:
            found = run_of(Receiver(asked, tank.info, calibration=made), tank.blocks(8)).echoes
        for echo in found:
            assert 1.2 - apart_m / 4 < echo.range_m < 1.2 + 1.25 * apart_m
        assert len(found) == (2 if taper == "none" else 1)


def test_an_equalised_echo_stands_where_and_as_strong_as_the_plain_one(
    two_plates: Calibration,
) -> None:
    plan = a_plan(receiver={"weighting": "equalised"})
    scene = scene_from_table(a_scene(plate(1.4), transducer=FACE))
    with open_virtual_tank(plan, scene=scene, seed=6) as tank:
        receiver = Receiver(plan, tank.info, calibration=two_plates)
        found = run_of(receiver, tank.blocks(8)).echoes
    assert len(found) == 1
    # The plates of the calibration stood nearer to a mirror's strength, and so coloured
    # their echoes a little otherwise: 1.5 mm. Its own uncertainty is the tape's.
    assert found[0].range_m == pytest.approx(1.4, abs=0.0015 + 2 * found[0].u_range_m)


# Where it is used, and refused


def test_a_measured_sound_speed_is_used_and_carried_to_another_temperature(
    two_plates: Calibration,
) -> None:
    info = StreamInfo(front_end="virtual-tank", device="a scene", sample_rate_hz=48e3)
    receiver = Receiver(a_plan(medium={"temperature_c": 22.0}), info, calibration=two_plates)
    # At 50 %, 10, 20 and 30 °C: 337.7660, 343.9630, 350.2795 m/s (computed with CoolProp);
    # the parabola through them rises by 1.2538 m/s from 20 to 22 °C. The formula is good to
    # 0.05 m/s over 20 °C, a tenth of which is room enough for 2.
    warmer_m_s = receiver.sound_speed_m_s - two_plates.sound_speed.sound_speed_m_s
    assert warmer_m_s == pytest.approx(1.2538 * SPEED_M_S / 343.963, abs=0.005)
    assert receiver.u_sound_speed_m_s == two_plates.sound_speed.u_sound_speed_m_s


def test_what_is_written_is_read_back(two_plates: Calibration, tmp_path: Path) -> None:
    write_calibration(tmp_path / "c.json", two_plates)
    again = read_calibration(tmp_path / "c.json")
    assert two_plates.replica is not None
    assert again.replica is not None
    assert again.made == two_plates.made
    for name in ("plan", "device", "time_zero", "sound_speed", "level", "findings", "notes"):
        assert getattr(again, name) == getattr(two_plates, name)
    for ours, theirs in zip(two_plates.replica.replicas, again.replica.replicas, strict=True):
        np.testing.assert_array_equal(ours.pulse.samples, theirs.pulse.samples)
        assert ours.lead_s == theirs.lead_s


INFO = StreamInfo(front_end="sound-card", device="card A", sample_rate_hz=48e3, latency_s=0.05)


def of_a_card(made: Calibration) -> Calibration:
    return dataclasses.replace(
        made, front_end="sound-card", device="card A", reported_latency_s=0.05
    )


def test_a_calibration_of_this_bench_is_taken(two_plates: Calibration) -> None:
    of_a_card(two_plates).check(a_plan(), INFO, when=NOW + timedelta(hours=LONGEST_AGE_H - 1))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"device": "card B"}, "foreign: made with card A .*, and this is card B"),
        ({"front_end": "virtual-tank"}, "foreign: made with card A"),
        ({"sample_rate_hz": 44.1e3}, "foreign: made at 48000 Hz, and this stream has 44100 Hz"),
        ({"latency_s": 0.09}, r"foreign: made with buffers of 50\.0 ms latency.*90\.0 ms"),
        ({"latency_s": None}, "foreign: made with buffers of .*no stated latency"),
    ],
)
def test_a_calibration_of_another_device_is_refused(
    two_plates: Calibration, change: dict[str, Any], words: str
) -> None:
    with pytest.raises(CalibrationError, match=words):
        of_a_card(two_plates).check(a_plan(), dataclasses.replace(INFO, **change), when=NOW)


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"pulse": CHIRP | {"stop_hz": 11e3}}, "foreign: made with another pulse"),
        ({"geometry": {"baseline_m": 0.2}}, "foreign: made with source and receiver 0.12 m apart"),
        ({"medium": {"kind": "fresh-water"}}, "foreign: made in air"),
        (
            {"medium": {"temperature_c": 20.1 + MOST_WARMING_C}},
            "stale: made at 20 °C, and the plan has 23.1 °C",
        ),
    ],
)
def test_a_calibration_under_other_conditions_is_refused(
    two_plates: Calibration, tables: dict[str, Any], words: str
) -> None:
    with pytest.raises(CalibrationError, match=words):
        of_a_card(two_plates).check(a_plan(**tables), INFO, when=NOW)


def test_an_old_calibration_is_refused_with_its_age(two_plates: Calibration) -> None:
    later = NOW + timedelta(days=30)
    with pytest.raises(CalibrationError, match="stale: made 30 days before these pings"):
        of_a_card(two_plates).check(a_plan(), INFO, when=later)


@pytest.mark.parametrize(
    ("geometry", "receiver", "words"),
    [
        ({"time_zero": "calibration"}, {}, "cannot say when a pulse leaves, and no calibration"),
        ({}, {"weighting": "equalised"}, '"equalised", which needs the pulse as it was heard'),
    ],
)
def test_a_plan_that_needs_a_calibration_is_refused_without_one(
    geometry: dict[str, Any], receiver: dict[str, Any], words: str
) -> None:
    info = dataclasses.replace(INFO, knows_leaving=False)
    with pytest.raises(CalibrationError, match=words):
        Receiver(a_plan(geometry=geometry, receiver=receiver), info)


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", '{"echobench_calibration": 99}', '{"echobench_calibration": 1}', "\x00"],
)
def test_a_file_that_is_none_is_refused_by_its_name(tmp_path: Path, text: str) -> None:
    (tmp_path / "c.json").write_text(text)
    with pytest.raises(CalibrationError, match=r"c\.json: is no calibration of this bench"):
        read_calibration(tmp_path / "c.json")


@pytest.mark.parametrize(
    ("part", "key", "value"),
    [
        ("sound_speed", "sound_speed_m_s", -1.0),
        ("time_zero", "u_latency_s", "much"),
        ("replica", "floor", 0.0),
        ("replica", "replicas", []),
    ],
)
def test_a_file_with_a_wrong_number_is_refused(
    two_plates: Calibration, tmp_path: Path, part: str, key: str, value: Any
) -> None:
    write_calibration(tmp_path / "c.json", two_plates)
    table = json.loads(without_checksum((tmp_path / "c.json").read_bytes()))
    table[part][key] = value
    (tmp_path / "c.json").write_text(json.dumps(table))
    with pytest.raises(CalibrationError, match=rf"is no calibration of this bench .*{key}: found"):
        read_calibration(tmp_path / "c.json")


def test_a_missing_file_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(CalibrationError, match="no such calibration; make one with `echobench"):
        read_calibration(tmp_path / "none.json")


def test_a_folder_that_is_not_there_cannot_be_written_to(
    two_plates: Calibration, tmp_path: Path
) -> None:
    with pytest.raises(StorageError, match="cannot be written"):
        write_calibration(tmp_path / "nowhere" / "c.json", two_plates)


# A stored time zero, on a stream that does not know when its pulses leave


def by_latency(made: Calibration, latency_s: float) -> Calibration:
    assert made.time_zero is not None
    zero = dataclasses.replace(made.time_zero, latency_s=latency_s, u_latency_s=1e-6)
    return dataclasses.replace(made, time_zero=zero)


PLAN_BY_CALIBRATION = a_plan(geometry={"time_zero": "calibration"})


def a_slipping_stream(
    *, slip_at: int | None = None, lost_at: int | None = None
) -> tuple[StreamInfo, list[CaptureBlock]]:
    """Blocks of a stream that may slip, and start where they like."""
    scene = scene_from_table(a_scene(plate(1.4), converter={"latency_s": 0.0417}))
    with open_virtual_tank(a_plan(), scene=scene, seed=8) as tank:
        info = dataclasses.replace(tank.info, knows_leaving=False, can_slip=True)
        blocks = []
        for block in tank.blocks(6):
            samples = block.samples
            if slip_at is not None and block.index >= slip_at:
                samples = np.roll(samples, 7, axis=1)
            flags = CaptureFlag.INPUT_OVERFLOW if block.index == lost_at else CaptureFlag.NONE
            blocks.append(dataclasses.replace(block, samples=samples, flags=flags))
    return info, blocks


def results_by(made: Calibration, *, slip_at: int | None = None, lost_at: int | None = None) -> Any:
    """Pings of such a stream, and what receives them."""
    info, blocks = a_slipping_stream(slip_at=slip_at, lost_at=lost_at)
    receiver = Receiver(PLAN_BY_CALIBRATION, info, calibration=made)
    return receiver, list(ping_results(receiver, blocks))


def test_a_stored_latency_is_the_time_zero_and_its_doubt_is_in_the_budget(
    two_plates: Calibration,
) -> None:
    receiver, results = results_by(by_latency(two_plates, 0.0417))
    assert not any(r.lost for r in results)
    for result in results:
        assert result.time_zero is not None
        assert result.time_zero.method == "calibration"
        assert result.time_zero.u_delay_s == 1e-6
        assert result.latency_s == pytest.approx(0.0417, abs=1e-12)
        # The scene's own speed was measured to some 0.3 m/s: 1.4 mm in 1.4 m; noise.
        assert result.echoes[0].range_m == pytest.approx(1.4, abs=0.0015)
    # Carried from the calibration's temperature to the plan's, the same: rounding is left.
    assert receiver.sound_speed_m_s == pytest.approx(
        two_plates.sound_speed.sound_speed_m_s, rel=1e-12
    )


def test_a_slip_ends_the_trust_in_a_stored_time_zero(two_plates: Calibration) -> None:
    _, results = results_by(by_latency(two_plates, 0.0417), slip_at=3)
    assert [r.lost for r in results] == [False, False, True, True, True, True]
    assert "holds no more" in results[-1].reason


def test_a_lost_buffer_ends_the_trust_in_a_stored_time_zero(two_plates: Calibration) -> None:
    _, results = results_by(by_latency(two_plates, 0.0417), lost_at=3)
    assert [r.lost for r in results] == [False, False, True, True, True, True]


def test_sound_that_comes_sooner_than_it_can_shows_a_latency_that_has_changed(
    two_plates: Calibration,
) -> None:
    # 0.5 ms: 17 cm, more than the baseline.
    _, results = results_by(by_latency(two_plates, 0.0422))
    assert all(r.lost for r in results)
    assert "the latency has changed; calibrate again" in results[0].reason


def test_a_recording_is_replayed_by_a_latency_that_was_calibrated_anew(
    two_plates: Calibration, tmp_path: Path
) -> None:
    info, blocks = a_slipping_stream()
    receiver = Receiver(PLAN_BY_CALIBRATION, info, calibration=by_latency(two_plates, 0.0417))
    with Recorder(tmp_path / "r", receiver.plan, info) as recorder:
        sent = list(Run(receiver).over(blocks, recorder=recorder))
    assert [r.lost for r in sent] == [False] * 6
    # 20 µs: 3.5 mm, 0.96 samples of 48 kHz and many times either latency's uncertainty.
    anew = dataclasses.replace(
        by_latency(two_plates, 0.04168),
        reported_latency_s=info.latency_s,
        made=datetime.now(UTC),  # as the recording was
    )
    write_calibration(tmp_path / "anew.json", anew)
    with open_replay(str(tmp_path / "r"), calibration_path=str(tmp_path / "anew.json")) as bench:
        results = bench.ping(6).good
    assert [r.latency_s for r in results] == pytest.approx([0.04168] * 6, abs=1e-12)
