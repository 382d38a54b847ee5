"""Streams that slip, with echoes that move, and how often a range is wrong.

    python tests/benchmarks/drawn_slips.py [--draws 400] [--pings 10] [--seed 0]

Each has a direct sound and one to four echoes, from 12 dB weaker to 8 dB louder, of which two in
five move at up to 0.3 m/s. Once, at any sample, the stream loses or repeats samples: as many as
bring an echo into the direct sound's place, or one echo into another's, to a few samples; or a
few; or any number. In three of ten a gain is turned as well. A range is wrong that is farther from
all that stands there than half a sample's path, what a speed does to a chirp, and three of its own
standard uncertainties; after a slip of more than half an interval a ping may be that before or
after it. The streams are made without code of the receiver. All scenes are invented.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.shared.slipping_streams import (
    BASELINE_M,
    PULSES,
    RATE_HZ,
    SPEED_M_S,
    Sounds,
    a_plan,
    heard,
)

INTERVAL_S, FASTEST_M_S = 0.1, 0.3
SURE_DB = 25.0
HALF_SAMPLE_M = SPEED_M_S / RATE_HZ / 2
COUPLING_S = 0.010
"""What moves is off by so much times its speed: 8 kHz of 4 to 12 kHz in 10 ms."""
OFF_M = HALF_SAMPLE_M + COUPLING_S * FASTEST_M_S


def drawn(draw: int, seed: int, pings: int) -> tuple[int, int, int]:
    """Return how many of a drawn stream's pings are good, lost and wrong."""
    random = np.random.default_rng((seed, draw))
    plan = a_plan(str(random.choice(list(PULSES))))
    echoes = int(random.integers(1, 5))
    range_m = np.sort(random.uniform(0.3, 4.0, echoes))
    amplitude = 0.1 * 10 ** (random.uniform(-12, 8, echoes) / 20)
    moves = random.random(echoes) < 0.4
    speed_m_s = np.where(moves, random.uniform(-FASTEST_M_S, FASTEST_M_S, echoes), 0.0)

    def at(ping: int) -> np.ndarray:
        return range_m + speed_m_s * INTERVAL_S * ping

    def sounds(ping: int) -> Sounds:
        return ((0.0, 0.1), *zip(at(ping).tolist(), amplitude.tolist(), strict=True))

    later = (np.hypot(2 * range_m, BASELINE_M) - BASELINE_M) / SPEED_M_S * RATE_HZ
    kind = random.random()
    if kind < 0.45:
        slip = -round(float(random.choice(later))) + int(random.integers(-3, 4))
    elif kind < 0.6:
        apart = float(later[-1] - later[0])
        slip = round(apart) * int(random.choice([-1, 1])) + int(random.integers(-2, 3))
    else:
        most = 60 if kind < 0.8 else plan.interval_samples - 1
        slip = int(random.integers(-most, most + 1))
    gains = [1.0] * pings
    if random.random() < 0.3:
        turned = int(random.integers(1, pings))
        gains[turned:] = [10 ** (random.uniform(-10, 10) / 20)] * (pings - turned)
    place = int(random.integers(0, pings * plan.interval_samples))
    good = lost = wrong = 0
    for ping in heard(
        plan, sounds, slip=slip, at=place, gains=tuple(gains), pings=pings, seed=draw
    ):
        there_m = np.concatenate([at(ping.index + more) for more in (-1, 0, 1)])
        off = (
            np.abs(there_m - echo.range_m).min() > OFF_M + 3 * echo.u_range_m
            for echo in ping.echoes
            if echo.snr_db > SURE_DB
        )
        if ping.lost:
            lost += 1
        elif any(off):
            wrong += 1
        else:
            good += 1
    if wrong:
        print(f"draw {draw}: {wrong} wrong after a slip of {slip} at {place}, {plan.pulse.kind}")
    return good, lost, wrong


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--draws", type=int, default=400)
    parser.add_argument("--pings", type=int, default=10)
    parser.add_argument("--seed", type=int, default=0)
    given = parser.parse_args()
    told = [drawn(draw, given.seed, given.pings) for draw in range(given.draws)]
    good, lost, wrong = (sum(column) for column in zip(*told, strict=True))
    print(f"{good} good, {lost} lost, {wrong} wrong of {good + lost + wrong} pings")


if __name__ == "__main__":
    main()
