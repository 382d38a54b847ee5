"""Finding it in noise: threshold and false alarms, stacking, a pair of codes."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from dsp.ping.noise.noise import TRAINING_CELLS
from dsp.ping.noise.thresholds import noise_doubt, ordered_statistic_threshold, rank_of
from dsp.ping.pulse.bounds import false_alarm_threshold
from dsp.ping.pulse.pulses import BARKER_13, golay_codes
from rig.bench.capture import LEAD_S
from rig.errors import NotHeardError, PlanError
from rig.teach.lessons.air_bench import PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    for_any_bench,
    metres,
    two_digits,
)
from rig.teach.lessons.by_hand import ball_by_tape
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.lobes import envelope_at, u_amplitude
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.scatter import bins_between, cells_in, lone_profiles, scatter_of

# Threshold and false alarms

_RATES = (3e-2, 1e-2, 3e-3, 1e-3)
_ASKED = 1e-2


def _false_alarms(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    del givens
    (step,) = heard
    asked, shape = step.plan.receiver, step.receiver.shape
    bins = bins_between(step, asked.range_start_m, asked.range_stop_m)
    power = np.abs(lone_profiles(step)[:, bins]) ** 2
    spacing = math.ceil((bins.stop - bins.start) / cells_in(step, bins))
    guard = math.ceil(max(1.0, shape.width_s / shape.bin_s)) + 1
    if power.shape[1] <= 2 * guard + 5 * spacing:
        raise NotHeardError(
            f"step {step.step.name}: found too short a stretch of noise between "
            f"{asked.range_start_m:g} and {asked.range_stop_m:g} m; give more range"
        )
    pings, looks = power[:, ::spacing].shape
    training = min(TRAINING_CELLS, (power.shape[1] - 2 * guard - 1) // spacing - 1)
    counts = []
    for rate in _RATES:
        heights = [
            ordered_statistic_threshold(
                row, false_alarm_rate=rate, guard_bins=guard, spacing_bins=spacing
            )[0]
            for row in power
        ]
        counts.append(int(np.count_nonzero((power > np.array(heights))[:, ::spacing])))
    due = [pings * looks * rate for rate in _RATES]
    at = _RATES.index(_ASKED)
    if counts[at] > 3 * due[at] + 10:
        raise NotHeardError(
            f"step {step.step.name}: found {counts[at]} looks over the threshold for noise alone, "
            f"{due[at]:.0f} expected; something stands there: clear the bench, or listen to nearer "
            "ranges only"
        )
    # A count of rare things is as unsure as its root (Poisson). The height of the noise, learnt
    # anew at each ping, is a little wrong for all of its looks together.
    u_counts = [
        math.sqrt(
            max(n, 1)
            + pings * (n / pings * math.log(rate)) ** 2 * noise_doubt(training, rank_of(training))
        )
        for n, rate in zip(counts, _RATES, strict=True)
    ]
    listed = sum(len(r.echoes) for r in step.run.results)
    drawn = np.geomspace(_RATES[0], _RATES[-1], 60)
    return Finding(
        measured=counts[at],
        u_measured=u_counts[at],
        expected=due[at],
        verdict=f"Nothing stood there, and in {pings} pings the noise got over the threshold "
        f"{counts[at]} times. With the threshold {_db(_RATES[-1]) - _db(_ASKED):.1f} dB higher it "
        f"did so {counts[-1]} times. A threshold makes false echoes rare; it makes no end of them.",
        x_label="threshold over the noise / dB",
        y_label=f"false alarms in {pings} pings",
        curves=(
            curve("chance times looks", [_db(r) for r in drawn.tolist()], pings * looks * drawn),
            curve("counted", [_db(r) for r in _RATES], counts, u_counts, measured=True),
        ),
        numbers=(
            ("chance in a look", "threshold / dB", "looks", "counted", "expected"),
            *(
                (f"1 in {1 / r:.0f}", f"{_db(r):.1f}", f"{pings * looks}", f"{n}", f"{d:.1f}")
                for r, n, d in zip(_RATES, counts, due, strict=True)
            ),
            ("the plan's own list", "", "", f"{listed}", ""),
        ),
    )


def _db(rate: float) -> float:
    """Return a threshold over the RMS magnitude of the noise, in dB."""
    return 20 * math.log10(false_alarm_threshold(rate)) - 10 * math.log10(2)


def _false_alarms_on(bench: BenchInUse) -> Part:
    asked, pulse_s = bench.plan.receiver, bench.plan.pulse.duration_s
    # Beyond all that the direct sound leaves behind, which reaches as far as the pulse is long.
    start_m = max(0.6, round(1.05 * bench.speed_m_s * pulse_s / 2 + bench.near_m, 2))
    if not bench.in_air:
        start_m = round(1.05 * bench.speed_m_s * pulse_s / 2 + 0.1, 2)
    stop_m = max(round(1.07 * asked.range_stop_m, 2), start_m)
    room_m = 300.0 * (bench.interval_s - LEAD_S - pulse_s) / 2
    stop_m = min(stop_m, round(0.97 * room_m, 2))
    looks = 0.93 * 2 * (stop_m - start_m) / bench.speed_m_s * bench.bandwidth_hz
    if looks < _FEWEST_LOOKS:
        more_m = start_m + _FEWEST_LOOKS / looks * (stop_m - start_m) if looks > 0 else 2 * start_m
        raise PlanError(
            f"receiver.range_stop_m: found {asked.range_stop_m:g}; from {start_m:.2f} m on, where "
            f"the direct sound is over, that is too short a stretch of noise: give at least "
            f"{more_m:.2g} and a ping interval that holds it, or a shorter pulse"
        )
    return Part(
        name="false-alarms",
        question=Question(
            text="Nothing stands before the pair; there is only noise. The threshold is set so "
            "that noise gets over it by chance once in 100 independent looks. A ping takes some "
            f"{two_digits(looks)} such looks, one behind the other. How many false alarms do 40 "
            "pings give?",
            unit="alarms",
        ),
        steps=(
            Step(
                name="empty",
                set_up="Clear the bench: nothing stands as far as the plan listens, or only what "
                "swallows sound. Keep quiet.",
                scene=bench.scene(noise={"level_db": -60.0}),
                pings=40,
                changes={
                    "receiver": {
                        "stack": 1,
                        "range_start_m": start_m,
                        "range_stop_m": stop_m,
                        "false_alarm_rate": _ASKED,
                        "weighting": "none",
                    }
                },
            ),
        ),
        find=_false_alarms,
        because="Noise is as high as it likes, only seldom. A threshold is set by how often that "
        "may happen, and the false alarms to expect are that chance times the number of looks. The "
        "count itself is chance: next time it is another, by about its root. Raise the threshold "
        "by 2 dB, and nine in ten are gone; but with them every true echo that is as weak.",
        talk=(
            "A sounder pings 5 times a second for an hour, 1000 looks each. What chance do you "
            "set?",
            "Which is worse: to miss a rock, or to see one that is not there?",
        ),
    )


_FEWEST_LOOKS = 20.0


# Stacking

_STACKED = (1, 2, 4, 8, 16)


def _stacking(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    ball_m = givens["ball_m"].value
    echo = echo_near(step, ball_m, within_m=0.1)
    signal = abs(complex(envelope_at(step, echo.delay_s)))
    noises = [
        scatter_of(step, start_m=1.18 * ball_m, stop_m=1.89 * ball_m, stacked=n) for n in _STACKED
    ]
    above_db = [10 * math.log10(2 * signal**2) - noise.level_db for noise in noises]
    gain_db = [level - above_db[0] for level in above_db]
    # Ping by ping and in groups it is the same noise, so that part of its error is alike.
    u_db = [0.0] + [math.hypot(n.u_level_db, noises[0].u_level_db) for n in noises[1:]]
    expected_db = 10 * math.log10(_STACKED[-1])
    drawn = np.linspace(1, _STACKED[-1] * 1.1, 80)
    fell = 10 ** (-gain_db[-1] / 20)
    return Finding(
        measured=gain_db[-1],
        u_measured=u_db[-1],
        expected=expected_db,
        verdict=f"{_STACKED[-1]} pings added up: the noise fell to {100 * fell:.0f} % of its "
        f"amplitude, and the echo stands {gain_db[-1]:.1f} dB higher above it.",
        x_label="pings added up",
        y_label="echo above the noise, against one ping / dB",
        curves=(
            curve("10 log N", drawn, 10 * np.log10(drawn)),
            curve("20 log N: if noise did not add up", drawn, 20 * np.log10(drawn)),
            curve("the ball's echo", _STACKED, gain_db, u_db, measured=True),
        ),
        numbers=(
            ("pings", "2E/N0 / dB", "gained / dB", "10 log N / dB"),
            *(
                (f"{n}", f"{level:.1f}", f"{gain:.1f}", f"{10 * math.log10(n):.1f}")
                for n, level, gain in zip(_STACKED, above_db, gain_db, strict=True)
            ),
        ),
    )


def _hardly_heard_db(bench: BenchInUse, ball_m: float) -> float:
    """Return the noise in which a ball's echo hardly stands out, dB re full scale.

    On the lessons' bench in air, with 96 samples of a pulse, −52 dB drowns a ball at 1.4 m.
    """
    pulse_samples = bench.plan.pulse.duration_s * bench.plan.timing.sample_rate_hz
    energy_db = 10 * math.log10(pulse_samples / 96)
    # What air or water swallows on the way is counted anew; 0.36 dB of it in those −52.
    return -52.0 + energy_db - bench.weaker_db(ball_m, 1.0) + 40 * math.log10(1.4)


def _stacking_on(bench: BenchInUse) -> Part:
    (ball_m,) = bench.places_m(1.4, needs=1.75)
    most = _STACKED[-1]
    return Part(
        name="stacking",
        question=Question(
            text="A small ball hangs still, and its echo hardly stands above the noise. The bench "
            f"adds up {most} pings. By how many decibels does the echo rise above the noise? "
            "(10 dB: ten times the power.)",
            unit="dB",
        ),
        givens=(ball_by_tape(ball_m),),
        steps=(
            Step(
                name="still",
                set_up=f"Hang a small ball still, {metres(ball_m)} away. Nothing may move.",
                scene=bench.scene(
                    {"position_m": [ball_m, 0.0, 0.0]},
                    noise={"level_db": round(_hardly_heard_db(bench, ball_m), 1)},
                ),
                pings=64,
                changes={"receiver": {"stack": 1, "weighting": "none"}},
            ),
        ),
        find=_stacking,
        because="The echo is alike in all pings and adds up to 16 times its amplitude. The noise "
        "is another each time, now for and now against, and adds up to 4 times only: the root of "
        "16. So noise falls to a quarter against the echo, which is 12 dB; with N pings, 10 log N "
        "decibels. It holds for what stands still. What moves by part of a wave between pings is "
        "smeared away.",
        talk=(
            "How many pings for another 12 dB? How long does that take at "
            f"{two_digits(1 / bench.interval_s)} pings a second?",
            "Why not always add up a thousand pings?",
        ),
    )


# A pair of codes

_CHIPS = 16

_MOST_TURNED = 3.0
"""So many per cent of the echo, a quarter of a turn off it, tell that the target has moved."""


def _after_echo(
    step: StepHeard, delay_s: float, lag_s: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Return what stands behind an echo, in per cent of it; its imaginary part is out of step."""
    turns = (step.plan.pulse.centre_hz - step.receiver.shape.carrier_hz) * lag_s
    ratio = envelope_at(step, delay_s + lag_s) / complex(envelope_at(step, delay_s))
    return np.asarray(100 * ratio * np.exp(-2j * np.pi * turns))


def _alike_percent(code: NDArray[np.int64], chips: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return how alike a code is to itself, so many chips later; between chips a straight line."""
    whole = np.correlate(code, code, "full")[code.size - 1 :] / code.size
    return np.asarray(100 * np.interp(chips, np.arange(code.size), whole))


def _coded(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    echoes = [echo_near(h, givens["ball_m"].value, within_m=0.06) for h in heard]
    first, second = golay_codes(_CHIPS)
    one_alone = _alike_percent(first, np.arange(float(_CHIPS)))
    lags = np.arange(1.0, 13.0)
    chip_s = heard[0].step.changes["pulse"]["chip_s"]
    worst = int(np.abs(one_alone[1:]).argmax()) + 1
    behind = [_after_echo(h, e.delay_s, lags * chip_s) for h, e in zip(heard, echoes, strict=True)]
    shown = [values.real for values in behind]
    u_percent = [100 * u_amplitude(h.receiver.shape, e) for h, e in zip(heard, echoes, strict=True)]
    turned = abs(float(behind[1][worst - 1].imag))
    if turned > max(_MOST_TURNED, 5 * u_percent[1]):
        raise NotHeardError(
            f"step {heard[1].step.name}: found {turned:.0f} % of the echo out of step behind it; "
            "the ball moved between the two pings of a pair: hang it still, in still air"
        )
    left = float(shown[1][worst - 1])
    top = int(shown[0].argmax())
    barker_db = 20 * math.log10(max(float(shown[0][top]), 1e-3) / 100)
    fine = np.linspace(0.7, 12.0, 227)
    return Finding(
        measured=left,
        u_measured=u_percent[1],
        expected=0.0,
        verdict=f"Where the first code alone leaves {one_alone[worst]:.0f} % of the echo, the pair "
        f"left {left:.1f} %. The Barker code left "
        f"{shown[0][top]:.1f} %, or {barker_db:.1f} dB.".replace("-", "\N{MINUS SIGN}"),
        x_label="behind the echo / chips",
        y_label="left of the echo / %",
        curves=(
            curve("first code alone", fine, _alike_percent(first, fine)),
            curve("second code alone", fine, _alike_percent(second, fine)),
            curve("Barker code", fine, _alike_percent(np.array(BARKER_13), fine)),
            curve("Barker code heard", lags, shown[0], np.full(12, u_percent[0]), measured=True),
            curve("the pair heard", lags, shown[1], np.full(12, u_percent[1]), measured=True),
        ),
        numbers=(
            ("chips", "first / %", "second / %", "pair heard / %", "Barker / %", "heard / %"),
            *(
                tuple(
                    f"{v:.1f}".replace("-", "\N{MINUS SIGN}") if i else f"{v:.0f}"
                    for i, v in enumerate(row)
                )
                for row in zip(
                    lags,
                    one_alone[1:13],
                    _alike_percent(second, lags),
                    shown[1],
                    _alike_percent(np.array(BARKER_13), lags),
                    shown[0],
                    strict=True,
                )
            ),
        ),
    )


def _coded_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part sends codes")
    (ball_m,) = bench.places_m(2.0, needs=1.35)
    # Of seven cycles, or as many as leave the ball's echo behind most of the pulse; three at least.
    most_s = 0.69 * 2 * ball_m / bench.speed_m_s / _CHIPS
    cycles = max(3, min(7, math.floor(most_s * bench.centre_hz)))
    chip_s = bench.samples_s(cycles / bench.centre_hz)
    room_m = 12 * chip_s * bench.speed_m_s / 2
    first, _ = golay_codes(_CHIPS)
    side = _alike_percent(first, np.arange(float(_CHIPS)))[1:]
    worst = float(side[np.abs(side).argmax()])
    pulse_s = _CHIPS * chip_s
    # Behind the echo the codes are looked at so far.
    least_s = max(0.06, math.ceil(1e3 * bench.room_s(pulse_s, ball_m + room_m)) / 1e3)
    return Part(
        name="coded-pair",
        question=Question(
            text=f"A code of {_CHIPS} steps leaves a false mark behind each echo, with "
            f"{_signed(worst)} % of its amplitude. Its partner leaves one at the same place, "
            f"turned over: {_signed(-worst)} %. Both are sent in turn and added up. How many per "
            "cent of the echo are left there?",
            unit="%",
        ),
        givens=(ball_by_tape(ball_m),),
        steps=tuple(
            Step(
                name=name,
                set_up=f"{do} The bench sends {what}.",
                scene=bench.scene(
                    {"position_m": [ball_m, 0.0, 0.0], "radius_m": 0.06},
                    direct={"level_db": -50.0},
                ),
                pings=16,
                changes={
                    "pulse": pulse,
                    "timing": {"ping_interval_s": least_s},
                    "receiver": {"stack": 1, "weighting": "none"},
                },
            )
            for name, do, what, pulse in (
                (
                    "barker",
                    f"Hang a ball still, {metres(ball_m)} away, with nothing else within "
                    f"{metres(room_m)} behind it.",
                    "the Barker code of 13 steps",
                    {"kind": "barker13", "centre_hz": bench.centre_hz, "chip_s": chip_s},
                ),
                (
                    "pair",
                    "Touch nothing.",
                    f"a pair of codes of {_CHIPS} steps in turn",
                    {
                        "kind": "golay",
                        "centre_hz": bench.centre_hz,
                        "chip_s": chip_s,
                        "chips": _CHIPS,
                    },
                ),
            )
        ),
        find=_coded,
        because="A coded pulse flips its tone over now and then, by a rule; each stretch is called "
        "a chip. Slid along itself it fits at one place, and a little at others: side lobes. The "
        "Barker code keeps all of them to 1/13 of the echo, −22.3 dB. Of a complementary pair "
        "(after Golay) each code has larger ones, but for every one the partner has its opposite: "
        "in the sum nothing is left of them but noise. The price is two pings, and a target that "
        "stands still for both.",
        talk=(
            "What becomes of the trick if the target moves by a quarter of a wave between the "
            "pings?",
            "Why is a long pulse wanted at all?",
        ),
    )


def _signed(percent: float) -> str:
    return f"{percent:.0f}".replace("-", "\N{MINUS SIGN}")


LESSON = Lesson(
    name="finding-it-in-noise",
    title="Finding it in noise",
    minutes=40,
    about="What the threshold lets through, and what lifts an echo out of the noise.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _false_alarms_on, _stacking_on, _coded_on),
    misreading="“Turn the gain up, and it sees more.” Noise and echo rise together, and a lower "
    "threshold shows more that is not there. More energy and more pings help.",
)
