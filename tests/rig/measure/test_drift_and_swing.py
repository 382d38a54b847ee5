"""A drift is no pass and a swing no stay: drawn scenes by a synthesizer of the tests' own.

Every class is counted as right, undecided and wrong. A pass is wrong where nothing passed, a
stay where its interval does not hold the target at its hits, a way where its interval does not
hold the true one. Intervals of k = 2 hold 95 %, so of n at most the wrong ones that chance
brings once in 1000: the binomial's quantile.
"""

import math
from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest
import scipy
from made_pings import SPEED_M_S
from moving_pings import Thing, moving_pings, still

from rig.bench.capture import StreamInfo
from rig.bench.plan import plan_from_table
from rig.bench.waveforms import pulses_of
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.measure.passes.words import passing_lines
from rig.run.receiver import Receiver
from rig.run.run import run_of

PINGS, INTERVAL_S, RMS, SEEDS = 40, 0.05, 4e-4, 6
TIME_S = PINGS * INTERVAL_S
PLAN = plan_from_table(
    {
        "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
        "timing": {"ping_interval_s": INTERVAL_S, "sample_rate_hz": 48e3},
        "receiver": {"range_start_m": 0.3, "range_stop_m": 2.0},
        "transducer": {"radius_m": 0.03},
    }
)
INFO = StreamInfo(front_end="made", device="samples made in a test", sample_rate_hz=48e3)
DIRECT = still(0.05, 0.0)
Course = Callable[[float], float]
"""A quantity over the time from the first ping."""
SHARE = 0.002
"""By which the sound speed drifts: 1.1 °C in air, where the plan says ± 1 °C (k = 2)."""


def amplitude(rng: np.random.Generator) -> float:
    """Of an echo at a 2E/N0 of 20 to 45 dB."""
    samples = pulses_of(PLAN)[0].samples.astype(float)
    return float(RMS * 10 ** (rng.uniform(20, 45) / 20) / math.sqrt(samples @ samples))


def drift(rng: np.random.Generator) -> Course:
    """Draw a sound speed that runs, settles, sags or sways by SHARE from its least to its most."""
    sign, at, period = rng.choice([-1, 1]), rng.uniform(0.3, 0.7), rng.uniform(0.5, 2.0)
    shapes: list[Course] = [
        lambda x: x,
        lambda x: math.exp(-x / (at / 2)),
        lambda x: (x - at) ** 2,
        lambda x: math.sin(2 * math.pi * (x / period + at)),
    ]
    shape = shapes[rng.integers(4)]
    span = np.ptp([shape(x) for x in np.linspace(0, 1, 99)])
    return lambda t: SPEED_M_S * float(1 + SHARE * sign * shape(t / TIME_S) / span)


def swelling(rng: np.random.Generator) -> Course:
    """Draw an echo that swells by 3 to 20 dB, and fades."""
    most, by_db = amplitude(rng), rng.uniform(3, 20)
    at_s, wide_s = rng.uniform(0.2, 0.8) * TIME_S, rng.uniform(0.1, 0.4) * TIME_S

    def heard(t: float) -> float:
        bell = math.exp(-(((t - at_s) / wide_s) ** 2) / 2)
        return float(most * 10 ** (-by_db / 20 * (1 - bell)))

    return heard


def constant(value: float) -> Course:
    return lambda _: value


STEADY = constant(SPEED_M_S)


def even(rng: np.random.Generator) -> Course:
    return constant(amplitude(rng))


def swing(rng: np.random.Generator) -> Course:
    """Draw a pendulum of 1 to 100 mm that takes a quarter of the record or thrice as long."""
    middle_m, wide_m = rng.uniform(0.6, 1.6), 10 ** rng.uniform(-3, -1)
    period_s, at = TIME_S * 10 ** rng.uniform(-0.6, 0.5), rng.uniform(0, 2 * math.pi)
    return lambda t: float(middle_m + wide_m * math.sin(2 * math.pi * t / period_s + at))


def crossing(
    closest_m: float, speed_m_s: float, closest_s: float, half_rad: float, most: float
) -> Thing:
    """Return what goes straight through a beam that falls off like a bell."""

    def strength(t: float) -> float:
        off = math.atan2(speed_m_s * (t - closest_s), closest_m) / half_rad
        return float(most * 2 ** (-(off**2) / 2))

    return Thing(
        range_m=lambda t: math.hypot(closest_m, speed_m_s * (t - closest_s)), amplitude=strength
    )


def heard(things: list[Thing], *, seed: int, speed_m_s: Course = STEADY) -> tuple[Passing, ...]:
    made = moving_pings(
        PLAN, [DIRECT, *things], pings=PINGS, rms=RMS, seed=seed, speed_m_s=speed_m_s
    )
    return passings_of(run_of(Receiver(PLAN, INFO), made))


def verdict(passing: Passing, things: list[Thing]) -> str:
    """Say whether what was told of what does not pass is right."""
    told = passing.passage
    if told.kind != "stay":
        return "undecided" if told.kind == "cannot-tell" else "wrong"
    assert told.closest_range_m is not None
    assert told.u_closest_range_m is not None
    places_m = np.array([[thing.range_m(t) for t in passing.time_s] for thing in things])
    away_m = np.abs(places_m - told.closest_range_m)
    return "right" if np.mean(away_m.min(axis=0) <= 2 * told.u_closest_range_m) >= 0.95 else "wrong"


def chance(number: int) -> int:
    """Return how many of so many intervals of 95 % may miss the truth, but once in 1000 times."""
    return int(scipy.stats.binom.isf(1e-3, number, 0.05))


@pytest.mark.parametrize(
    ("drifts", "strength", "undecided"),
    # What is undecided is known from 48 seeds: none, none, and 2 of 80 tracks that faded away.
    [(True, even, 0), (False, swelling, 0), (True, swelling, 3)],
)
def test_what_stands_still_stays_while_the_medium_drifts_and_its_strength_swells(
    drifts: bool,
    strength: Callable[[np.random.Generator], Course],
    undecided: int,
) -> None:
    # Before: of 80 tracks with both, 21 were passes or halves of one and 55 undecided.
    table: Counter[str] = Counter()
    for seed in range(SEEDS):
        rng = np.random.default_rng([seed, 71])
        places = [rng.uniform(0.5, 1.1), rng.uniform(1.3, 1.9)][: 1 + (seed % 3 > 0)]
        things = [Thing(range_m=constant(at), amplitude=strength(rng)) for at in places]
        speed_m_s = drift(rng) if drifts else STEADY
        for passing in heard(things, seed=seed, speed_m_s=speed_m_s):
            assert passing.passage.kind in ("stay", "cannot-tell"), passing_lines([passing])
            table[verdict(passing, things)] += 1
    assert table["wrong"] <= chance(table.total()), table
    assert table["undecided"] <= undecided, table
    assert table["right"] >= SEEDS, table


@pytest.mark.parametrize("strength", [even, swelling])
def test_a_pendulum_is_a_stay_only_within_its_interval(
    strength: Callable[[np.random.Generator], Course],
) -> None:
    # Before: of 57 tracks of even strength 24 were stays, 18 of which did not hold the pendulum,
    # and 3 passes.
    table: Counter[str] = Counter()
    for seed in range(2 * SEEDS):
        rng = np.random.default_rng([seed, 72])
        things = [Thing(range_m=swing(rng), amplitude=strength(rng))]
        table.update(verdict(passing, things) for passing in heard(things, seed=seed))
    assert table["wrong"] <= chance(table.total()), table


def test_a_pass_is_still_told_beside_what_stays() -> None:
    table: Counter[str] = Counter()
    for seed in range(SEEDS):
        rng = np.random.default_rng([seed, 73])
        closest_m, half_rad, most = rng.uniform(0.5, 1.3), rng.uniform(0.1, 0.4), amplitude(rng)
        speed_m_s = 2 * closest_m * math.tan(half_rad) / (rng.uniform(16, 26) * INTERVAL_S)
        closest_s = rng.uniform(0.4, 0.6) * TIME_S

        ball = crossing(closest_m, speed_m_s, closest_s, half_rad, most)
        stays = still(amplitude(rng), closest_m + rng.uniform(0.45, 0.6))
        for passing in heard([ball, stays], seed=seed):
            told = passing.passage
            if told.kind == "stay":
                table["stay " + verdict(passing, [stays])] += 1
                continue
            assert told.kind == "pass", passing_lines([passing])
            assert told.crossing_speed_m_s is not None
            assert told.u_crossing_speed_m_s is not None
            away = (told.crossing_speed_m_s - speed_m_s) / told.u_crossing_speed_m_s
            table["pass right" if abs(away) <= 2 else "pass wrong"] += 1
    assert table["pass right"] + table["pass wrong"] == SEEDS, table
    assert table["stay right"] + table["stay wrong"] == SEEDS, table
    assert max(table["pass wrong"], table["stay wrong"]) <= chance(SEEDS), table
