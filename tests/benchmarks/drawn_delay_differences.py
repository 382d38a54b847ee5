"""Delays between two receivers over their bound, and how often a decided cycle is the wrong one.

``PYTHONPATH=. python tests/benchmarks/drawn_delay_differences.py [--trials N]``: one echo in
white noise, receivers 200 mm apart (1.7 cycles of 8 kHz to either side). "Decided" are those
whose cycle the envelope tells; RMS over the bound with the carrier's phase for these, and over
the envelope's for the others.
"""

import argparse
import math

import numpy as np

from dsp.ping.pair.delay_differences import delay_difference
from dsp.ping.pulse.pulses import linear_chirp, tone_burst
from tests.shared.two_hearings import TwoChannels

LONGEST_S = 0.2 / 343.2
RATE_HZ = 48_000.0


def _rms(values: np.ndarray) -> float:
    return math.sqrt(np.mean(values**2)) if values.size else math.nan


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=300)
    given = parser.parse_args()
    pulses = {
        "chirp 4 to 12 kHz, 5 ms": linear_chirp(4e3, 12e3, 0.005, RATE_HZ),
        "tone 8 kHz, 1 ms": tone_burst(8e3, 1e-3, RATE_HZ),
    }
    for name, pulse in pulses.items():
        channels = TwoChannels(pulse)
        print(name)
        print("2E/N0, dB  found  decided  wrong  RMS/bound decided  open  within k = 2")
        for snr_db in (18, 20, 22, 25, 28, 30, 40):
            random = np.random.default_rng(snr_db)
            rows = []
            for _ in range(given.trials):
                later_s = random.uniform(-LONGEST_S, LONGEST_S)
                pair = channels.both(random.uniform(0.005, 0.02), later_s, snr_db, random)
                if pair is None:
                    continue
                found = delay_difference(*pair, channels.shape, longest_s=LONGEST_S)
                error_s = found.delay_s - later_s
                wrong = found.by_phase and abs(error_s) > found.cycle_s / 2
                within = abs(error_s) <= 2 * found.u_delay_s
                rows.append((error_s / found.bound_s, found.by_phase, wrong, within))
            over, decided, wrong, within = np.array(rows, dtype=float).T
            print(
                f"{snr_db:9d}  {len(rows):5d}  {int(decided.sum()):7d}  {int(wrong.sum()):5d}  "
                f"{_rms(over[decided > 0]):17.3f}  {_rms(over[decided == 0]):.3f}  "
                f"{within.mean():12.3f}"
            )


if __name__ == "__main__":
    _main()
