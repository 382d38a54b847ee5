"""What a search for echoes costs, and how well it finds, places and lists them.

    python tests/benchmarks/bench_search.py [section ...]

The sections are cost, bound, alarms, detection, coverage, pairs and resonance; all of
them where none is named. Costs are ratios to one compression of the same block, both
measured in turns in one run. All scenes are invented; noise is white and Gaussian, and
echoes are made by turning the pulse's spectrum, without any code of the search.
"""

from __future__ import annotations

import math
import os
import statistics
import sys
import time
from collections.abc import Callable, Iterator
from functools import partial

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.noise.noise import look_steps
from dsp.ping.noise.noise_grid import noise_grid
from dsp.ping.pulse.bounds import delay_bound_s, detection_probability
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import Peak
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst
from dsp.ping.search.search import find_echoes
from rig.bench.capture import CaptureBlock
from rig.bench.waveforms import pulses_of
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.tank.built_in import built_in

RATE_HZ = 48_000.0
FIRST_PINGS, LATER_PINGS, ROUTE_ROUNDS = 4, 20, 16
"""A stream's first pings also find the mark and learn the pulse: they are told apart. A round has
so many pings that fewer rounds do."""

PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ),
    "hard chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ, taper="none"),
    "barker": barker13(8e3, 2.5e-4, RATE_HZ),
    "golay": golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0],
    "tone": tone_burst(8e3, 1e-3, RATE_HZ),
    "hard tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="none"),
    "round tone": tone_burst(8e3, 1e-3, RATE_HZ, taper="hann"),
}


class Scene:
    """One pulse in white noise of RMS 1."""

    def __init__(self, pulse: Pulse, block: int, weighting: str = "none") -> None:
        self.block = block
        self.compress = PulseCompressor(pulse, block, weighting=weighting)
        self.shape = self.compress.shape
        length = 1 << (block + pulse.samples.size).bit_length()
        self.frequency_hz = np.fft.rfftfreq(length, 1 / RATE_HZ)
        self.spectrum = np.fft.rfft(pulse.samples.astype(float), length)
        self.energy = float(pulse.samples.astype(float) @ pulse.samples)
        self.length = length

    def echo(
        self, delay_s: float, d2_db: float, phase_rad: float = 0.0, colour: object = 1.0
    ) -> NDArray[np.float64]:
        turned = np.exp(1j * (phase_rad - 2 * np.pi * self.frequency_hz * delay_s))
        heard = np.fft.irfft(self.spectrum * turned * colour, self.length)[: self.block]
        return np.asarray(heard * 10 ** (d2_db / 20) / math.sqrt(self.energy))

    def envelope(self, samples: NDArray[np.floating]) -> NDArray[np.complex64]:
        return self.compress.from_time_zero(self.compress.band_spectrum(samples), 0.0)

    def find(self, samples: NDArray[np.floating], rate: float = 1e-6) -> list[Peak]:
        return list(find_echoes(self.envelope(samples), self.shape, false_alarm_rate=rate)[0])


def cost() -> Iterator[str]:
    """Search and route over a compression of the same block."""
    yield f"{'':<34}{'search':>10}{'over one compression':>22}"
    for name in ("bench", "cistern", "trough"):
        tank_scene, plan = built_in(name)
        with open_virtual_tank(plan, scene=tank_scene, seed=1) as tank:
            blocks = list(tank.blocks(FIRST_PINGS + LATER_PINGS))
            receiver = Receiver(plan, tank.info)
        compress = PulseCompressor(_pulse_of(receiver), plan.interval_samples)
        samples = blocks[0].samples[0].astype(np.float32)
        results = list(ping_results(receiver, blocks))
        last = math.ceil(receiver.last_echo_s / receiver.shape.bin_s) + 1
        profile = results[0].profile
        assert profile is not None
        envelope = profile.envelope[:last]
        one, search, first, all_pings = quartiles(
            partial(compress, samples),
            partial(find_echoes, envelope, receiver.shape, false_alarm_rate=1e-6),
            partial(_results, receiver, blocks[:FIRST_PINGS]),
            partial(_results, receiver, blocks),
            rounds=ROUTE_ROUNDS,
        )
        route = (all_pings - first) / LATER_PINGS
        found = len(results[0].echoes)
        yield f"{f'{name}, {found} echoes':<34}{search:>7.0f} µs{search / one:>22.1f}"
        yield f"{f'{name}, block to result':<34}{route:>7.0f} µs{route / one:>22.1f}"
        yield f"{f'{name}, a stream begun':<34}{first:>7.0f} µs{first / one:>22.1f}"
    scene = Scene(PULSES["chirp"], 12_000, "hann")
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(12_000)
    thirty = noise + sum(
        scene.echo(0.01 + 0.007 * i + rng.uniform(0, 2e-3), rng.uniform(20, 60)) for i in range(30)
    )
    fading = np.exp(-np.arange(12_000) / 3000) * (rng.random(12_000) < 0.1)
    scattered = rng.standard_normal(12_000) * fading
    clutter = np.convolve(scattered, PULSES["chirp"].samples)[:12_000]
    square = np.sign(np.sin(2 * np.pi * 8e3 * np.arange(12_000) / RATE_HZ + 0.1))
    cases = {
        "30 echoes": (thirty, 1e-6),
        "heavy clutter": (3 * clutter + 0.01 * noise, 1e-6),
        "noise, false-alarm rate 0.1": (noise, 0.1),
        "zeros": (np.zeros(12_000), 1e-6),
        "square wave": (square, 1e-6),
    }
    for name, (samples, rate) in cases.items():
        samples = samples.astype(np.float32)
        envelope = scene.envelope(samples)
        found = len(find_echoes(envelope, scene.shape, false_alarm_rate=rate)[0])
        one, search = quartiles(
            partial(scene.compress, samples),
            partial(find_echoes, envelope, scene.shape, false_alarm_rate=rate),
        )
        yield f"{f'{name}, {found} listed':<34}{search:>7.0f} µs{search / one:>22.1f}"


def _results(receiver: Receiver, blocks: list[CaptureBlock]) -> list[PingResult]:
    return list(ping_results(receiver, blocks))


def _pulse_of(receiver: Receiver) -> Pulse:
    return pulses_of(receiver.plan)[0]


def bound() -> Iterator[str]:
    """RMS error of one echo over the envelope's bound for a plain filter, by the search."""
    yield f"{'':<14}{'20 dB':>8}{'30 dB':>8}{'40 dB':>8}   (1000 trials tell an RMS to 2.2 %)"
    for name in ("chirp", "barker", "tone"):
        scene = Scene(PULSES[name], 3600)
        row = []
        for d2_db in (20, 30, 40):
            rng = np.random.default_rng(d2_db)
            errors = []
            for _ in range(1000):
                true_s = 0.03 + rng.random() / RATE_HZ
                block = scene.echo(true_s, d2_db, rng.uniform(0, 6.28))
                peaks = scene.find(block + rng.standard_normal(3600))
                if peaks:
                    errors.append(min((p.delay_s - true_s for p in peaks), key=abs))
            rms = math.sqrt(np.mean(np.square(errors)))
            row.append(
                rms / delay_bound_s(10 ** (d2_db / 10), scene.shape.pulse_rms_bandwidth_rad_s)
            )
        yield f"{name:<14}" + "".join(f"{value:>8.3f}" for value in row)


def alarms() -> Iterator[str]:
    """Peaks of noise listed over those asked for."""
    yield f"{'':<22}{'1e-2':>14}{'1e-3':>14}   (± one Poisson spread)"
    for weighting in ("none", "hann"):
        for name, pulse in PULSES.items():
            scene = Scene(pulse, 12_000, weighting)
            weights = scene.shape.noise_weights
            bandwidth_hz = scene.shape.offset_hz[1] / float(np.sum(weights**2))
            cells = float(scene.compress.delay_s[-1]) * bandwidth_hz
            row = []
            for rate in (1e-2, 1e-3):
                rng = np.random.default_rng(5)
                blocks = math.ceil(400 / rate / cells)
                found = sum(
                    len(scene.find(rng.standard_normal(12_000), rate)) for _ in range(blocks)
                )
                expected = rate * cells * blocks
                row.append(f"{found / expected:>7.2f} ±{math.sqrt(found) / expected:4.2f}")
            yield f"{name + ', ' + weighting:<22}" + "".join(f"{value:>14}" for value in row)


def detection() -> Iterator[str]:
    """Chance that an echo is listed, at a false-alarm rate of 1e-4."""
    rate, trials = 1e-4, 400
    yield f"{'':<12}{'d²':>6}{'listed':>9}{'± ':>7}{'cells':>9}{'known':>9}"
    for name in ("chirp", "barker", "tone", "hard tone"):
        scene = Scene(PULSES[name], 6000)
        guard_bins, spacing_bins, alike = look_steps(scene.shape)
        bins = scene.compress.delay_s.size
        cells = noise_grid(bins, guard_bins, spacing_bins, alike=alike).cells
        for d2_db in (10, 11, 12, 13, 14, 15):
            rng = np.random.default_rng(d2_db)
            found = 0
            for _ in range(trials):
                true_s = 0.05 + rng.random() / RATE_HZ
                block = scene.echo(true_s, d2_db, rng.uniform(0, 6.28))
                peaks = scene.find(block + rng.standard_normal(6000), rate)
                found += any(abs(p.delay_s - true_s) < scene.shape.width_s for p in peaks)
            share = found / trials
            foretold = learnt_detection(
                10 ** (d2_db / 10), cell_rate(rate, scene.shape, cells=cells), cells
            )
            spread = math.sqrt(share * (1 - share) / trials)
            yield (
                f"{name:<12}{d2_db:>3} dB{share:>9.3f}{spread:>7.3f}"
                f"{foretold:>9.3f}{detection_probability(10 ** (d2_db / 10), rate):>9.3f}"
            )


def learnt_detection(d2: float, cell_false_alarm_rate: float, cells: float) -> float:
    """Marcum's chance, averaged over what so many independent cells' mean says of the noise."""
    factor = cell_averaging_factor(cell_false_alarm_rate, cells)
    mean = np.random.default_rng(0).gamma(cells, 1 / cells, size=2000)
    return float(np.mean([detection_probability(d2, math.exp(-factor * m)) for m in mean]))


def coverage() -> Iterator[str]:
    """Share of errors within twice the stated uncertainty, and the RMS in terms of it."""
    yield f"{'':<14}{'within 2u':>10}{'RMS/u':>8}   (3000 trials: ± 0.4 %)"
    for name in PULSES:
        scene = Scene(PULSES[name], 3600)
        rng = np.random.default_rng(3)
        scaled = []
        for _ in range(3000):
            true_s = 0.03 + rng.random() / RATE_HZ
            block = scene.echo(true_s, rng.uniform(22, 50), rng.uniform(0, 6.28))
            peaks = scene.find(block + rng.standard_normal(3600))
            if peaks:
                peak = max(peaks, key=lambda p: p.amplitude)
                scaled.append((peak.delay_s - true_s) / peak.u_delay_s)
        inside = np.mean(np.abs(scaled) < 2)
        rms = math.sqrt(np.mean(np.clip(np.square(scaled), 0, 25)))
        yield f"{name:<14}{inside:>10.3f}{rms:>8.3f}"


def pairs() -> Iterator[str]:
    """Two echoes at any phase, the first of 45 dB: how often both are listed, and how well."""
    yield (
        f"{'':<14}{'lobes':>6}{'down':>6}{'both':>7}{'extra':>7}{'within 2u':>10}{'RMS, lobes':>11}"
    )
    trials = 100
    for name, weighting in (("chirp", "none"), ("chirp", "hann"), ("barker", "none")):
        scene = Scene(PULSES[name], 3600, weighting)
        width_s = scene.shape.width_s
        for lobes in (0.6, 0.8, 1.0, 1.5, 2.0, 3.0):
            for down_db in (0, 6, 15):
                rng = np.random.default_rng(7)
                both, extra, inside, errors = 0, 0, [], []
                for _ in range(trials):
                    first_s = 0.03 + rng.random() / RATE_HZ
                    truth = np.array([first_s, first_s + lobes * width_s])
                    block = scene.echo(truth[0], 45, rng.uniform(0, 6.28))
                    block += scene.echo(truth[1], 45 - down_db, rng.uniform(0, 6.28))
                    peaks = scene.find(block + rng.standard_normal(3600))
                    got = np.array([p.delay_s for p in peaks])
                    apart = np.abs(got[:, np.newaxis] - truth)
                    if got.size and (apart.min(axis=0) < 0.3 * width_s).all():
                        both += apart.argmin(axis=0).tolist() in ([0, 1], [1, 0]) or got.size > 2
                    extra += max(got.size - 2, 0)
                    for peak, error_s in zip(peaks, apart.min(axis=1), strict=True):
                        inside.append(error_s < 2 * peak.u_delay_s)
                        errors.append(min(error_s / width_s, 1.0))
                yield (
                    f"{name + ' ' + weighting:<14}{lobes:>6}{down_db:>3} dB{both / trials:>7.2f}"
                    f"{extra / trials:>7.2f}{np.mean(inside):>10.3f}"
                    f"{math.sqrt(np.mean(np.square(errors))):>11.4f}"
                )


def resonance() -> Iterator[str]:
    """Echoes listed for one that a resonance in the band has coloured, of 30 to 75 dB."""
    yield f"{'':<14}{'Q':>4}{'listed':>8}{'none':>7}{'most':>6}"
    trials = 200
    for name, weighting in (
        ("chirp", "none"),
        ("chirp", "hann"),
        ("barker", "none"),
        ("golay", "none"),
        ("tone", "none"),
    ):
        scene = Scene(PULSES[name], 3600, weighting)
        for q in (1.0, 2.0, 3.0):
            rng = np.random.default_rng(7)
            counts = []
            for _ in range(trials):
                true_s, resonance_hz = 0.03 + rng.random() / RATE_HZ, rng.uniform(6e3, 10e3)
                detune = scene.frequency_hz / resonance_hz - resonance_hz / np.maximum(
                    scene.frequency_hz, 1
                )
                block = scene.echo(
                    true_s, rng.uniform(30, 75), rng.uniform(0, 6.28), 1 / (1 + 1j * q * detune)
                )
                counts.append(len(scene.find(block + rng.standard_normal(3600))))
            yield (
                f"{name + ' ' + weighting:<14}{q:>4.0f}{np.mean(counts):>8.2f}"
                f"{np.mean(np.array(counts) == 0):>7.2f}{max(counts):>6}"
            )


SECTIONS: tuple[Callable[[], Iterator[str]], ...] = (
    cost,
    bound,
    alarms,
    detection,
    coverage,
    pairs,
    resonance,
)


def quartiles(*candidates: Callable[[], object], rounds: int = 40) -> list[float]:
    """Lower quartile of the time of each, µs, the candidates taking turns.

    What else the machine does makes a run longer, never shorter.
    """
    for candidate in candidates:
        candidate()
    times: list[list[float]] = [[] for _ in candidates]
    for _ in range(rounds):
        for spent, candidate in zip(times, candidates, strict=True):
            start = time.thread_time()
            candidate()
            spent.append(1e6 * (time.thread_time() - start))
    return [statistics.quantiles(spent, n=4)[0] for spent in times]


def main(wanted: list[str]) -> int:
    for section in SECTIONS:
        if not wanted or section.__name__ in wanted:
            print(f"\n{section.__doc__}\n", flush=True)
            for line in section():
                print(line, flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
