"""Time is distance: out and back, a wrong temperature, the blind zone, the longest range.

And which ping an echo is of, where each carries a sign.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.ping.pulse.bounds import blind_zone_m
from dsp.ping.ranging import path_from_range_m
from rig.errors import NotHeardError
from rig.run.budget import is_of_sound_speed
from rig.run.receiver import Receiver
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    easy_below,
    for_any_bench,
    khz,
    metres,
    milliseconds,
)
from rig.teach.lessons.by_hand import by_tape
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.parts.late_echo import longest_range_on, which_ping_on
from rig.teach.lessons.parts.wrong_temperature import temperature_on
from rig.teach.lessons.picking import echo_near
from rig.teach.lessons.plate import plate_at, speed_words

# Out and back


def _out_and_back(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tapes = (givens["near_m"], givens["far_m"])
    echoes = [
        echo_near(h, tape.value, within_m=0.15 * tape.value)
        for h, tape in zip(heard, tapes, strict=True)
    ]
    receiver = heard[0].receiver
    speed, baseline_m = receiver.sound_speed_m_s, receiver.plan.geometry.baseline_m
    u_speed = math.hypot(receiver.u_sound_speed_m_s, _u_gradient_m_s(receiver, tapes[1].value))
    u_ms = []
    for echo in echoes:
        # What a range is unsure by, but for the sound speed, is so because the delay is.
        terms = () if echo.budget is None else echo.budget.terms
        u_range_m = math.hypot(*(t.u for t in terms if not is_of_sound_speed(t.name)))
        u_ms.append(1e3 * 2 * u_range_m / speed)
    delay_ms = [1e3 * e.delay_s for e in echoes]
    path_m = [float(path_from_range_m(tape.value, baseline_m)) for tape in tapes]
    expected_ms = 1e3 * path_m[1] / speed
    drawn_m = np.linspace(0.0, 1.15 * tapes[1].value, 100)
    rows = [
        (h.step.name, f"{t.value:.3f}", f"{p:.3f}", f"{d:.3f}", f"{1e3 * p / d:.1f}")
        for h, t, p, d in zip(heard, tapes, path_m, delay_ms, strict=True)
    ]
    times = delay_ms[1] / delay_ms[0]
    return Finding(
        measured=delay_ms[1],
        u_measured=u_ms[1],
        expected=expected_ms,
        u_expected=math.hypot(
            1e3 * 2 * tapes[1].u_value / speed,
            expected_ms * u_speed / speed,
        ),
        verdict=f"From {tapes[1].value / tapes[0].value:.2f} times as far the echo came "
        f"{times:.2f} times as late. The sound went there and back.",
        x_label="distance by tape / m",
        y_label="delay of the echo / ms",
        curves=(
            curve("there and back", drawn_m, 1e3 * path_from_range_m(drawn_m, baseline_m) / speed),
            curve("if it only went there", drawn_m, 1e3 * drawn_m / speed),
            curve("the echoes", [t.value for t in tapes], delay_ms, u_ms, measured=True),
        ),
        numbers=(
            ("step", "by tape / m", "there and back / m", "delay / ms", "path by delay / m/s"),
            *rows,
        ),
    )


def _u_gradient_m_s(receiver: Receiver, range_m: float) -> float:
    """Return what an even rise of temperature along the path leaves the mean speed unsure by."""
    u_c = receiver.plan.medium.u_gradient_c_m * range_m / 2
    return abs(receiver.range_model.speed_per_c_m_s) * u_c


def _out_and_back_on(bench: BenchInUse) -> Part:
    near_m, far_m = bench.scaled_m(1.0, 2.0)
    return Part(
        name="out-and-back",
        question=Question(
            text=f"A plate stands {metres(far_m)} away. How many milliseconds after the ping does "
            f"its echo come back? {speed_words(bench)}",
            unit="ms",
        ),
        givens=(
            by_tape("near_m", "the plate in its first place", near_m, 0.002),
            by_tape("far_m", "the plate in its second place", far_m, 0.002),
        ),
        steps=(
            Step(
                name="near",
                set_up=f"Stand a plate square to the pair, {metres(near_m)} away by tape.",
                scene=plate_at(bench, near_m),
            ),
            Step(
                name="far",
                set_up=f"Move the plate to {metres(far_m)}, square to the pair again.",
                scene=plate_at(bench, far_m),
            ),
        ),
        find=_out_and_back,
        because=f"The sound has to go there and come back: {metres(2 * far_m)} of way for a plate "
        f"{metres(far_m)} away. An echo sounder measures this time and nothing else. It multiplies "
        "it by the sound speed that it was told, and halves it.",
        talk=(
            "Who forgot the way back? How far away would a screen that forgot it show the plate?",
            "The bench tells the delay to a hundredth of a millisecond. How far does sound go in "
            "that?",
        ),
    )


# The blind zone

_FLANK = (0.25, 0.75)  # shares of the peak between which the direct sound's end is drawn


def _blind_zone(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    del givens
    baseline_m = heard[0].plan.geometry.baseline_m
    lasts_s, near_m, u_m = [], [], []
    for h in heard:
        deaf_s, u_deaf_s = _direct_sound_s(h)
        speed, u_speed = h.receiver.sound_speed_m_s, h.receiver.u_sound_speed_m_s
        blind_m = blind_zone_m(deaf_s, speed, baseline_m=baseline_m)
        lasts_s.append(deaf_s)
        near_m.append(blind_m)
        u_m.append(math.hypot(speed / 2 * u_deaf_s, blind_m * u_speed / speed))
    speed = heard[0].receiver.sound_speed_m_s
    sent_ms = [1e3 * h.plan.pulse.duration_s for h in heard]
    expected_m = [blind_zone_m(ms / 1e3, speed, baseline_m=baseline_m) for ms in sent_ms]
    drawn_ms = np.linspace(0.05, 1.2 * max(sent_ms), 100)
    rows = [
        (h.step.name, f"{sent:.3g}", f"{1e3 * last:.2f}", f"{near:.3f}", f"{due:.3f}")
        for h, sent, last, near, due in zip(
            heard, sent_ms, lasts_s, near_m, expected_m, strict=True
        )
    ]
    return Finding(
        measured=near_m[-1],
        u_measured=u_m[-1],
        expected=expected_m[-1],
        verdict=f"The burst of {sent_ms[-1]:.3g} ms was heard for {1e3 * lasts_s[-1]:.1f} ms. An "
        f"echo from nearer than {near_m[-1]:.2f} m begins while it still sounds; after one of "
        f"{sent_ms[0]:.3g} ms, from nearer than {near_m[0]:.2f} m.",
        x_label="length of the burst / ms",
        y_label="blind nearer than / m",
        curves=(
            curve(
                "half of what sound travels in it",
                drawn_ms,
                [blind_zone_m(ms / 1e3, speed, baseline_m=baseline_m) for ms in drawn_ms],
            ),
            curve("end of the direct sound", sent_ms, near_m, u_m, measured=True),
        ),
        numbers=(
            ("step", "burst / ms", "heard for / ms", "blind nearer than / m", "expected / m"),
            *rows,
        ),
    )


def _direct_sound_s(heard: StepHeard) -> tuple[float, float]:
    """Return how long the direct sound lasts, and its standard uncertainty.

    Compressed, an even burst is a triangle, as long to each side of its peak as the burst. Its
    falling flank is drawn on as a straight line to its foot. The direct sound leaves a face
    edgeways, spread over the time that sound takes across it, whose standard deviation is a
    quarter of that for a disc and 1/√12 for a line: so far its end may be off.
    """
    profile, receiver = heard.run.measurement.profile, heard.receiver
    sent_s = heard.plan.pulse.duration_s
    if profile is None:
        raise NotHeardError(f"step {heard.step.name}: found no good ping; look at the direct sound")
    arrival_s = heard.plan.geometry.baseline_m / receiver.sound_speed_m_s
    stop = math.ceil((arrival_s + 1.5 * sent_s) / profile.bin_s)
    amplitude = np.abs(profile.envelope[:stop]).astype(np.float64)
    peak = float(amplitude.max())
    start = int(amplitude.argmax())
    low, high = (share * peak for share in _FLANK)
    beyond = np.flatnonzero(amplitude[start:] < low)
    end = start + int(beyond[0]) if beyond.size else amplitude.size
    flank = np.arange(start, end)
    flank = flank[amplitude[flank] <= high]
    if beyond.size == 0 or flank.size < 4:
        raise NotHeardError(
            f"step {heard.step.name}: found no end of the direct sound within "
            f"{1.5e3 * sent_s:.1f} ms; clear the bench, or turn the level down"
        )
    time_s = profile.bin_s * flank - arrival_s
    slope, foot = np.polyfit(time_s, amplitude[flank] / peak, 1)
    residual = amplitude[flank] / peak - (slope * time_s + foot)
    # Noise of so narrow a band hardly changes over the flank: more bins do not average it.
    u_share = float(np.sqrt(np.mean(residual**2)))
    face = heard.plan.transducer
    spread_m = face.radius_m / 2 if face.shape == "piston" else face.length_m / math.sqrt(12)
    u_face_s = spread_m / receiver.sound_speed_m_s
    return float(-foot / slope), math.hypot(u_share / abs(float(slope)), u_face_s)


def _blind_zone_on(bench: BenchInUse) -> Part:
    bench.require_any_pulse("it rings on after each burst, and this part sends plain tones")
    centre_hz = bench.centre_hz
    longest_s = easy_below(32.5 / centre_hz)
    sent_s = [bench.samples_s(longest_s / n) for n in (4, 2, 1)]
    reach_m = bench.speed_m_s * longest_s / 2
    # No echo while the longest still sounds, nor as long again after it.
    plate_m = min(max(bench.far_m, 2.5 * reach_m), 3.0) if bench.in_air else 4 * reach_m
    clear_m = metres(0.83 * plate_m)

    def step(name: str, set_up: str, duration_s: float) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=plate_at(bench, plate_m),
            expects_echo=False,  # what is heard here is the direct sound
            changes={
                "pulse": {
                    "kind": "tone",
                    "centre_hz": centre_hz,
                    "duration_s": duration_s,
                    "taper": "none",
                },
                "receiver": {"weighting": "none", "range_start_m": 0.1},
                "timing": {"ping_interval_s": max(0.2, bench.interval_s)},
            },
        )

    return Part(
        name="blind-zone",
        question=Question(
            text=f"A bench sends one plain tone for {milliseconds(longest_s)}, and while that "
            "sounds it hears nothing else. Echoes from nearer than how many metres begin too early "
            f"to be heard? {speed_words(bench)}",
            unit="m",
        ),
        steps=(
            step(
                "short-burst",
                f"Clear the bench: let nothing stand nearer than {clear_m}. It sends "
                f"{khz(centre_hz)} for {milliseconds(sent_s[0])}.",
                sent_s[0],
            ),
            step("longer-burst", "Touch nothing. The burst is now twice as long.", sent_s[1]),
            step("longest-burst", "Touch nothing. The burst is twice as long again.", sent_s[2]),
        ),
        find=_blind_zone,
        because="Until the last of the burst has passed the receiver, the direct sound drowns "
        f"every echo. In {milliseconds(longest_s)} sound goes "
        f"{metres(2 * reach_m)}, which is {metres(reach_m)} out and back; a little more for the "
        "baseline. A transducer that rings on makes it worse. A compressed chirp is long too, yet "
        "each of its instants is known by its pitch, so its direct sound can be taken away again.",
        talk=(
            "Why does a sounder show nothing just under the boat?",
            "A shorter burst is blind for less long. What does it lose?",
        ),
    )


_PLAN: Mapping[str, Any] = {
    "pulse": {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005},
    "timing": {"sample_rate_hz": 48000.0, "ping_interval_s": 0.1},
    "receiver": {"weighting": "hann", "range_start_m": 0.2, "range_stop_m": 4.0},
    "medium": {"kind": "air", "temperature_c": 20.0, "humidity_percent": 50.0},
    "geometry": {"baseline_m": 0.12},
    "transducer": {"radius_m": 0.03},
}

LESSON = Lesson(
    name="time-is-distance",
    title="Time is distance",
    minutes=30,
    about="A screen's depth is a time. What that time is worth, what spoils it, how near and how "
    "far it can be told.",
    plan=_PLAN,
    parts=for_any_bench(
        _PLAN,
        _out_and_back_on,
        temperature_on,
        _blind_zone_on,
        longest_range_on,
        which_ping_on,
    ),
    misreading="“The screen measures depth.” It measures a time, and believes a sound speed.",
)
