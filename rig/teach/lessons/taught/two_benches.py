"""Two benches in one room: how another's pings look, and how far another pulse keeps them apart."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.physics.absorption import absorption_db_m
from dsp.ping.pulse.peaks import interpolated
from dsp.uncertainty import signed, stated
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.errors import NotHeardError
from rig.measure.other_benches import OtherBench, listed_of, other_benches
from rig.measure.passes.following import passings_of
from rig.teach.lessons.air_bench import ONE_BY_ONE, PLAN
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    for_any_bench,
    khz,
    metres,
    milliseconds,
)
from rig.teach.lessons.by_hand import ball_by_tape
from rig.teach.lessons.lesson import (
    Finding,
    Given,
    Lesson,
    Part,
    Question,
    Step,
    StepHeard,
    Tables,
    curve,
)
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.scatter import FEWEST, bins_between, lone_profiles

# Another bench in the room

_MARKS = ("a streak", "slanting lines", "arches", "nothing: it is not our sound")


def _line_of(heard: StepHeard) -> OtherBench:
    """Return the other bench that a step's pings tell of: the loudest, where there are several.

    Raises
    ------
    NotHeardError
        Where none is told.
    """
    found = other_benches(heard.run)
    if not found:
        raise NotHeardError(
            f"step {heard.step.name}: found no pings at an interval of their own; let the other "
            "bench send louder, towards this one, and at the interval that the step names"
        )
    return max(found, key=lambda each: each.strength_db)


def _another_bench(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    (step,) = heard
    theirs_s = givens["other_s"]
    ours_s, speed_m_s = step.plan.timing.ping_interval_s, step.receiver.sound_speed_m_s
    other = _line_of(step)
    shift_m = (theirs_s.value - ours_s) * speed_m_s / 2
    u_shift_m = other.u_interval_s * speed_m_s / 2
    pings = len(step.run.results)
    still = [p for p in passings_of(step.run) if p.passage.kind == "stay"]
    near_m, far_m = float(other.range_m.min()), float(other.range_m.max())
    # From the mark in the middle on, by theory, as far as this bench listens.
    middle = int(np.argsort(other.range_m)[other.range_m.size // 2])
    along = np.linspace(near_m, far_m, 40)
    drawn = curve(
        "by the two intervals",
        other.ping[middle] + (along - other.range_m[middle]) / shift_m,
        along,
    )
    listed = listed_of(step.run, other)
    ball_m = givens["ball_m"].value
    summed = [e for e in step.run.echoes if abs(e.range_m - ball_m) > 0.1 * ball_m]
    fell_db = other.strength_db - max((e.strength_db for e in summed), default=-math.inf)
    added = (
        f"Added up, the {pings} pings still list {len(summed)} of them, {fell_db:.0f} dB weaker."
        if summed
        else f"Added up, the {pings} pings list none of them."
    )
    streaks = [curve("what hangs still", p.ping, p.range_m, measured=True) for p in still[:1]]
    return Finding(
        measured=other.shift_m,
        u_measured=u_shift_m,
        expected=shift_m,
        u_expected=theirs_s.u_value * speed_m_s / 2,
        choice=_MARKS[1],
        verdict=f"{other.heard} of the other bench's pings were heard, each "
        f"{abs(other.shift_m):.3f} m {'farther out' if other.shift_m > 0 else 'nearer'} than the "
        f"one before and all as loud, from {near_m:.2f} to {far_m:.2f} m. The bench listed "
        f"{listed} of them as echoes, where nothing stands. {added}",
        x_label="ping",
        y_label="range / m",
        curves=(
            drawn,
            curve("not our pulse", other.ping, other.range_m, measured=True),
            *streaks,
        ),
        numbers=(
            ("", "by the intervals", "heard"),
            (
                "from ping to ping / ms",
                f"{1e3 * theirs_s.value:.4g}",
                stated(1e3 * other.interval_s, 1e3 * other.u_interval_s),
            ),
            ("on by, each ping / m", f"{shift_m:.4f}", stated(other.shift_m, u_shift_m)),
            ("listed as echoes, ping by ping", "", f"{listed} in {pings} pings"),
            (
                "listed in the sum of all",
                f"{20 * math.log10(pings):.0f} dB weaker",
                f"{len(summed)}, {fell_db:.0f} dB weaker" if summed else "none",
            ),
            ("strength / dB", "alike at all ranges", signed(f"{other.strength_db:.1f}")),
        ),
    )


_CROSSED_IN = 12.0
"""In so many pings the other bench's mark goes through all that this one listens to."""

_OTHER_PINGS = 32


def _other_bench(bench: BenchInUse, pulse: Tables, ball_m: float) -> dict[str, Any]:
    """Return another bench at the far end, which faces this one, as a scene has it.

    It is 10 dB louder here than a ball, and its mark comes in after a few pings.
    """
    listened_m = bench.plan.receiver.range_stop_m - bench.plan.receiver.range_start_m
    step_s = float(f"{2 * listened_m / _CROSSED_IN / bench.speed_m_s:.2g}")
    away_m = math.ceil(bench.plan.receiver.range_stop_m)
    # A hard ball of 20 mm comes back 40 dB weaker than it would be met with, 1 m away.
    ball_db = -50.0 - bench.weaker_db(ball_m, 1.0)
    spread_db = (
        20 * math.log10(away_m) + (bench.weaker_db(away_m, 1.0) - 40 * math.log10(away_m)) / 2
    )
    enters_s = 2 * bench.plan.receiver.range_start_m / bench.speed_m_s
    return {
        "pulse": dict(pulse),
        "interval_s": round(bench.interval_s + step_s, 7),
        "position_m": [float(away_m), 0.0, 0.0],
        "level_db": round(ball_db + spread_db + 10.0, 1),
        "first_s": round(enters_s - away_m / bench.speed_m_s - 4 * step_s, 7),
    }


def _another_bench_on(bench: BenchInUse) -> Part:
    (ball_m,) = bench.places_m(1.2, needs=1.2)
    other = _other_bench(bench, bench.plan.as_table()["pulse"], ball_m)
    away_m = other["position_m"][0]
    theirs, ours = (f"{1e3 * each:.4g} ms" for each in (other["interval_s"], bench.interval_s))
    return Part(
        name="another-bench",
        question=Question(
            text=f"A second bench stands {metres(away_m)} away, faces this one and sends the same "
            f"pulse: one every {theirs}. Ours leave every {ours}. Its pings come straight over. "
            "What do they draw in our history? (Measured besides: by how much the mark goes on "
            "from one of our pings to the next.)",
            unit="m",
            choices=_MARKS,
        ),
        givens=(
            ball_by_tape(ball_m),
            Given(
                name="other_s",
                text="from one ping of the other bench to its next, as its plan says, in seconds",
                value=other["interval_s"],
                # Two good clocks differ by some millionths (common practice, no source).
                u_value=2e-5 * other["interval_s"],
            ),
        ),
        steps=(
            Step(
                name="same-pulse",
                set_up=f"Set a second bench {metres(away_m)} away, facing this one, with this "
                f"plan but for ping_interval_s = {other['interval_s']:g}; let it ping. Hang a "
                f"ball still, {metres(ball_m)} away.",
                scene={**bench.scene({"position_m": [ball_m, 0.0, 0.0]}), "other_bench": [other]},
                pings=_OTHER_PINGS,
                changes=ONE_BY_ONE,
            ),
        ),
        find=_another_bench,
        because="The bench takes whatever fits its pulse for an echo of its own last ping, and "
        "counts from there. The other bench's pings come at its pace: each a little later after "
        "ours than the one before, by the difference of the two intervals. Half of that, times the "
        "sound speed, is what the mark goes on by: a slanting line, which comes in at one end and "
        "leaves at the other. No thing does so: it would grow weaker farther out. One ping shows "
        "none of this: only the history does. Pings added up take it down: at one range it is "
        "heard in one of them, and what stands still in all.",
        talk=(
            "What would the line look like if the other bench pinged a little faster than ours?",
            "Both ping at exactly the same interval. Who can still tell?",
        ),
    )


# Kept apart by another pulse


def _kept_apart(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    ball_m = givens["ball_m"].value
    same = heard[0]
    _line_of(same)  # or say what is missing
    balls_db = [_ball_db(each, ball_m) for each in heard]
    strongest = [_wandering(each) for each in heard]
    above_db = [
        level_db - ball_db for (level_db, _), ball_db in zip(strongest, balls_db, strict=True)
    ]
    lag_s, fits_db = _fit_db((same.plan, heard[1].plan), givens["away_m"].value)
    _, unswallowed_db = _fit_db((same.plan, heard[1].plan), 0.0)
    shown, best = fits_db > fits_db.max() - 25.0, int(fits_db.argmax())
    wrong = [_wrongly_listed(each, ball_m) for each in heard]
    sank_db = above_db[0] - above_db[1]
    expected_db = -float(fits_db.max())
    u_db = math.hypot(*(20 / math.log(10) * share for _, share in strongest), _U_LOOKS_DB)
    listed = (
        f"The bench listed {wrong[1]} false echo{'' if wrong[1] == 1 else 'es'}"
        if wrong[1]
        else "The bench listed no false echo any more"
    )
    return Finding(
        measured=sank_db,
        u_measured=u_db,
        expected=expected_db,
        u_expected=_U_SWALLOWED * abs(float(unswallowed_db.max()) + expected_db),
        verdict=f"Against the ball's echo the other bench's mark sank by {sank_db:.1f} dB. It is "
        "not gone: each of its pings is spread out now, to twice the length of the pulse. "
        f"{listed}, ping by ping, where there were {wrong[0]} before.",
        x_label="how far off the fit / ms",
        y_label="weaker than a copy of our pulse / dB",
        curves=(
            curve("one pulse slid along the other", 1e3 * lag_s[shown], -fits_db[shown]),
            curve(
                "its strongest mark, heard", [1e3 * lag_s[best]], [sank_db], [u_db], measured=True
            ),
        ),
        numbers=(
            ("our pulse", "its strongest mark, against the ball / dB", "false echoes listed"),
            *(
                (each.step.name, signed(f"{above:+.1f}"), f"{count}")
                for each, above, count in zip(heard, above_db, wrong, strict=True)
            ),
        ),
    )


_U_SWALLOWED = 0.1
"""What a formula for absorption leaves unsure, as a share (ISO 9613-1 says ±10 %)."""

_U_LOOKS_DB = 0.15
"""What the strongest of some looks leaves unsure: a mark's top falls between two bins, and is
read an eighth of one beside it at the most."""


_WHOLE_SHARE = 0.85
"""Pings whose top is weaker by more than 1.4 dB than the strongest do not have all of it."""


def _ball_db(step: StepHeard, ball_m: float) -> float:
    """Return how strong the ball is in the middle one of all pings, dB re full scale.

    In the sum of all it is not as sure: where the other bench's mark crosses it, that counts.
    """
    echo_near(step, ball_m, within_m=0.1 * ball_m)  # or say what is missing
    return float(
        np.median(
            [
                echo.strength_db
                for result in step.run.results
                if result.heard is not None
                for echo in result.heard.echoes
                if abs(echo.range_m - ball_m) <= 0.1 * ball_m
            ]
        )
    )


def _wandering(step: StepHeard) -> tuple[float, float]:
    """Return the strongest of what is not alike in all pings, and what noise does to it.

    Returns
    -------
    level_db : float
        dB re full scale.
    u_share : float
        Its standard uncertainty, as a share of its amplitude.
    """
    rows = lone_profiles(step)
    asked = step.plan.receiver
    bins = bins_between(step, 1.05 * asked.range_start_m, 0.98 * asked.range_stop_m)
    # What stands still is what most pings show; what wanders is elsewhere in most of them. So
    # at each range those pings count that lie nearest to the middle of all.
    middle = np.median(rows.real, axis=0) + 1j * np.median(rows.imag, axis=0)
    nearest = np.argsort(np.abs(rows - middle), axis=0)[: max(FEWEST, rows.shape[0] // 4)]
    apart = rows - np.take_along_axis(rows, nearest, axis=0).mean(axis=0)
    tops = bins.start + np.abs(apart[:, bins]).argmax(axis=1)
    beside = np.linspace(-1.0, 1.0, 17)
    shape = step.receiver.shape
    centre_turns = (shape.centre_hz - shape.carrier_hz) * shape.bin_s
    loudest = np.array(
        [
            np.abs(interpolated(row, top + beside, centre_turns=centre_turns)).max()
            for row, top in zip(apart, tops.tolist(), strict=True)
        ]
    )
    # In some pings its top lies where nothing is listened to; in one or two it meets the ball.
    level = float(np.median(loudest[loudest > _WHOLE_SHARE * loudest.max()]))
    # A quarter of noise alone, whose power falls off as an exponential, lies below 0.288 of its
    # mean; of the noise, the half in step with the mark changes its height.
    power = float(np.quantile(np.abs(apart[:, bins]) ** 2, 0.25)) / math.log(4 / 3)
    return 20 * math.log10(level), math.sqrt(power / 2) / level


def _wrongly_listed(step: StepHeard, ball_m: float) -> int:
    """Count what was listed ping by ping where nothing hangs."""
    return sum(
        abs(echo.range_m - ball_m) > 0.1 * ball_m
        for result in step.run.results
        if result.heard is not None
        for echo in result.heard.echoes
    )


def _fit_db(
    plans: tuple[Plan, Plan], away_m: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Slide a pulse as it comes from afar along another: how well it fits, against itself.

    Parameters
    ----------
    plans : tuple of Plan
        With the pulse that is sent, and with the one that is looked for; one sample rate.
    away_m : float
        So far the medium swallows what it does, the high notes more.

    Returns
    -------
    lag_s, fits_db : ndarray of float64, shape (lags,)
        The outline over time, 0 dB for a pulse on itself.
    """
    rate_hz, finer, its = plans[0].timing.sample_rate_hz, 4, plans[0].medium
    sent, looked_for = (pulses_of(plan)[0].samples.astype(np.float64) for plan in plans)
    length = 2 * sent.size
    frequency_hz = np.fft.rfftfreq(length, 1 / rate_hz)
    swallowed_db = away_m * absorption_db_m(its.kind, np.maximum(frequency_hz, 1.0), **its.state)
    comes = np.fft.rfft(sent, length) * 10 ** (-swallowed_db / 20)

    def outline(other: NDArray[np.float64]) -> NDArray[np.float64]:
        # One side of the spectrum alone: what is left is the outline, with no wave in it.
        fine = np.zeros(finer * length, dtype=np.complex128)
        fine[: frequency_hz.size] = comes * np.conj(np.fft.rfft(other, length))
        return np.asarray(np.abs(np.fft.fftshift(np.fft.ifft(fine))))

    fits = outline(looked_for) / outline(sent).max()
    lag_s = (np.arange(fits.size) - fits.size // 2) / (finer * rate_hz)
    return lag_s, 20 * np.log10(np.maximum(fits, 1e-3))


def _kept_apart_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("its pair rings at one frequency, and this part turns a chirp round")
    (ball_m,) = bench.places_m(1.2, needs=1.2)
    its = bench.plan.pulse
    length_s = bench.samples_s(its.duration_s)
    low_hz, high_hz = its.lowest_hz, its.highest_hz
    up, down = (
        {"kind": "chirp", "start_hz": a, "stop_hz": b, "duration_s": length_s}
        for a, b in ((low_hz, high_hz), (high_hz, low_hz))
    )
    other = _other_bench(bench, up, ball_m)
    product = length_s * (high_hz - low_hz)
    return Part(
        name="another-pulse",
        question=Question(
            text="The other bench pings on as before, with a chirp that runs up from "
            f"{khz(low_hz)} to {khz(high_hz)} in {milliseconds(length_s)}. Now ours runs down over "
            "the same band, and the bench looks for that. By how many decibels does the other "
            "bench's mark sink against our own echo?",
            unit="dB",
        ),
        givens=(
            ball_by_tape(ball_m),
            Given(
                name="away_m",
                text="from the other bench's source to this one's receiver, by tape, in metres",
                value=other["position_m"][0],
                u_value=0.02,
            ),
        ),
        steps=tuple(
            Step(
                name=name,
                set_up=do,
                scene={**bench.scene({"position_m": [ball_m, 0.0, 0.0]}), "other_bench": [other]},
                pings=_OTHER_PINGS,
                changes={"pulse": pulse, "receiver": {"stack": 1, "weighting": "none"}},
            )
            for name, do, pulse in (
                (
                    "up",
                    f"Let the second bench ping every {1e3 * other['interval_s']:.4g} ms with a "
                    f"chirp that runs up, {metres(other['position_m'][0])} away and facing this "
                    f"one. Hang a ball still, {metres(ball_m)} away. Ours runs up, too.",
                    up,
                ),
                ("down", "Touch nothing: ours now runs down.", down),
            )
        ),
        find=_kept_apart,
        because="Compressing slides our pulse along what comes, and adds up where it fits. A "
        "chirp that runs the other way fits for a moment only, while both have the same frequency, "
        "wherever it is slid to: so its energy is spread over a row of weak marks instead of one "
        "strong one. Of a pulse of length T and band B, about one part in √(2BT) of the amplitude "
        f"is left: here BT is {product:.0f}, and 10 log 2BT is "
        f"{10 * math.log10(2 * max(product, 1)):.0f} dB, less a ripple of a few. Longer pulses "
        "of a wider band, or codes, keep benches further apart; none keeps them apart wholly. Time "
        "does the rest: pings added up stay where an echo stands, and take down what wanders.",
        talk=(
            "Ten benches in one room: what would you give each of them?",
            "Which is better: one wrong echo, or a row of weaker ones? When?",
        ),
    )


LESSON = Lesson(
    name="two-benches",
    title="Two benches in one room",
    minutes=25,
    about="How another bench's pings are told from echoes, and how far another pulse keeps the two "
    "apart.",
    plan=PLAN,
    parts=for_any_bench(PLAN, _another_bench_on, _kept_apart_on),
    misreading="“Every mark is an echo of our ping.” The bench counts from its own ping whatever "
    "fits its pulse; another bench's pings draw slanting lines where nothing is.",
)
