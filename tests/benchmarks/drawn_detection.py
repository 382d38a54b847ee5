"""How faint an echo is listed, pulse by pulse, against the textbook of a known pulse.

    python tests/benchmarks/drawn_detection.py [--pings 400] [--seed 1] [--only tone]

Two echoes stand in each ping at drawn places, by a synthesizer of its own, of a 2E/N0 drawn
evenly between 11 and 21 dB; the receiver lists what it does for a plan of each pulse. A probit line
is fitted to what it listed over the echo's amplitude, and read where it passes a half and nine
tenths. "Short" is by how many dB that lies above what the textbook asks: the envelope of a known
pulse of unknown phase in noise of known power (Marcum's Q, Swerling's case 0), at the plan's
rate of false alarms for each independent bin. What that leaves out is told beside it: the
weighting's own loss, what peaks between the bins cost, and what it costs to learn the noise from
so many cells. A peak's search gives back 0.15 dB, as its place is fitted to it. "±2u" is how many
of the echoes listed between 12 and 18 dB lie within twice what the echo's and the mark's noise
are said to be worth.

References: J. I. Marcum, "A statistical theory of target detection by pulsed radar", *IRE Trans.
Inf. Theory* 6, 1960; S. M. Kay, *Fundamentals of Statistical Signal Processing*, vol. II, 1998,
sect. 7.6.2 (known but for its phase); both from memory.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
from pathlib import Path

import numpy as np
import scipy.optimize
import scipy.stats

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

from made_pings import SPEED_M_S, made_pings

from dsp.ping.noise.false_alarms import cell_averaging_factor, cell_rate
from dsp.ping.search.search import lead_bins
from dsp.ping.search.search_plan import search_plan
from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.bench.waveforms import pulses_of
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import Echo

LOW_DB, HIGH_DB, DIRECT_DB, RMS = 11.0, 21.0, 45.0, 1e-3
STANDS_M = (1.4, 2.2), (3.0, 3.8)
CHIRP = {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.010}
CASES = {
    "chirp": (CHIRP, "none"),
    "chirp, hann": (CHIRP, "hann"),
    "tone of 1 ms": ({"kind": "tone", "centre_hz": 8e3, "duration_s": 1e-3}, "none"),
    "tone of 2 ms": ({"kind": "tone", "centre_hz": 8e3, "duration_s": 2e-3}, "none"),
    "the same, hard": (
        {"kind": "tone", "centre_hz": 8e3, "duration_s": 2e-3, "taper": "none"},
        "none",
    ),
    "barker13": ({"kind": "barker13", "centre_hz": 8e3, "chip_s": 2.5e-4}, "none"),
    "golay": ({"kind": "golay", "centre_hz": 8e3, "chip_s": 2.5e-4, "chips": 16}, "none"),
}


def main() -> None:
    given = argparse.ArgumentParser()
    given.add_argument("--pings", type=int, default=400)
    given.add_argument("--seed", type=int, default=1)
    given.add_argument("--only", default="")
    asked = given.parse_args()
    print(
        "pulse           short at 0.5   short at 0.9    weighting  peaks   noise of cells"
        "    ±2u       false"
    )
    for name, (pulse, weighting) in CASES.items():
        if asked.only in name:
            plan = plan_from_table({"pulse": pulse, "receiver": {"weighting": weighting}})
            print(f"{name:<15}", _row(plan, asked.pings, asked.seed), flush=True)


def _row(plan: Plan, pings: int, seed: int) -> str:
    info = StreamInfo(
        front_end="made", device="made", sample_rate_hz=plan.timing.sample_rate_hz, can_slip=False
    )
    receiver = Receiver(plan, info)
    rng = np.random.default_rng(seed)
    cycle = plan.pulses_per_cycle
    energy = sum(float(np.sum(p.samples.astype(float) ** 2)) for p in pulses_of(plan)) / cycle
    d_db, listed, errors_u, near, false = [], [], [], [], 0
    for ping in range(pings):
        level_db = rng.uniform(LOW_DB, HIGH_DB, 2)
        stands_m = [rng.uniform(*stand) for stand in STANDS_M]
        # What is listed of a pair's pings was heard in both.
        amplitude = 10 ** (level_db / 20) * RMS / math.sqrt(energy * cycle)
        sounds = [(10 ** (DIRECT_DB / 20) * RMS / math.sqrt(energy), 0.0, 0.0)]
        sounds += [(a, r, 0.0) for a, r in zip(amplitude.tolist(), stands_m, strict=True)]
        blocks = made_pings(plan, sounds, pings=cycle, rms=RMS, seed=seed * 1_000_000 + ping)
        *_, last = ping_results(receiver, blocks)
        echoes = list(last.echoes)
        for db, stand_m in zip(level_db.tolist(), stands_m, strict=True):
            best = min(echoes, key=lambda e: abs(e.range_m - stand_m), default=None)
            within_m = receiver.shape.width_s * SPEED_M_S / 2
            found = best is not None and abs(best.range_m - stand_m) < within_m
            d_db.append(db)
            listed.append(found)
            if found and best is not None:
                echoes.remove(best)
                if 12 < db < 18:
                    errors_u.append((best.range_m - stand_m) / _u_noise_m(best))
                    near.append(db)
        false += len(echoes)
    half, most = _passes(np.array(d_db), np.array(listed))
    rate = plan.receiver.false_alarm_rate
    planned = search_plan(
        receiver.shape,
        receiver.search.searched_bins(receiver.shape) + lead_bins(receiver.shape),
        rate,
        False,
    )
    cells = planned.grid.cells
    of_a_cell = cell_rate(rate, receiver.shape, cells=cells)
    ideal, learnt = -math.log(of_a_cell), cell_averaging_factor(of_a_cell, cells)
    within = float(np.mean(np.abs(errors_u) <= 2))
    u_within = math.sqrt(within * (1 - within) / len(errors_u))
    return (
        f" {half[0] - textbook_db(0.5, rate):5.2f} ± {half[1]:.2f}"
        f"   {most[0] - textbook_db(0.9, rate):5.2f} ± {most[1]:.2f}"
        f"     {-10 * math.log10(receiver.shape.efficiency):5.2f} dB"
        f" {10 * math.log10(ideal / -math.log(rate)):5.2f} dB"
        f" {10 * math.log10(learnt / ideal):5.2f} dB of {cells:3.0f}"
        f"   {100 * within:3.0f} ± {100 * u_within:.0f} %   {false}"
    )


def textbook_db(detected: float, rate: float) -> float:
    """2E/N0 at which a cell passes its threshold so often."""
    threshold2 = -2 * math.log(rate)

    def missed(db: float) -> float:
        return float(scipy.stats.ncx2.sf(threshold2, 2, 10 ** (db / 10))) - detected

    return float(scipy.optimize.brentq(missed, 0.0, 30.0))


def _u_noise_m(echo: Echo) -> float:
    if echo.budget is None:
        return math.inf
    return math.hypot(*(t.u for t in echo.budget.terms if t.name in ("delay", "time zero: mark")))


def _passes(d_db: np.ndarray, listed: np.ndarray) -> list[tuple[float, float]]:
    """Return where a probit line over the amplitude passes 0.5 and 0.9, dB, and how surely."""
    d = 10 ** (d_db / 20)

    def unlikely(line: np.ndarray) -> float:
        at = (d - line[0]) / math.exp(line[1])
        return -float(np.sum(scipy.stats.norm.logcdf(np.where(listed, at, -at))))

    best = scipy.optimize.minimize(unlikely, np.array([5.5, 0.0]), method="Nelder-Mead").x
    step = 1e-3
    bend = np.empty((2, 2))
    for (i, j), _ in np.ndenumerate(bend):
        terms = [
            s * t * unlikely(best + step * (s * np.eye(2)[i] + t * np.eye(2)[j]))
            for s, t in itertools.product((1, -1), (1, -1))
        ]
        bend[i, j] = sum(terms) / (4 * step**2)
    spread = np.linalg.inv(bend)
    passes = []
    for share in (0.5, 0.9):
        beyond = float(scipy.stats.norm.ppf(share)) * math.exp(best[1])
        slope = np.array([1.0, beyond])
        at = best[0] + beyond
        u = math.sqrt(slope @ spread @ slope)
        passes.append((20 * math.log10(at), 20 / math.log(10) * u / at))
    return passes


if __name__ == "__main__":
    main()
