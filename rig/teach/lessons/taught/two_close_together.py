"""Two things close together: a burst's length, a chirp's band, compression, side lobes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.ranging import path_from_range_m
from rig.run.results import Echo
from rig.teach.lessons.air_bench import FACE_RADIUS_M
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    centimetres,
    easy_below,
    for_any_bench,
    khz,
    metres,
    milliseconds,
    two_digits,
)
from rig.teach.lessons.by_hand import ball_by_tape
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.levels import NEPER_DB
from rig.teach.lessons.lobes import Mark, envelope_at, mark_of, u_amplitude
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.scatter import scatter_of

_HALF_POWER = math.sqrt(0.5)

_PLAN: Mapping[str, Any] = {
    "pulse": {"kind": "chirp", "start_hz": 12e3, "stop_hz": 16e3, "duration_s": 0.008},
    "timing": {"sample_rate_hz": 48000, "ping_interval_s": 0.06},
    "receiver": {"range_start_m": 0.5, "range_stop_m": 3.0},
    "medium": {"kind": "air", "temperature_c": 20.0, "humidity_percent": 50.0},
    "geometry": {"baseline_m": 0.06, "time_zero": "direct"},
    "transducer": {"shape": "piston", "radius_m": FACE_RADIUS_M},
}


def _ball_m(bench: BenchInUse) -> float:
    """Return where the ball hangs, with room behind it."""
    return bench.places_m(1.8, needs=1.5)[0]


def _balls(bench: BenchInUse, *ranges_m: float, noise_db: float = -75.0) -> dict[str, Any]:
    targets = [{"radius_m": 0.06, "position_m": [r, 0.0, 0.0]} for r in ranges_m]
    return bench.scene(*targets, noise={"level_db": noise_db}, direct={"level_db": -50.0})


def _sends(
    bench: BenchInUse, receiver: Mapping[str, Any] | None = None, **pulse: Any
) -> dict[str, Any]:
    """Return what a step changes: its pulse, and a receiver that neither stacks nor weights."""
    asked = {"weighting": "none", "stack": 1, **(receiver or {})}
    return {
        "pulse": {"taper": "none", **pulse},
        "receiver": asked,
        **bench.long_enough(pulse["duration_s"]),
    }


def _burst(bench: BenchInUse, duration_s: float) -> dict[str, Any]:
    return _sends(bench, kind="tone", centre_hz=bench.centre_hz, duration_s=duration_s)


def _chirp(
    bench: BenchInUse, low_hz: float, high_hz: float, duration_s: float, **receiver: Any
) -> dict[str, Any]:
    how = {"kind": "chirp", "start_hz": low_hz, "stop_hz": high_hz, "duration_s": duration_s}
    return _sends(bench, receiver, **how)


def _longest_s(bench: BenchInUse, share: float) -> float:
    """Return how long a pulse may be for its way to be so large a share of that to the ball."""
    return 2 * share * _ball_m(bench) / bench.speed_m_s


def _ball_echo(heard: StepHeard, givens: Mapping[str, Given]) -> Echo:
    return echo_near(heard, givens["ball_m"].value, within_m=0.05)


def _c_of(heard: StepHeard) -> float:
    return heard.receiver.sound_speed_m_s


def _with_speed(heard: StepHeard, mark: Mark) -> float:
    """Return a mark's standard uncertainty in metres, with that of the sound speed."""
    share = heard.receiver.u_sound_speed_m_s / _c_of(heard)
    return math.hypot(mark.u_length_m, mark.length_m * share)


# A burst's length


def _burst_length(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    sent_ms = [1e3 * h.plan.pulse.duration_s for h in heard]
    marks = [mark_of(h, _ball_echo(h, givens), level=0.5) for h in heard]
    long_cm = [1e2 * m.length_m for m in marks]
    u_cm = [1e2 * _with_speed(h, m) for h, m in zip(heard, marks, strict=True)]
    speed = _c_of(heard[-1])
    expected_cm = [0.1 * speed / 2 * ms for ms in sent_ms]
    # A burst is whole samples long: each of its ends may lie anywhere within half a sample.
    u_ends_cm = 1e2 * speed / 2 / heard[-1].plan.timing.sample_rate_hz / math.sqrt(6)
    drawn_ms = np.linspace(0.0, 1.15 * max(sent_ms), 50)
    return Finding(
        measured=long_cm[-1],
        u_measured=u_cm[-1],
        expected=expected_cm[-1],
        u_expected=u_ends_cm,
        verdict=f"One ball, and its mark is {long_cm[-1]:.1f} cm long with a burst of "
        f"{sent_ms[-1]:.3g} ms, {long_cm[0]:.1f} cm with one of {sent_ms[0]:.3g} ms. A second ball "
        "less than that behind it would share its mark.",
        x_label="length of the burst / ms",
        y_label="length of the mark / cm",
        curves=(
            curve("half of what sound travels in it", drawn_ms, 0.1 * speed / 2 * drawn_ms),
            curve("the ball's mark", sent_ms, long_cm, u_cm, measured=True),
        ),
        numbers=(
            ("step", "burst / ms", "mark / cm", "half its way / cm"),
            *(
                (h.step.name, f"{ms:.3g}", f"{cm:.2f}", f"{due:.2f}")
                for h, ms, cm, due in zip(heard, sent_ms, long_cm, expected_cm, strict=True)
            ),
        ),
    )


def _burst_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("it rings on after each burst, and this part sends plain tones")
    ball_m = _ball_m(bench)
    longest_s = easy_below(min(28.1 / bench.centre_hz, _longest_s(bench, 0.22)))
    sent_s = [bench.samples_s(longest_s / n) for n in (4, 2, 1)]
    room = metres(max(0.3 * ball_m, 1.5 * bench.speed_m_s / 2 * longest_s))
    return Part(
        name="burst-length",
        question=Question(
            text=f"A burst of {milliseconds(sent_s[-1])} goes out, sound travels "
            f"{two_digits(bench.speed_m_s)} m in a second, and a ball sends it back. How many "
            "centimetres long is the ball's mark, between its two ends at half height?",
            unit="cm",
        ),
        givens=(ball_by_tape(ball_m),),
        steps=tuple(
            Step(
                name=name,
                set_up=f"{do} Nothing else may stand within {room} of it. "
                f"The bench sends a burst of {milliseconds(duration_s)}.",
                scene=_balls(bench, ball_m),
                changes=_burst(bench, duration_s),
            )
            for name, do, duration_s in zip(
                ("short", "longer", "longest"),
                (f"Hang one ball {metres(ball_m)} away.", "Touch nothing.", "Touch nothing."),
                sent_s,
                strict=True,
            )
        ),
        find=_burst_length,
        because="While the front of the burst is already on its way back, its end is still going "
        "out. So two things share one mark unless one is farther than the other by half of what "
        "sound travels during the burst: c·T/2, with sound speed c and length T. This is called "
        "the range resolution. The mark says nothing of how long the thing is: a ball is only "
        "12 cm thick.",
        talk=(
            "A sounder in water (1480 m/s) sends bursts of 0.1 ms. How close together may two fish "
            "swim, one above the other, and still be two?",
            "Two fish at one depth, side by side: does a shorter burst help?",
        ),
    )


# A chirp's band


def _lfm_lobe(bandwidth_hz: float, duration_s: float) -> float:
    """Return a compressed chirp's width at half power, in seconds.

    By the closed form |sin(πBτ(1 − |τ|/T)) / (πBτ)| of an untapered chirp: J. R. Klauder
    et al., *Bell Syst. Tech. J.* 39, 1960 (from memory). A long chirp's comes to 0.88589/B.
    """
    lag = np.linspace(1e-6, 0.9, 200_000) / bandwidth_hz
    x = np.pi * bandwidth_hz * lag
    shape = np.abs(np.sin(x * (1 - lag / duration_s)) / x)
    return 2 * float(lag[np.flatnonzero(shape < _HALF_POWER)[0]])


_U_FORMULA = 0.005
"""Of that form, as a share: air and faces weaken one end of the band by a decibel or so."""


def _bandwidth(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    asked = [h.step.changes["pulse"] for h in heard]
    swept_hz = [abs(p["stop_hz"] - p["start_hz"]) for p in asked]
    sent_s = heard[-1].plan.pulse.duration_s
    marks = [mark_of(h, _ball_echo(h, givens), level=_HALF_POWER) for h in heard]
    long_cm = [1e2 * m.length_m for m in marks]
    u_cm = [1e2 * _with_speed(h, m) for h, m in zip(heard, marks, strict=True)]
    speed = _c_of(heard[-1])
    expected_cm = [1e2 * speed / 2 * _lfm_lobe(b, sent_s) for b in swept_hz]
    drawn_hz = np.linspace(0.8 * min(swept_hz), 1.1 * max(swept_hz), 60)
    drawn_cm = [1e2 * speed / 2 * _lfm_lobe(float(b), sent_s) for b in drawn_hz]
    return Finding(
        measured=long_cm[-1],
        u_measured=u_cm[-1],
        expected=expected_cm[-1],
        u_expected=_U_FORMULA * expected_cm[-1],
        verdict=f"All chirps were {1e3 * sent_s:g} ms long: a burst so long leaves a mark of "
        f"{1e2 * speed / 2 * sent_s:.0f} cm. Swept over {swept_hz[0] / 1e3:g} kHz the mark is "
        f"{long_cm[0]:.1f} cm long, over {swept_hz[-1] / 1e3:g} kHz {long_cm[-1]:.2f} cm.",
        x_label="bandwidth: how far the chirp slides / kHz",
        y_label="length of the mark at half power / cm",
        curves=(
            curve("by the chirp's formula", drawn_hz / 1e3, drawn_cm),
            curve("rule of thumb, c/(2B)", drawn_hz / 1e3, 1e2 * speed / (2 * drawn_hz)),
            curve("the ball's mark", np.array(swept_hz) / 1e3, long_cm, u_cm, measured=True),
        ),
        numbers=(
            ("step", "bandwidth / kHz", "mark / cm", "expected / cm", "c/(2B) / cm"),
            *(
                (
                    h.step.name,
                    f"{b / 1e3:g}",
                    f"{cm:.2f}",
                    f"{due:.2f}",
                    f"{1e2 * speed / (2 * b):.2f}",
                )
                for h, b, cm, due in zip(heard, swept_hz, long_cm, expected_cm, strict=True)
            ),
        ),
    )


_BANDS = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)


def _bandwidth_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part sends chirps")
    ball_m, speed_m_s, centre_hz = _ball_m(bench), bench.speed_m_s, bench.centre_hz
    widest_hz = easy_below(0.572 * centre_hz, _BANDS)
    sent_s = bench.samples_s(min(64 / widest_hz, _longest_s(bench, 0.77)))
    swept_hz = [widest_hz / n for n in (4, 2, 1)]
    ends_hz = [(centre_hz - b / 2, centre_hz + b / 2) for b in swept_hz]
    low_hz, high_hz = ends_hz[-1]
    as_burst, as_short = (speed_m_s / 2 * each for each in (sent_s, 1 / widest_hz))
    return Part(
        name="bandwidth",
        question=Question(
            text=f"A chirp of {milliseconds(sent_s)} slides from {khz(low_hz)} to {khz(high_hz)}: "
            f"its bandwidth is {khz(widest_hz)}. A burst of {milliseconds(sent_s)} would leave a "
            f"mark {centimetres(as_burst)} long; one of {milliseconds(1 / widest_hz)}, which has "
            f"that bandwidth, one of {centimetres(as_short)}. How many centimetres long is the "
            "mark of the compressed chirp, between its ends at half power?",
            unit="cm",
        ),
        givens=(ball_by_tape(ball_m),),
        steps=tuple(
            Step(
                name=name,
                set_up=f"{do} The bench sends a chirp of {milliseconds(sent_s)}, {khz(low)} to "
                f"{khz(high)}.",
                scene=_balls(bench, ball_m),
                changes=_chirp(bench, low, high, sent_s),
            )
            for name, do, (low, high) in zip(
                ("narrow", "wider", "widest"),
                (
                    f"Hang one ball {metres(ball_m)} away, with nothing else near it.",
                    "Touch nothing.",
                    "Touch nothing.",
                ),
                ends_hz,
                strict=True,
            )
        ),
        find=_bandwidth,
        because="A chirp is a tone that slides. Compressed, which means that a copy of it is slid "
        "along what was heard, it fits at one place only, and the farther it slides the sharper "
        "that place is. Its length no longer counts; its bandwidth B does. The rule of thumb for "
        "the nearest two things that still show as two is c/(2B); at half power the mark is 0.89 "
        "of that.",
        talk=(
            "Twice the bandwidth: how long is the mark? Twice the length of the chirp: how long?",
            "What stops us from sliding from 0 to 1 000 000 Hz?",
        ),
    )


# Compression


def _parted(heard: StepHeard, near_m: float, far_m: float) -> int:
    """Count the marks of two things: two, where the envelope dips between by 3 dB at least."""
    paths_m = path_from_range_m(np.linspace(near_m, far_m, 201), heard.plan.geometry.baseline_m)
    amplitude = np.abs(envelope_at(heard, paths_m / _c_of(heard)))
    lesser = min(amplitude[:60].max(), amplitude[-60:].max())
    return 2 if amplitude[60:-60].min() < _HALF_POWER * lesser else 1


def _compression(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    near_m = givens["ball_m"].value
    far_m = near_m + givens["behind_m"].value
    sent_ms = [1e3 * h.plan.pulse.duration_s for h in heard]
    above_db, u_db = [], []
    for h in heard:
        peak = _near_peak(h, near_m, within_m=0.3 * givens["behind_m"].value)
        noise = scatter_of(h, start_m=far_m + 0.08 * near_m, stop_m=far_m + 0.4 * near_m)
        pings = len([r for r in h.run.results if r.alone is not None])
        snr = 2 * peak**2 / noise.power
        above_db.append(10 * math.log10(snr))
        u_db.append(math.hypot(NEPER_DB / math.sqrt(snr * pings), noise.u_level_db))
    marks = [_parted(h, near_m, far_m) for h in heard]
    gain_db = [level - above_db[0] for level in above_db]
    u_gain_db = [0.0] + [math.hypot(u, u_db[0]) for u in u_db[1:]]
    expected_db = 10 * math.log10(sent_ms[-1] / sent_ms[0])
    drawn_ms = np.geomspace(sent_ms[0], 1.2 * sent_ms[-1], 80)
    words = {1: "one mark", 2: "two marks"}
    return Finding(
        measured=gain_db[-1],
        u_measured=u_gain_db[-1],
        expected=expected_db,
        verdict=f"The chirp is {sent_ms[-1] / sent_ms[0]:.0f} times as long as the short burst: "
        f"its echo stands {gain_db[-1]:.1f} dB higher above the noise. The two balls gave "
        f"{words[marks[0]]} with the short burst, {words[marks[1]]} with the long one and "
        f"{words[marks[2]]} with the chirp.",
        x_label="length of the pulse / ms",
        y_label="echo above the noise, against the short burst / dB",
        curves=(
            curve("by its energy", drawn_ms, 10 * np.log10(drawn_ms / sent_ms[0])),
            curve(
                "short burst and chirp",
                [sent_ms[0], sent_ms[-1]],
                [gain_db[0], gain_db[-1]],
                [u_gain_db[0], u_gain_db[-1]],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "pulse / ms", "2E/N0 of a ping / dB", "marks of two balls"),
            *(
                (h.step.name, f"{ms:g}", "–" if n == 1 else f"{db:.1f}", str(n))
                for h, ms, db, n in zip(heard, sent_ms, above_db, marks, strict=True)
            ),
        ),
    )


def _near_peak(heard: StepHeard, range_m: float, *, within_m: float) -> float:
    """Return the highest amplitude near a range."""
    echo_near(heard, range_m, within_m=max(within_m, 0.05))
    ranges_m = range_m + np.linspace(-within_m, within_m, 121)
    paths_m = path_from_range_m(ranges_m, heard.plan.geometry.baseline_m)
    return float(np.abs(envelope_at(heard, paths_m / _c_of(heard))).max())


def _compression_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part sends a chirp")
    ball_m, centre_hz = _ball_m(bench), bench.centre_hz
    band_hz = easy_below(0.2858 * centre_hz, _BANDS)
    short_s = bench.samples_s(1 / band_hz)
    times = max(n for n in (2, 4, 8, 16) if n == 2 or n * short_s <= _longest_s(bench, 0.77))
    long_s = times * short_s
    # Whole half waves apart, so that the long burst's two echoes meet in step, and not to cancel.
    halves = round(2.28 / band_hz * centre_hz)
    behind_m = round(halves * bench.wave_m / 2, 4)
    return Part(
        name="compression",
        question=Question(
            text=f"A short burst of {milliseconds(short_s)} tells two balls apart that hang "
            f"{centimetres(behind_m)} one behind the other. A chirp of {milliseconds(long_s)} with "
            "the same bandwidth does so too, and is no louder. By how many decibels does its echo "
            "stand higher above the noise? (10 dB: ten times the energy.)",
            unit="dB",
        ),
        givens=(
            ball_by_tape(ball_m),
            Given(
                name="behind_m",
                text="how far the second ball hangs behind the first, by tape, in metres",
                value=behind_m,
                u_value=0.002,
            ),
        ),
        steps=tuple(
            Step(
                name=name,
                set_up=f"{do} The bench sends {what}.",
                scene=_balls(bench, ball_m, ball_m + behind_m, noise_db=-70.0),
                pings=16,
                changes=changes,
            )
            for name, do, what, changes in (
                (
                    "short-burst",
                    f"Hang two equal balls {metres(ball_m)} away, one {centimetres(behind_m)} "
                    "behind the other and a little aside, so that both are seen.",
                    f"a burst of {milliseconds(short_s)}",
                    _burst(bench, short_s),
                ),
                (
                    "long-burst",
                    "Touch nothing.",
                    f"a burst of {milliseconds(long_s)}",
                    _burst(bench, long_s),
                ),
                (
                    "chirp",
                    "Touch nothing.",
                    f"a chirp of {milliseconds(long_s)} that slides by {khz(band_hz)}",
                    _chirp(bench, centre_hz - band_hz / 2, centre_hz + band_hz / 2, long_s),
                ),
            )
        ),
        find=_compression,
        because="What lifts an echo out of the noise is the energy of its pulse: loudness times "
        "length. A loudspeaker has only so much loudness, so one makes the pulse longer. A longer "
        "burst smears two things into one mark. A chirp as long does not, since compression "
        "gathers it into as short a mark as its bandwidth allows: as loud as the long one, as "
        "sharp as the short one.",
        talk=(
            "How much louder would the short burst have to be to do as well? Would the ears like "
            "it?",
            "What does a long pulse do to the blind zone in front of the pair?",
        ),
    )


# Side lobes

_PLACES = {"none": (1.15, 1.75), "hann": (2.1, 2.7)}
"""Between which lags, times the bandwidth, the first side lobe stands."""

HANN_SIDE_LOBE_DB = -31.47
"""Of a Hann window (F. J. Harris, *Proc. IEEE* 66, 1978, table 1, from memory)."""

_U_FINITE_DB = 0.3
"""By so much a chirp of 160 cycles of its bandwidth misses the window's own side lobe: its band
is not quite flat. It falls as one over that product (computed for 80, 160 and 320)."""


def _side_lobe_db(heard: StepHeard, echo: Echo, bandwidth_hz: float) -> tuple[float, float]:
    """Return the first side lobe of an echo, both sides together, dB re its peak."""
    low, high = _PLACES[heard.plan.receiver.weighting]
    peak = abs(complex(envelope_at(heard, echo.delay_s)))
    lag_s = np.linspace(low, high, 121) / bandwidth_hz
    tops = [np.abs(envelope_at(heard, echo.delay_s + side * lag_s)).max() for side in (-1, 1)]
    share = math.sqrt(float(np.mean(np.square(tops)))) / peak
    noise = u_amplitude(heard.receiver.shape, echo)
    return 20 * math.log10(share), NEPER_DB * math.hypot(noise / share / math.sqrt(2), noise)


def _sinc_db(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return 20 * np.log10(np.maximum(np.abs(np.sinc(x)), 1e-3))


def _hann_db(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what a Hann window over a flat band makes of an echo: sinc(x)/(1 − x²)."""
    near = np.abs(np.abs(x) - 1) < 1e-6
    value = np.where(near, 0.5, np.sinc(x) / np.where(near, 1.0, 1 - x**2))
    return 20 * np.log10(np.maximum(np.abs(value), 1e-3))


def _side_lobes(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    pulse = heard[0].step.changes["pulse"]
    band_hz = abs(pulse["stop_hz"] - pulse["start_hz"])
    echoes = [_ball_echo(h, givens) for h in heard]
    lobes = [_side_lobe_db(h, e, band_hz) for h, e in zip(heard, echoes, strict=True)]
    marks = [mark_of(h, e, level=_HALF_POWER) for h, e in zip(heard, echoes, strict=True)]
    wider = marks[1].length_m / marks[0].length_m
    cell_cm = 1e2 * _c_of(heard[0]) / (2 * band_hz)
    fine, coarse = np.linspace(-4.5, 4.5, 721), np.arange(-4.4, 4.5, 0.4)
    points = []
    for h, echo in zip(heard, echoes, strict=True):
        peak = abs(complex(envelope_at(h, echo.delay_s)))
        shown = np.abs(envelope_at(h, echo.delay_s + coarse / band_hz)) / peak
        points.append(20 * np.log10(np.maximum(shown, 1e-3)))
    return Finding(
        measured=lobes[1][0],
        u_measured=lobes[1][1],
        expected=HANN_SIDE_LOBE_DB,
        u_expected=_U_FINITE_DB,
        verdict=f"The window pressed the side lobe from {_minus(lobes[0][0])} to "
        f"{_minus(lobes[1][0])} dB and made the mark {wider:.2f} times as long.",
        x_label="behind the echo / cm",
        y_label="against the echo / dB",
        curves=(
            curve("flat band", cell_cm * fine, _sinc_db(fine)),
            curve("Hann window", cell_cm * fine, _hann_db(fine)),
            curve("without window", cell_cm * coarse, points[0], measured=True),
            curve("with window", cell_cm * coarse, points[1], measured=True),
        ),
        numbers=(
            ("step", "side lobe / dB", "expected / dB", "mark / cm", "expected / cm"),
            *(
                (h.step.name, _minus(lobe[0]), _minus(due), f"{1e2 * m.length_m:.2f}", f"{w:.2f}")
                for h, lobe, due, m, w in zip(
                    heard,
                    lobes,
                    (-13.26, HANN_SIDE_LOBE_DB),
                    marks,
                    (0.88589 * cell_cm, 1.44058 * cell_cm),
                    strict=True,
                )
            ),
        ),
    )


def _minus(value: float) -> str:
    return f"{value:.1f}".replace("-", "\N{MINUS SIGN}")


def _side_lobes_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part sends a chirp")
    ball_m = _ball_m(bench)
    high_hz = min(bench.plan.pulse.highest_hz, 0.47 * bench.plan.timing.sample_rate_hz)
    low_hz = high_hz / 2
    # As many cycles of its bandwidth as the window's side lobe needs (_U_FINITE_DB).
    sent_s = bench.samples_s(160 / (high_hz - low_hz))
    return Part(
        name="side-lobes",
        question=Question(
            text="Beside the mark of a compressed chirp stand weaker ones where there is nothing: "
            "side lobes. The strongest is at −13 dB against the echo. With a Hann window, which "
            "weakens both ends of the chirp's band, at how many decibels is it?",
            unit="dB",
        ),
        givens=(ball_by_tape(ball_m),),
        steps=tuple(
            Step(
                name=name,
                set_up=f"{do} The bench sends a chirp of {milliseconds(sent_s)} and compresses it "
                f"{how} window.",
                scene=_balls(bench, ball_m, noise_db=-85.0),
                pings=12,
                changes=_chirp(bench, low_hz, high_hz, sent_s, weighting=weighting),
            )
            for name, do, how, weighting in (
                (
                    "flat",
                    f"Hang one ball {metres(ball_m)} away, with nothing else near it, and a "
                    "cushion between source and receiver against the direct sound.",
                    "without a",
                    "none",
                ),
                ("hann", "Touch nothing.", "with a Hann", "hann"),
            )
        ),
        find=_side_lobes,
        because="A copy of the chirp still fits a little beside the right place; this leaves the "
        "side lobes. A small thing beside a large one drowns in them, or a side lobe is taken for "
        "a thing. A window trades: the Hann window lowers the side lobes by 18 dB, makes the mark "
        "1.63 times as long, and costs 1.8 dB of the height above the noise.",
        talk=(
            "A fish close above the bottom: is the window a help, or a harm?",
            "How could you find out on the bench whether a weak mark is a side lobe?",
        ),
    )


LESSON = Lesson(
    name="two-close-together",
    title="Two things close together",
    minutes=40,
    about="How near to each other two things may be and still show as two, and what else stands "
    "beside a strong mark.",
    plan=_PLAN,
    parts=for_any_bench(_PLAN, _burst_on, _bandwidth_on, _compression_on, _side_lobes_on),
    misreading="“One mark is one thing.” Two things closer than the pulse can part run into one; "
    "and beside a strong mark stand weak ones that are nothing at all.",
)
