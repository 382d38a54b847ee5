"""A board, its firmware in an emulator, finds a target that moves from 0.3 to 1.5 m.

The truth of each place comes from the geometry of a triangle; only the sound speed is
shared with the receiver, since it is the board's timing that is tried here.
"""

import math

import numpy as np

from dsp.ping.pulse.pulses import ringing_burst
from rig.front_ends.board.emulator import SOUND_RATE_HZ
from rig.run.receiver import Receiver

PLACES_M = np.linspace(0.3, 1.5, 25)


def moved(bench, echo_mv, noise_mv):
    """Results of 25 pings, the target at another place for each."""
    speed_m_s = Receiver(bench.plan, bench.board.info).sound_speed_m_s
    baseline_m = bench.plan.geometry.baseline_m

    def lay(ping):
        path_m = 2 * math.hypot(PLACES_M[ping], baseline_m / 2)
        bench.place((echo_mv, path_m / speed_m_s))
        bench.noise(noise_mv, seed=1000 + ping)

    bench.before_ping = lay
    return bench.results(PLACES_M.size)


def strongest(result):
    return max(result.echoes, key=lambda echo: echo.strength_db)


def test_range_is_within_a_millimetre_at_every_place_at_800_over_20_mv(make_bench):
    bench = make_bench()
    results = moved(bench, 800.0, 20.0)
    assert not any(result.lost for result in results)
    # The promise: 1 mm, and what the crystal's tolerance makes of the range.
    clock = bench.board.info.clock_tolerance_ppm * 1e-6
    error_m = np.array([strongest(r).range_m for r in results]) - PLACES_M
    assert (np.abs(error_m) <= 1e-3 + clock * PLACES_M).all()


def test_range_is_within_four_of_its_uncertainties_at_150_over_40_mv(make_bench):
    results = moved(make_bench(), 150.0, 40.0)
    assert not any(result.lost for result in results)
    echoes = [strongest(result) for result in results]
    error_m = np.array([e.range_m for e in echoes]) - PLACES_M
    stated_m = np.array([e.u_range_m for e in echoes])
    assert (np.abs(error_m) <= 4 * stated_m).all()


def test_burst_off_the_drive_pins_is_the_plans_pulse(make_bench):
    bench = make_bench()
    burst = bench.plan.pulse
    formula = ringing_burst(burst.centre_hz, burst.cycles, burst.ring_s, SOUND_RATE_HZ)
    pulse = formula.samples.astype(float)
    sent = bench.emulator.wave()[: pulse.size].astype(float)
    # The pins' square wave through two resonators, stepped tick by tick, against a
    # formula that takes the envelope to be slow: off by about 1/(2Q) at the burst's two
    # ends, Q = π f τ = 7.5, which is a few cycles out of twelve.
    alike = sent @ pulse / np.linalg.norm(sent) / np.linalg.norm(pulse)
    assert alike > 1 - (1 / 15) ** 2 * 4
    # Where the compressed wave peaks, in microseconds: within 0.2, 0.03 mm of range.
    spectrum = np.fft.rfft(sent, 8192) * np.conj(np.fft.rfft(pulse, 8192))
    lag_s = np.linspace(-2e-6, 2e-6, 401)
    turns = np.outer(lag_s, np.fft.rfftfreq(8192, 1 / SOUND_RATE_HZ))
    envelope = np.abs(np.exp(2j * np.pi * turns) @ spectrum)
    assert abs(lag_s[envelope.argmax()]) < 0.2e-6


def test_direct_sound_serves_as_time_zero_too(make_bench):
    # 0.3 m apart, so that the direct sound has come and gone before the echo.
    bench = make_bench(
        geometry={"baseline_m": 0.3, "time_zero": "direct", "u_baseline_m": 0.0},
        receiver={"range_start_m": 0.5},
    )
    speed_m_s = Receiver(bench.plan, bench.board.info).sound_speed_m_s
    bench.place((800.0, math.hypot(2.0, 0.3) / speed_m_s), leak_s=0.3 / speed_m_s)
    bench.noise(20.0, seed=1)
    (result,) = bench.results(1)
    # Two arrivals of 0.3 mm of noise each, half of the path.
    assert abs(strongest(result).range_m - 1.0) < 1.5e-3
    assert result.time_zero.method == "direct"
