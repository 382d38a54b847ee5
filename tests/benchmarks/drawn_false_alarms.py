"""How often is noise listed? Blocks without any sound, searched as a plan's pings are.

``PYTHONPATH=. python tests/benchmarks/drawn_false_alarms.py [--alarms N] [--kind NAME]``: for
each kind of pulse, in each kind of noise, how many times as many false echoes are listed as the
plan's rate asks for. Blocks are drawn until N are due at the lower rate.
"""

import argparse
import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import independent_s
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import plan_from_table
from rig.run.receiver import Receiver

RATE_HZ = 48000.0
INTERVAL_S = 0.1
RATES = (1e-2, 1e-3)
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01}
CODE = {"centre_hz": 8e3, "chip_s": 2.5e-4}
KINDS = {
    "chirp": (CHIRP, "none"),
    "chirp, no taper": ({**CHIRP, "taper": "none"}, "none"),
    "chirp, hann": (CHIRP, "hann"),
    "tone": ({"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002}, "none"),
    "tone, no taper": (
        {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002, "taper": "none"},
        "none",
    ),
    "tone, hann taper": (
        {"kind": "tone", "centre_hz": 8e3, "duration_s": 0.002, "taper": "hann"},
        "none",
    ),
    "barker13": ({"kind": "barker13", **CODE}, "none"),
    "golay": ({"kind": "golay", **CODE, "chips": 16}, "none"),
    "burst": ({"kind": "burst", "centre_hz": 8e3, "cycles": 8, "ring_s": 3e-4}, "none"),
}
Noise = NDArray[np.floating]


def white(rng: np.random.Generator, samples: int) -> Noise:
    return np.asarray(rng.normal(0, 0.001, samples))


def falling(rng: np.random.Generator, samples: int) -> Noise:
    """3 dB an octave less, as much of a room's noise is."""
    return _coloured(rng, samples, lambda f: 1 / np.sqrt(np.maximum(f, 50.0)))


def dull(rng: np.random.Generator, samples: int) -> Noise:
    """12 dB an octave less above 1 kHz, as of a fan, over a converter's white noise."""
    fan = _coloured(rng, samples, lambda f: 1 / (1 + (f / 1e3) ** 2))
    return fan + 0.03 * white(rng, samples)


def ringing(rng: np.random.Generator, samples: int) -> Noise:
    """A resonance of 200 Hz at 9 kHz, 20 dB out of white noise."""
    return _coloured(rng, samples, lambda f: 10 / np.sqrt(1 + ((f - 9e3) / 100) ** 2)) + white(
        rng, samples
    )


def hum(rng: np.random.Generator, samples: int) -> Noise:
    """Mains hum of 0.2 with 40 harmonics, in white noise."""
    t, base_hz = np.arange(samples) / RATE_HZ, rng.uniform(49.9, 50.1)
    lines = (0.2 / k * np.sin(2 * np.pi * (base_hz * k * t + rng.uniform())) for k in range(1, 41))
    return np.asarray(white(rng, samples) + np.sum(list(lines), axis=0))


def clicks(rng: np.random.Generator, samples: int) -> Noise:
    """50 clicks a second, 20 to 200 times the white noise that they stand in."""
    noise = white(rng, samples)
    at = rng.integers(0, samples, size=rng.poisson(50 * samples / RATE_HZ))
    noise[at] += 0.001 * rng.uniform(20, 200, at.size) * rng.choice([-1, 1], at.size)
    return noise


def _coloured(rng: np.random.Generator, samples: int, amplitude: Callable[[Noise], Noise]) -> Noise:
    # Drawn longer than it is used, so that its end does not run into its beginning.
    longer = 2 * samples
    spectrum = np.fft.rfft(rng.normal(0, 0.001, longer))
    spectrum *= amplitude(np.fft.rfftfreq(longer, 1 / RATE_HZ))
    return np.asarray(np.fft.irfft(spectrum, longer)[:samples])


NOISES = {each.__name__: each for each in (white, falling, dull, ringing, hum, clicks)}


def listed(
    kind: str, noise: str, *, alarms: float, rng: np.random.Generator
) -> tuple[list[int], float]:
    """Return how many were listed at each of the rates, and in how many independent bins."""
    pulse, weighting = KINDS[kind]
    plan = plan_from_table(
        {
            "pulse": pulse,
            "timing": {"ping_interval_s": INTERVAL_S, "sample_rate_hz": RATE_HZ},
            "receiver": {"weighting": weighting, "range_start_m": 0.2, "range_stop_m": 12.0},
            "geometry": {"baseline_m": 0.05, "time_zero": "calibration"},
        }
    )
    info = StreamInfo(front_end="replay", device="drawn noise", sample_rate_hz=RATE_HZ)
    receiver = Receiver(plan, info)
    counted, cells, block_number = [0] * len(RATES), 0.0, 0
    while cells * min(RATES) < alarms:
        pings = []
        for _ in range(16):
            samples = NOISES[noise](rng, plan.interval_samples)
            block = CaptureBlock(
                index=block_number,
                samples=samples[np.newaxis].astype(np.float32),
                start_sample=block_number * plan.interval_samples,
                mark_s=0.005,
                pulse_index=block_number % plan.pulses_per_cycle,
            )
            block_number += 1
            pings.append((block, receiver.known_time_zero(block)))
        receiver.look_ahead([block for block, _ in pings])
        profiles = receiver.profiles(pings)
        placed = [(profile, zero) for profile, (_, zero) in zip(profiles, pings, strict=True)]
        for profile, zero in placed:
            shape = receiver.shape if profile.shape is None else profile.shape
            from_s = receiver.search._listed_from_s(zero, shape)
            to_s = min(receiver.search._reach_s[1], profile.envelope.size * profile.bin_s)
            cells += (to_s - from_s) / independent_s(shape)
        # Each by itself: what a laxer rate finds counts as found for a stricter one.
        for number, rate in enumerate(RATES):
            found = receiver.search.found_each(placed, rates=(rate,))
            counted[number] += sum(len(each.at(0)) for each in found)
    return counted, cells


def _main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--alarms", type=float, default=100.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", choices=KINDS, action="append")
    parser.add_argument("--noise", choices=NOISES, action="append")
    given = parser.parse_args()
    print(f"{'listed over asked for':24}" + "".join(f"{rate:>9g}" for rate in RATES) + "   spread")
    for kind in given.kind or KINDS:
        for noise in given.noise or NOISES:
            rng = np.random.default_rng([given.seed, *kind.encode(), *noise.encode()])
            counted, cells = listed(kind, noise, alarms=given.alarms, rng=rng)
            shares = [n / (rate * cells) for n, rate in zip(counted, RATES, strict=True)]
            spread = 1 / math.sqrt(cells * min(RATES))
            print(
                f"{kind + ', ' + noise:24}"
                + "".join(f"{share:9.2f}" for share in shares)
                + f"{spread:9.2f}",
                flush=True,
            )


if __name__ == "__main__":
    _main()
