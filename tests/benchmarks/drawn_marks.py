"""How far off time zero is by what a mark alone went through, and how often that is stated.

    python tests/benchmarks/drawn_marks.py [--each 40] [--seed 1] [--pulse chirp] [--way one]

A direct sound of a 2E/N0 drawn evenly between 30 and 70 dB goes through what is drawn, and one
echo 6 to 20 dB below it through nothing, by a synthesizer of its own: delays are turns of the
spectrum, filters their own formulas. "Told" are those whose bounce was taken off, "bound" those of
which the shape only says how late they may be, "copy" those that pass for a copy of the pulse.
"Louder" bounces are so by 0 to 10 dB, 0.02 to 0.22 ms behind. Beside each: how many are off by more
than 2u and 3u, and the mean u in mm of range. Bounces come 0.02 to 0.5 ms behind at −3 to −20 dB
with either sign. What a low-pass above the band does is a delay and all but no colour, which no
shape tells: where it passes for a copy, or a bounce is told behind it, its delay is missed. Some
0.06 s of processor time each.
"""

from __future__ import annotations

import argparse
import functools
import math
import unittest.mock
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound import went_through
from dsp.ping.first_sound.likeness import Look, u_by_shape_s
from dsp.ping.pulse.echo_shape import EchoShape
from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.plan import plan_from_table
from rig.bench.waveforms import pulses_of
from rig.run.receiver import Receiver

RATE_HZ, BLOCK, LENGTH, BASELINE_M = 48_000.0, 9600, 1 << 14, 0.12
FREQUENCY_HZ = np.fft.rfftfreq(LENGTH, 1 / RATE_HZ)
TURNED = 2j * np.pi * FREQUENCY_HZ

Way = NDArray[np.complex128]

PULSES = {
    "chirp": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.01},
    "barker13": {"kind": "barker13", "centre_hz": 8e3, "chip_s": 2.5e-4},
    "golay": {"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16},
    "tone of 1 ms": {"kind": "tone", "centre_hz": 8e3, "duration_s": 1e-3},
    "tone of 2 ms": {"kind": "tone", "centre_hz": 8e3, "duration_s": 2e-3},
}


def bounces(random: np.random.Generator, count: int) -> Way:
    """As many more behind the first."""
    way = np.ones(FREQUENCY_HZ.size, dtype=np.complex128)
    for _ in range(count):
        share = random.choice([-1, 1]) * 10 ** (-random.uniform(3, 20) / 20)
        way += share * np.exp(-TURNED * random.uniform(2e-5, 5e-4))
    return way


def louder(random: np.random.Generator) -> Way:
    """One behind the first that is louder than it."""
    share = random.choice([-1, 1]) * 10 ** (random.uniform(0, 10) / 20)
    return np.asarray(1 + share * np.exp(-TURNED * random.uniform(2e-5, 2.2e-4)))


def butterworth(over: NDArray[np.complexfloating], order: int) -> Way:
    """Poles evenly on a circle; `over` is jω over the corner's, or its inverse for a high-pass."""
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    return np.asarray(np.prod(-poles / (over[:, np.newaxis] - poles), axis=1))


def low_pass(random: np.random.Generator, order: int = 0) -> Way:
    """Order 1 to 4 where none is given, from 5 to 20 kHz."""
    over = 1j * FREQUENCY_HZ / random.uniform(5e3, 20e3)
    return butterworth(over, order or int(random.integers(1, 5)))


def high_pass(random: np.random.Generator) -> Way:
    """Order 1 to 4, from 1.5 to 5 kHz."""
    over = random.uniform(1.5e3, 5e3) / (1j * np.maximum(FREQUENCY_HZ, 1.0))
    return butterworth(over, int(random.integers(1, 5)))


def resonance(random: np.random.Generator) -> Way:
    """One that lifts or sinks by 2 to 12 dB."""
    turned, quality = 1j * FREQUENCY_HZ / random.uniform(3e3, 15e3), random.uniform(0.7, 6)
    lift = 10 ** (random.choice([-1, 1]) * random.uniform(2, 12) / 20)
    return np.asarray(
        (1 + lift * turned / quality + turned**2) / (1 + turned / quality + turned**2)
    )


def sampled_pole(random: np.random.Generator) -> Way:
    """A low-pass as a sampled chain makes it, later than an analog one by half a sample."""
    pole = math.exp(-2 * math.pi * random.uniform(3e3, 15e3) / RATE_HZ)
    later = np.exp(-TURNED / RATE_HZ)
    return np.asarray((1 + later) / 2 * (1 - pole) / (1 - pole * later))


WAYS: dict[str, Callable[[np.random.Generator], Way]] = {
    "nothing": lambda random: bounces(random, 0),
    "one bounce": lambda random: bounces(random, 1),
    "two": lambda random: bounces(random, 2),
    "three": lambda random: bounces(random, 3),
    "resonance": resonance,
    "from the side": lambda random: np.exp(-((FREQUENCY_HZ / random.uniform(6e3, 20e3)) ** 2)) + 0j,
    "high-pass": high_pass,
    "sampled pole": sampled_pole,
    **{f"low-pass of {order}": functools.partial(low_pass, order=order) for order in (1, 2, 3, 4)},
    "high- and low-pass": lambda random: high_pass(random) * low_pass(random),
    "one and low-pass": lambda random: bounces(random, 1) * low_pass(random),
    "louder": louder,
}


def one(
    receiver: Receiver, way: Way, random: np.random.Generator
) -> tuple[str, float, float] | None:
    """Return what is said of a mark, by how many u it is off, and u in m; None where it is lost."""
    (pulse, *_) = pulses_of(receiver.plan)
    spectrum = np.fft.rfft(pulse.samples.astype(float), LENGTH)
    first_s, apart_s = 0.012 + random.uniform(0, 1) / RATE_HZ, random.uniform(4e-3, 12e-3)
    level = 0.4 / np.abs(way).max()
    echo = 10 ** (-random.uniform(6, 20) / 20) * np.exp(-TURNED * apart_s)
    sounds = level * (way + echo) * np.exp(-TURNED * first_s)
    energy = float(np.sum(np.fft.irfft(spectrum * way * level, LENGTH) ** 2))
    rms = math.sqrt(energy / 10 ** (random.uniform(30, 70) / 10))
    samples = np.fft.irfft(spectrum * sounds, LENGTH)[:BLOCK] + rms * random.standard_normal(BLOCK)
    block = CaptureBlock(
        index=0, samples=samples[np.newaxis].astype(np.float32), start_sample=0, mark_s=first_s
    )
    mark = receiver.marks.find(block, due_s=first_s, anywhere=True)
    if mark is None:
        return None
    bounded: list[Look] = []

    def bound(sound: Look, others: Sequence[Look], shape: EchoShape) -> float:
        bounded.append(sound)
        return u_by_shape_s(sound, others, shape)

    with unittest.mock.patch.object(went_through, "u_by_shape_s", bound):
        bias = receiver.mark_bias(block, mark)
    zero = receiver.time_zero(mark, bias)
    off_s = zero.delay_s + BASELINE_M / receiver.sound_speed_m_s - first_s
    said = "bound" if bounded else ("told" if bias.whole else "copy")
    u_s = math.hypot(zero.u_delay_s, zero.u_shape_s)
    return said, abs(off_s) / u_s, u_s * receiver.sound_speed_m_s / 2


def main() -> None:
    """Draw, and print the table."""
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("--each", type=int, default=40)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--pulse", default="")
    given.add_argument("--way", default="")
    asked = given.parse_args()
    kinds = ("told", "bound", "copy")
    print(f"{'':33}" + "".join(f"{said:>6} over 2u   3u  mean u" for said in kinds))
    info = StreamInfo(front_end="replay", device="drawn", sample_rate_hz=RATE_HZ)
    timing = {"ping_interval_s": BLOCK / RATE_HZ, "sample_rate_hz": RATE_HZ}
    for pulse in (name for name in PULSES if asked.pulse in name):
        table = {"pulse": PULSES[pulse], "timing": timing, "geometry": {"baseline_m": BASELINE_M}}
        receiver = Receiver(plan_from_table(table), info)
        for number, (words, drawn) in enumerate(WAYS.items()):
            if asked.way not in words:
                continue
            streams = (np.random.default_rng([asked.seed, number, k]) for k in range(asked.each))
            found = [said for r in streams if (said := one(receiver, drawn(r), r))]
            line = f"{pulse:13} {words:19}"
            for kind in kinds:
                off_u = np.array([off for said, off, _ in found if said == kind])
                u_mm = 1e3 * np.array([u_m for said, _, u_m in found if said == kind])
                mean = f"{u_mm.mean():8.2f}" if u_mm.size else f"{'':8}"
                line += f"{off_u.size:6}{np.sum(off_u > 2):8}{np.sum(off_u > 3):5}{mean}"
            print(line, flush=True)


if __name__ == "__main__":
    main()
