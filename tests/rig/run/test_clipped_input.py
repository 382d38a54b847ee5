"""A direct sound that drives the converter to its ends moves no echo behind it.

Blocks are made by formulas, with no code of the program: a burst that two resonators ring out, in
the 8 bits of a board that samples it below its frequency, and a tone and a chirp in 16 bits at a
sound card's rate.
"""

import math
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from scipy.signal import windows
from scipy.stats import binom

import rig
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.run.receiver import Receiver

PINGS = 120
"""Of each pulse, bent either way. What has 5 % of them off is told in six draws of seven; what has
2 % of all 720 off, in 49 of 50."""
SPEED_M_S = 343.98688734488263
"""In air at 20 °C and 50 %, as the program's own answer states it."""
BASELINE_M, LEAVES = 0.03, 50
RING_S = 60e-6
CARD = {"ping_interval_s": 0.05, "sample_rate_hz": 48e3}
BOARD = {"ping_interval_s": 0.036, "sample_rate_hz": 62.5e3, "band_sampling": True}

Array = np.ndarray
Pulse = Callable[[Array], Array]


def burst(t: Array) -> Array:
    """Twelve cycles of 40 kHz by two resonators, each of which rings to 1/e in RING_S."""

    def risen(t: Array) -> Array:
        late = np.maximum(t, 0) / RING_S
        return 1 - (1 + late) * np.exp(-late)

    return (risen(t) - risen(t - 12 / 40e3)) * np.sin(2 * np.pi * 40e3 * t)


def within(t: Array, duration_s: float) -> Array:
    """A Tukey window of 0.1, from the first sample to the last."""
    fine = windows.tukey(20001, 0.1)
    at_s = np.linspace(0, duration_s - 1 / CARD["sample_rate_hz"], fine.size)
    return np.interp(t, at_s, fine, left=0.0, right=0.0)


def tone(t: Array) -> Array:
    return within(t, 0.002) * np.sin(2 * np.pi * 8e3 * t)


def chirp(t: Array) -> Array:
    return within(t, 0.01) * np.sin(2 * np.pi * (4e3 * t + 8e3 / 0.01 * t**2 / 2))


TONE = {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002}
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
BURST = {"kind": "burst", "centre_hz": 40e3, "cycles": 12, "ring_s": RING_S}
# As the plan has them, how they are sampled, in so many steps to full scale, and what is sent.
SENT = {
    "burst": (BURST, BOARD, 128, burst),
    "tone": (TONE, CARD, 32768, tone),
    "chirp": (CHIRP, CARD, 32768, chirp),
}


def cut(samples: Array) -> Array:
    return np.clip(samples, -1, 1)


def drawn(
    pulse: Pulse, timing: dict, steps: int, bends: Callable[[Array], Array]
) -> Iterator[tuple[CaptureBlock, float]]:
    """Blocks, and the range of the echo in each."""
    rate_hz = timing["sample_rate_hz"]
    size = round(timing["ping_interval_s"] * rate_hz)
    t = (np.arange(size) - LEAVES) / rate_hz
    energy = float(np.sum(pulse(t - BASELINE_M / SPEED_M_S) ** 2))
    for index in range(PINGS):
        random = np.random.default_rng([7, index])
        range_m, snr_db = random.uniform(2.0, 2.4), random.uniform(20, 60)
        echo, overdriven = 10 ** random.uniform(-1, -0.1), 10 ** random.uniform(0.05, 1)
        # No less noise than half a step has, which keeps the rounding from being a curve.
        rms = max(echo * math.sqrt(energy / 10 ** (snr_db / 10)), 0.5 / steps)
        heard = overdriven * pulse(t - BASELINE_M / SPEED_M_S)
        heard += echo * pulse(t - math.hypot(2 * range_m, BASELINE_M) / SPEED_M_S)
        heard += random.normal(0, rms, size)
        codes = np.round(bends(heard) * (steps - 1))
        yield (
            CaptureBlock(
                index=index,
                samples=(codes / steps)[np.newaxis],
                start_sample=index * size,
                mark_s=LEAVES / rate_hz,
            ),
            range_m,
        )


BENDS = {"cut off": cut, "rounded off": np.tanh}
CASES = [(name, bends) for name in SENT for bends in BENDS]


def errors_of(name: str, bends: str) -> list[float]:
    """How far each echo is off, in its own uncertainty."""
    kind, timing, steps, pulse = SENT[name]
    plan = rig.plan_from_table(
        {
            "pulse": kind,
            "timing": timing,
            "receiver": {"range_start_m": 1.9, "range_stop_m": 2.5},
            "geometry": {"baseline_m": BASELINE_M, "time_zero": "calibration"},
        }
    )
    info = StreamInfo(
        front_end="emulated-board" if timing is BOARD else "virtual-tank",
        device="a drawn converter",
        sample_rate_hz=timing["sample_rate_hz"],
        step=1 / steps,
    )
    errors_u = []
    for block, range_m in drawn(pulse, timing, steps, BENDS[bends]):
        # Each the first of a stream: what stands elsewhere in each ping does not move there, and
        # a stream whose first is not bent is not looked at again.
        receiver = Receiver(plan, info)
        zero = receiver.known_time_zero(block)
        echoes, _ = receiver.search.echoes(receiver.profile(block, zero), zero)
        for echo in echoes:
            assert echo.budget is not None
            # Sound speed, time zero and clock are as they are told: the delay alone may err.
            u_m = dict(zip(echo.budget.names, echo.budget.u, strict=True))["delay"]
            errors_u.append(abs(echo.range_m - range_m) / u_m)
    return errors_u


@pytest.fixture(scope="module")
def errors_u() -> dict[tuple[str, str], list[float]]:
    return {case: errors_of(*case) for case in CASES}


@pytest.mark.parametrize(("name", "bends"), CASES)
def test_echoes_behind_a_direct_sound_that_clips_are_where_they_are_told(
    errors_u: dict[tuple[str, str], list[float]], name: str, bends: str
) -> None:
    beyond = int(np.sum(np.array(errors_u[name, bends]) > 3))
    # A normal law has 0.27 % beyond three times its own: so many, once in a thousand draws.
    assert len(errors_u[name, bends]) == PINGS
    assert beyond <= binom.ppf(0.999, PINGS, 0.0027), max(errors_u[name, bends])


def test_no_more_of_all_are_off_than_chance_would_have(
    errors_u: dict[tuple[str, str], list[float]],
) -> None:
    together = np.concatenate(list(errors_u.values()))
    assert np.sum(together > 3) <= binom.ppf(0.999, together.size, 0.0027), together.max()
