"""The range error against its bound, and the region below which the bound is no guide.

    python tests/benchmarks/bench_range_error.py

One isolated echo in white noise at a random part of a sample, 400 trials at each 2E/N0;
the search runs over 12.5 ms, some 100 independent cells. "Outliers" are trials in which
noise was stronger than the echo; "foretold" is the textbook's chance of that. RMS and bias
are of the others, over the envelope's Cramér–Rao bound. "By its lobe" is the RMS over the bound
as the lobe's own shape foretells it (``dsp/ping/noise/delay_spread.py``): where a tone or a code
exceeds 1.05 it is that, which is no fault of a search. "Of jumps" is the least that any method
could reach for a tone of hard ends, √4.8 T/d² (Ibragimov and Has'minskii 1981, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from dsp.ping.noise.delay_spread import delay_excess
from dsp.ping.pulse.bounds import delay_bound_s, outlier_probability
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.peaks import refined
from dsp.ping.pulse.pulses import Pulse, barker13, golay_pair, linear_chirp, tone_burst

RATE_HZ, BLOCK, TRIALS, SPEED_M_S = 48_000.0, 4_800, 400, 343.2
TONE_S = 2e-3
SNR_DB = (8, 10, 12, 14, 16, 18, 20, 25, 30, 35, 40)
PULSES = {
    "chirp": linear_chirp(4e3, 12e3, 0.010, RATE_HZ),
    "barker13": barker13(8e3, 2.5e-4, RATE_HZ),
    "golay, one code": golay_pair(8e3, 2.5e-4, 16, RATE_HZ)[0],
    "tone of 2 ms": tone_burst(8e3, TONE_S, RATE_HZ),
    "the same, hard": tone_burst(8e3, TONE_S, RATE_HZ, taper="none"),
}


def main() -> None:
    print(
        "pulse            2E/N0   bound       RMS         RMS/bound  by its lobe  of jumps"
        "  bias/bound  outliers  foretold"
    )
    for name, pulse in PULSES.items():
        for line in rows(pulse, hard=name == "the same, hard"):
            print(f"{name:<15}", line, flush=True)


def rows(pulse: Pulse, *, hard: bool) -> Iterator[str]:
    compress = PulseCompressor(pulse, BLOCK)
    shape = compress.shape
    samples = pulse.samples.astype(float)
    length = 1 << 13
    turning = -2j * np.pi * np.fft.rfftfreq(length, 1 / RATE_HZ)
    spectrum = np.fft.rfft(samples, length)
    centre_turns = (shape.centre_hz - shape.carrier_hz) * shape.bin_s
    lobe_bins = shape.width_s / shape.bin_s
    window = slice(round(0.015 / shape.bin_s), round(0.0275 / shape.bin_s))
    correlated_s = float(np.sum(shape.noise_weights**2)) / shape.offset_hz[1]
    cells = 0.0125 / correlated_s
    mm = 1e3 * SPEED_M_S / 2

    snr_out = 10 ** (np.array(SNR_DB) / 10)
    excess = delay_excess(shape, snr_out)
    for snr_db, d2, by_lobe in zip(SNR_DB, snr_out.tolist(), excess, strict=True):
        bound_s = delay_bound_s(d2, shape.pulse_rms_bandwidth_rad_s)
        rng = np.random.default_rng(snr_db)
        delay_s = (1000 + rng.random(TRIALS)) / RATE_HZ
        echoes = np.fft.irfft(spectrum * np.exp(turning * delay_s[:, np.newaxis]), length)
        amplitude = math.sqrt(d2 / (samples @ samples))
        blocks = amplitude * echoes[:, :BLOCK] + rng.standard_normal((TRIALS, BLOCK))
        envelopes = compress.from_time_zero(compress.band_spectrum(blocks), 0.0)
        best = window.start + np.abs(envelopes[:, window]).argmax(axis=1)
        # End to end: each window is far from where its neighbours begin.
        begin = np.arange(TRIALS) * envelopes.shape[1]
        position, _ = refined(
            envelopes.ravel(), begin + best, lobe_bins=lobe_bins, centre_turns=centre_turns
        )
        error = (position - begin) * shape.bin_s - delay_s
        right = np.abs(error) < shape.width_s
        rms, bias = np.sqrt(np.mean(error[right] ** 2)), error[right].mean()
        of_jumps = f"{math.sqrt(4.8) * TONE_S / d2 / bound_s:8.3f}" if hard else f"{'':8}"
        yield (
            f"{snr_db:>3} dB {mm * bound_s:7.3f} mm {mm * rms:7.3f} mm {rms / bound_s:9.3f}"
            f" {by_lobe:12.3f}  {of_jumps} {bias / bound_s:11.3f} {1 - right.mean():9.1%}"
            f" {outlier_probability(d2, cells):9.1%}"
        )


if __name__ == "__main__":
    main()
