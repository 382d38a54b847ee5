"""What the direct sound alone went through is in the budget; what all did moves no range."""

import dataclasses
import math

import numpy as np
import pytest
from made_pings import SPEED_M_S, made_pings
from numpy.typing import NDArray
from scipy import signal

from rig.bench.capture import LEAD_S, CaptureBlock, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.bench.waveforms import pulses_of
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import Echo

PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
        "timing": {"sample_rate_hz": 48_000, "ping_interval_s": 0.1},
        "geometry": {"baseline_m": 0.12},
    }
)
INFO = StreamInfo(front_end="made", device="a made one", sample_rate_hz=48_000.0)
LENGTH = 1 << 14
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / 48_000.0)
RANGE_M = 1.2
FLAT = np.ones(FREQUENCY_HZ.size, dtype=np.complex128)
DULL = np.asarray(signal.freqz(*signal.butter(2, 6e3, fs=48e3), worN=FREQUENCY_HZ, fs=48e3)[1])
BOUNCE = 1 + 0.6 * np.exp(-2j * np.pi * FREQUENCY_HZ * 1e-4)


def measured(
    direct: NDArray[np.complex128],
    echo: NDArray[np.complex128],
    *,
    plan: Plan = PLAN,
    hum: float = 0.0,
) -> Echo:
    """Return the echo of a ping whose two sounds went through filters, by spectra alone."""
    response = np.zeros(FREQUENCY_HZ.size, dtype=np.complex128)
    for range_m, amplitude, way in ((0.0, 0.5, direct), (RANGE_M, 0.05, echo)):
        delay_s = LEAD_S + math.hypot(2 * range_m, 0.12) / SPEED_M_S
        response += amplitude * way * np.exp(-2j * np.pi * FREQUENCY_HZ * delay_s)
    spectrum = np.fft.rfft(pulses_of(plan)[0].samples.astype(float), LENGTH)
    samples = np.fft.irfft(spectrum * response, LENGTH)[: plan.interval_samples]
    samples += 2e-4 * np.random.default_rng(3).standard_normal(samples.size)
    turns = np.outer(50.0 * np.arange(1, 41), np.arange(samples.size) / 48e3)
    samples += hum * np.sin(2 * np.pi * turns + np.arange(40)[:, np.newaxis]).sum(axis=0)
    block = CaptureBlock(
        index=0,
        samples=samples.astype(np.float32),
        start_sample=0,
        mark_s=LEAD_S + 0.12 / SPEED_M_S,
    )
    (result,) = ping_results(Receiver(plan, INFO), [block])
    return max(result.echoes, key=lambda e: e.strength_db)


def shape_m(echo: Echo) -> float:
    assert echo.budget is not None
    return sum(t.u for t in echo.budget.terms if t.name == "time zero: shape")


def test_a_filter_of_the_direct_sound_alone_is_a_term_that_holds_what_it_moves() -> None:
    echo = measured(DULL, FLAT)
    error_m = abs(echo.range_m - RANGE_M)
    assert error_m > 0.002  # more than the rest of the budget would hold of it
    assert error_m < 2 * shape_m(echo)


def test_a_bounce_close_behind_the_direct_sound_moves_no_range() -> None:
    # It moves the crest by more than 12 µs, 2 mm of range. 2E/N0 of the echo is 71 dB, which is
    # worth 3 µm; of the direct sound 91 dB, and two that overlap are placed some times worse than
    # one alone would be.
    echo = measured(BOUNCE, FLAT)
    assert abs(echo.range_m - RANGE_M) < 4 * 1e-5
    assert shape_m(echo) < 1e-4


@pytest.mark.parametrize("way", [DULL, BOUNCE], ids=["dull", "bounce"])
def test_what_all_sounds_went_through_moves_no_range(way: NDArray[np.complex128]) -> None:
    echo = measured(way, way)
    # Four times the noise of the echo's arrival, the mark's being ten times less: the bound at
    # 2E/N0 of 58 dB is c/2 · 1/(800 · 14e3 rad/s) = 0.015 mm for the whole band, and three times
    # that where the filter takes most of it. By the mark's own weighting it was 1.2 mm.
    assert abs(echo.range_m - RANGE_M) < 4 * 4.5e-5
    # What noise may hide between the two sounds' shapes: less than the baseline's half millimetre
    # twice over.
    assert shape_m(echo) < 1e-3


def test_a_clean_direct_sound_has_no_such_term() -> None:
    assert shape_m(measured(FLAT, FLAT)) == 0.0


def test_a_mark_among_a_codes_side_lobes_is_as_sure_as_it_says() -> None:
    # One code of a pair has side lobes. A body comes within its reach of the direct sound, and
    # another stands within its reach of that body, louder than both.
    plan = plan_from_table(
        {
            "pulse": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
            "timing": {"sample_rate_hz": 48_000, "ping_interval_s": 0.25},
            "geometry": {"baseline_m": 0.12},
        }
    )
    sounds = [(0.08, 0.0, 0.0), (0.03, 0.47, 0.08), (0.1, 1.15, 0.0)]
    blocks = list(made_pings(plan, sounds, pings=6, rms=1e-3))
    zeros = [ping.time_zero for ping in ping_results(Receiver(plan, INFO), blocks)]
    assert all(zero is not None and zero.u_shape_s == 0.0 for zero in zeros)
    # Noise of a normal law is beyond 4 u in one of 16,000.
    assert all(zero and abs(zero.delay_s - LEAD_S) < 4 * zero.u_delay_s for zero in zeros)
    # Noise of 1e-3 a sample in a code of 8e-2, half of it in phase, is 1e-3 of it, and slopes by
    # 2.2 kHz: 0.1 µs. What others leave about it may be a few times that, and much more where one
    # is hidden: in a ping or two.
    assert sorted(zero.u_delay_s for zero in zeros if zero)[3] < 1e-6


def test_a_mark_amid_clutter_is_as_unsure_as_it_scatters() -> None:
    # A dozen scatterers, new in each ping, on the first 0.13 m: six lobes. Some stand within the
    # direct sound's own, where none is seen; that they pull there as well, other pings tell.
    random = np.random.default_rng(2)
    blocks = []
    for ping in range(96):
        clutter = [(0.01 * random.rayleigh(), random.uniform(0, 0.13), 0.0) for _ in range(12)]
        (block,) = made_pings(PLAN, [(0.5, 0.0, 0.0), *clutter], pings=1, rms=1e-4, seed=ping)
        start_sample = ping * PLAN.interval_samples
        blocks.append(dataclasses.replace(block, index=ping, start_sample=start_sample))
    zeros = [ping.time_zero for ping in ping_results(Receiver(PLAN, INFO), blocks)]
    off_u = np.array([(zero.delay_s - LEAD_S) / zero.u_delay_s for zero in zeros if zero][16:])
    assert off_u.size == 80
    # Of 80 normal values 4 are beyond 2 u, and with a chance of 1e-3 more than 11.
    assert np.count_nonzero(np.abs(off_u) > 2) <= 11
    # Nor is more claimed than that: the pull of each adds as if all pulled one way, at the most
    # twice what they do.
    assert np.sqrt(np.mean(off_u**2)) > 0.5


def test_what_is_filtered_out_with_hum_is_nothing_that_the_direct_sound_went_through() -> None:
    # A tone's own lobes reach down among the hum.
    tone = {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002}
    plan = dataclasses.replace(PLAN, pulse=plan_from_table({"pulse": tone}).pulse)
    assert shape_m(measured(FLAT, FLAT, plan=plan, hum=0.1)) == 0.0


@pytest.mark.parametrize("quality", [1.0, 1.9])
def test_behind_a_coloured_direct_sound_a_pair_of_codes_lists_one_body(quality: float) -> None:
    """Sender and receiver are a driven oscillator each (textbook), which colour all alike."""
    plan = plan_from_table(
        {
            "pulse": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
            "timing": {"sample_rate_hz": 48_000, "ping_interval_s": 0.1},
            "geometry": {"baseline_m": 0.12},
        }
    )
    range_m, direct_s = 2.9, LEAD_S + 0.12 / SPEED_M_S
    over = np.maximum(FREQUENCY_HZ, 1.0) / 6430.0
    faces = 1 / (1 + 1j * quality * (over - 1 / over)) ** 2
    ways = 0.3 * np.exp(-2j * np.pi * FREQUENCY_HZ * direct_s)
    echo_s = LEAD_S + math.hypot(2 * range_m, 0.12) / SPEED_M_S
    ways = faces * (ways + 0.014 * np.exp(-2j * np.pi * FREQUENCY_HZ * echo_s))
    noise = np.random.default_rng(0)
    blocks = []
    for index in range(4):
        spectrum = np.fft.rfft(pulses_of(plan)[index % 2].samples.astype(float), LENGTH)
        samples = np.fft.irfft(spectrum * ways, LENGTH)[: plan.interval_samples]
        samples += 2e-4 * noise.standard_normal(samples.size)
        blocks.append(
            CaptureBlock(
                index=index,
                samples=samples.astype(np.float32)[np.newaxis],
                start_sample=index * plan.interval_samples,
                pulse_index=index % 2,
                mark_s=direct_s,
            )
        )
    for result in list(ping_results(Receiver(plan, INFO), blocks))[1:]:
        (listed,) = result.echoes
        assert abs(listed.range_m - range_m) < 3 * listed.u_range_m
