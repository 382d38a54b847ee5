"""Time is distance: out and back, a wrong temperature, the blind zone, the longest range.

And which ping an echo is of, where each carries a sign.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from dsp.physics.medium import sound_speed_m_s
from dsp.ping.bounds import blind_zone_m
from dsp.ping.ranging import path_from_range_m, range_from_path_m
from rig.errors import NotHeardError, PlanError
from rig.run.budget import is_of_sound_speed
from rig.run.receiver import Receiver
from rig.teach.lessons.bench_in_use import (
    BenchInUse,
    easy_below,
    for_any_bench,
    khz,
    metres,
    milliseconds,
    two_digits,
)
from rig.teach.lessons.lesson import Finding, Given, Lesson, Part, Question, Step, StepHeard, curve
from rig.teach.lessons.picking import echo_near, u_noise_m


def _plate_at(bench: BenchInUse, range_m: float, *, size_m: float = 0.3) -> dict[str, Any]:
    """Return a scene with a square plate and nothing else, before faces that send all round."""
    plate = {"body": "plate", "width_m": size_m, "height_m": size_m}
    return {
        "medium": bench.medium,
        "noise": {"level_db": -70.0},
        "target": [{**plate, "position_m": [range_m, 0.0, 0.0]}],
    }


def _speed_words(bench: BenchInUse) -> str:
    where = "" if bench.in_air else " of water"
    return f"Sound travels about {two_digits(bench.speed_m_s)} m in a second{where}."


def _by_tape(name: str, text: str, value_m: float, u_m: float) -> Given:
    where = "from midway between source and receiver, by tape, in metres"
    return Given(name=name, text=f"{text}, {where}", value=value_m, u_value=u_m)


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
            f"its echo come back? {_speed_words(bench)}",
            unit="ms",
        ),
        givens=(
            _by_tape("near_m", "the plate in its first place", near_m, 0.002),
            _by_tape("far_m", "the plate in its second place", far_m, 0.002),
        ),
        steps=(
            Step(
                name="near",
                set_up=f"Stand a plate square to the pair, {metres(near_m)} away by tape.",
                scene=_plate_at(bench, near_m),
            ),
            Step(
                name="far",
                set_up=f"Move the plate to {metres(far_m)}, square to the pair again.",
                scene=_plate_at(bench, far_m),
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


# A wrong temperature

_TOLD_C = {True: (-20.0, 50.0), False: (0.0, 40.0)}
"""What a plan may be told, in air and in water."""


def _temperature(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["far_m"]
    right = heard[0].receiver
    echoes = [echo_near(h, tape.value, within_m=0.15 * tape.value) for h in heard]
    told_c = [h.plan.medium.temperature_c for h in heard]
    if told_c[0] == told_c[2]:
        raise NotHeardError(
            f"step {heard[2].step.name}: found the right temperature, {told_c[0]:g} °C; it must be "
            "told a wrong one: do this part where it is not so warm"
        )
    moved_mm = [1e3 * (e.range_m - echoes[0].range_m) for e in echoes]
    u_mm = [0.0] + [1e3 * math.hypot(u_noise_m(e), u_noise_m(echoes[0])) for e in echoes[1:]]
    expected_mm = [1e3 * _moved_m(right, h.receiver.sound_speed_m_s, tape.value) for h in heard]
    per_m = expected_mm[2] / tape.value
    # The room's own sound speed is unsure too, and the way to the plate.
    u_room = right.u_sound_speed_m_s / right.sound_speed_m_s
    drawn_c = np.linspace(min(told_c) - 2, max(told_c) + 2, 60)
    drawn_mm = [1e3 * _moved_m(right, speed, tape.value) for speed in _speeds_m_s(right, drawn_c)]
    rows = [
        (
            h.step.name,
            f"{c:g}",
            f"{h.receiver.sound_speed_m_s:.2f}",
            f"{e.range_m:.4f}",
            f"{mm:.1f}",
        )
        for h, c, e, mm in zip(heard, told_c, echoes, moved_mm, strict=True)
    ]
    side = "farther" if moved_mm[2] > 0 else "nearer"
    wrong_c = told_c[2] - told_c[0]
    words = "too warm" if wrong_c > 0 else "too cold"
    return Finding(
        measured=moved_mm[2],
        u_measured=u_mm[2],
        expected=expected_mm[2],
        u_expected=math.hypot(per_m * tape.u_value, expected_mm[2] * u_room),
        verdict=f"The plate stood still. Told {abs(wrong_c):g} °C {words}, the bench drew it "
        f"{abs(moved_mm[2]):.0f} mm {side}: {abs(moved_mm[2] / echoes[0].range_m) / 10:.1f} % of "
        "its range.",
        x_label="temperature that the bench was told / °C",
        y_label="how far the plate moved on the screen / mm",
        curves=(
            curve("by the sound speed's formula", drawn_c, drawn_mm),
            curve("the plate on the screen", told_c, moved_mm, u_mm, measured=True),
        ),
        numbers=(
            ("step", "told / °C", "sound speed / m/s", "shown at / m", "moved by / mm"),
            *rows,
        ),
    )


def _moved_m(right: Receiver, told_m_s: float, range_m: float) -> float:
    """Return how far a target moves on the screen if another sound speed is believed.

    Counted from the direct sound, the baseline's own travel time is believed wrong as well.
    """
    geometry = right.plan.geometry
    start_m = geometry.baseline_m if geometry.time_zero == "direct" else 0.0
    path_m = float(path_from_range_m(range_m, geometry.baseline_m))
    shown_m = start_m + (path_m - start_m) * told_m_s / right.sound_speed_m_s
    return float(range_from_path_m(shown_m, geometry.baseline_m)) - range_m


def _speeds_m_s(right: Receiver, told_c: np.ndarray[Any, np.dtype[np.float64]]) -> list[float]:
    medium = right.plan.medium
    own, *others = (
        sound_speed_m_s(
            medium.kind,
            temperature_c=c,
            humidity_percent=medium.humidity_percent,
            salinity_g_kg=medium.salinity_g_kg,
        )
        for c in (medium.temperature_c, *np.clip(told_c, *_TOLD_C[medium.kind == "air"]).tolist())
    )
    return [speed * right.sound_speed_m_s / own for speed in others]


_WRONG_C = 10.0


def _temperature_on(bench: BenchInUse) -> Part:
    (far_m,) = bench.places_m(2.0)
    right_c = bench.plan.medium.temperature_c
    least_c, most_c = _TOLD_C[bench.in_air]
    colder_c, warmer_c = max(right_c - _WRONG_C, least_c), min(right_c + _WRONG_C, most_c)
    where = "room" if bench.in_air else "tank"
    faster = bench.faster_per_c_m_s
    share = 100 * faster * _WRONG_C / bench.speed_m_s
    return Part(
        name="temperature",
        question=Question(
            text=f"The plate stands {metres(far_m)} away, in a {where} at {right_c:g} °C, where "
            f"sound travels {two_digits(bench.speed_m_s)} m in a second; {two_digits(faster)} m "
            "more for each degree that it is warmer. Someone tells the bench that it is "
            f"{warmer_c:g} °C. By how many millimetres does the plate move on the screen? Minus "
            "for nearer.",
            unit="mm",
        ),
        givens=(_by_tape("far_m", "the plate", far_m, 0.002),),
        steps=(
            Step(
                name="right",
                set_up=f"Leave the plate at {metres(far_m)}. The plan holds what the thermometer "
                "shows.",
                scene=_plate_at(bench, far_m),
            ),
            *(
                Step(
                    name=name,
                    set_up=f"Touch nothing. The bench is now told {told_c:g} °C, whatever the "
                    "thermometer shows.",
                    scene=_plate_at(bench, far_m),
                    changes={"medium": {"temperature_c": told_c}},
                )
                for name, told_c in (("colder", colder_c), ("warmer", warmer_c))
            ),
        ),
        find=_temperature,
        because=f"Sound is faster where it is warmer: here by {two_digits(faster)} m/s for each "
        f"degree, which is {two_digits(share)} % for ten. The bench hears the same time whatever "
        "it is told, and turns it into a distance with the sound speed that it believes. The "
        "temperature on a screen is that of its sensor, and of no other place.",
        talk=(
            "A sounder's sensor hangs in the sun-warmed top of a lake. Does it show the bottom too "
            "deep or too shallow?",
            f"How well must the temperature be known for a range of {metres(far_m)} to be right to "
            "1 mm?",
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
            scene=_plate_at(bench, plate_m),
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
            f"to be heard? {_speed_words(bench)}",
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


# The longest range


def _longest_range(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["wall_m"]
    receiver = heard[0].receiver
    speed, baseline_m = receiver.sound_speed_m_s, receiver.plan.geometry.baseline_m
    path_m = float(path_from_range_m(tape.value, baseline_m))

    def shown_m(interval_s: float) -> float:
        """Return where the wall shows, counted from the last ping before its echo."""
        return float(range_from_path_m(path_m % (speed * interval_s), baseline_m))

    interval_s = [h.plan.interval_samples / h.plan.timing.sample_rate_hz for h in heard]
    due_m = [shown_m(s) for s in interval_s]
    echoes = [
        echo_near(h, due, within_m=0.05 * tape.value) for h, due in zip(heard, due_m, strict=True)
    ]
    found_m, u_m = [e.range_m for e in echoes], [e.u_range_m for e in echoes]
    drawn_s = np.linspace(0.9 * min(interval_s), 1.05 * max(interval_s), 400)
    drawn_m = np.array([shown_m(s) for s in drawn_s])
    # A leap from one ping to the next is no line.
    drawn_m[1:][np.abs(np.diff(drawn_m)) > 0.5 * tape.value] = np.nan
    rows = [
        (h.step.name, f"{1e3 * s:g}", f"{speed * s / 2:.3f}", f"{due:.3f}", f"{found:.3f}")
        for h, s, due, found in zip(heard, interval_s, due_m, found_m, strict=True)
    ]
    moved_m = found_m[2] - found_m[1]
    side = "farther" if moved_m > 0 else "nearer"
    return Finding(
        measured=found_m[1],
        u_measured=u_m[1],
        expected=due_m[1],
        # The whole way was travelled at a sound speed that is not quite known.
        u_expected=math.hypot(tape.u_value, tape.value * receiver.u_sound_speed_m_s / speed),
        verdict=f"At {1e3 * interval_s[1]:g} ms a wall {tape.value:.2f} m away showed at "
        f"{found_m[1]:.2f} m. At {1e3 * interval_s[2]:g} ms it moved {abs(moved_m):.2f} m {side}; "
        "nobody touched it. What moves with the interval is an echo of the ping before.",
        x_label="from ping to ping / ms",
        y_label="range shown / m",
        curves=(
            curve("where the wall shows", 1e3 * drawn_s, drawn_m),
            curve("longest range, c · interval / 2", 1e3 * drawn_s, speed * drawn_s / 2),
            curve("the echo", [1e3 * s for s in interval_s], found_m, u_m, measured=True),
        ),
        numbers=(
            ("step", "interval / ms", "longest range / m", "expected at / m", "shown at / m"),
            *rows,
        ),
    )


_WALL_TIMES = {True: 1.163, False: 1.06}
"""How many short intervals the wall's echo needs, in air and in water."""

_NOT_SO_OFTEN = {True: 1 + 1 / 15, False: 1.02}
"""How many times the short interval the third one is."""

_OFTEN_S = {True: 0.030, False: 0.012}
"""So short an interval is, unless the pulse is too long for it."""


def _often_s(bench: BenchInUse) -> float:
    """Return an interval that is too short for a wall which a class has at hand."""
    pulse_s = bench.plan.pulse.duration_s
    if pulse_s < 0.4 * _OFTEN_S[bench.in_air]:
        return _OFTEN_S[bench.in_air]
    return max(_OFTEN_S[bench.in_air], math.ceil(1e3 * (pulse_s + 0.018)) / 1e3)


def _wall_m(bench: BenchInUse) -> float:
    """Return how far that wall is."""
    return round(_WALL_TIMES[bench.in_air] * _often_s(bench) * bench.speed_m_s / 2, 1)


def _longest_range_on(bench: BenchInUse) -> Part:
    pulse_s, often_s, wall_m = bench.plan.pulse.duration_s, _often_s(bench), _wall_m(bench)
    not_so_s = round(_NOT_SO_OFTEN[bench.in_air] * often_s, 5)
    shown_m = wall_m - often_s * bench.speed_m_s / 2
    stop_m, start_m = round(1.6 * shown_m, 1), round(min(0.2, 0.4 * shown_m), 2)
    reach_m = round(1.1 * wall_m, 1)
    seldom_s = math.ceil(1e2 * bench.room_s(pulse_s, reach_m)) / 1e2

    def step(name: str, set_up: str, interval_s: float, near_m: float, far_m: float) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=_plate_at(bench, wall_m, size_m=0.8),
            changes={
                "timing": {"ping_interval_s": interval_s, "signed_pings": False},
                "receiver": {"range_start_m": near_m, "range_stop_m": far_m},
            },
            pings=16,
        )

    return Part(
        name="longest-range",
        question=Question(
            text=f"A wall is {metres(wall_m)} away, and a ping goes out every "
            f"{milliseconds(often_s)}. At how many metres does the wall show on the screen? "
            f"{_speed_words(bench)}",
            unit="m",
        ),
        givens=(_by_tape("wall_m", "the wall", wall_m, 0.005),),
        steps=(
            step(
                "seldom",
                f"Let the bench look at a bare wall {metres(wall_m)} away.",
                seldom_s,
                # A board holds the samples of some metres: it begins shortly before the wall.
                round(0.85 * wall_m, 1) if bench.bursts_only else start_m,
                reach_m,
            ),
            step(
                "often",
                f"Touch nothing. Pings now come every {milliseconds(often_s)}.",
                often_s,
                start_m,
                stop_m,
            ),
            step(
                "not-so-often",
                f"Touch nothing. Now every {milliseconds(not_so_s)}.",
                not_so_s,
                start_m,
                stop_m,
            ),
        ),
        find=_longest_range,
        because="The wall's echo needs "
        f"{milliseconds(2 * wall_m / bench.speed_m_s)}. If the next ping has left before that, a "
        "receiver counts from the newer one: the wall shows nearer by half of what sound travels "
        "in an interval. Such an echo gives itself away: a thing stays where it is when the "
        "interval is changed, and this does not.",
        talk=(
            "How would a screen look on which the bottom comes twice, once in the wrong place?",
            "What does a longer interval cost whoever wants to see something move?",
        ),
    )


# Which ping it was


def _which_ping(heard: tuple[StepHeard, ...], givens: Mapping[str, Given]) -> Finding:
    tape = givens["wall_m"]
    alike, signed = heard
    receiver = signed.receiver
    speed, baseline_m = receiver.sound_speed_m_s, receiver.plan.geometry.baseline_m
    interval_s = signed.plan.interval_samples / signed.plan.timing.sample_rate_hz
    path_m = float(path_from_range_m(tape.value, baseline_m))
    due_m = float(range_from_path_m(path_m % (speed * interval_s), baseline_m))
    seems = echo_near(alike, due_m, within_m=0.05 * tape.value)
    late = [
        one
        for one in signed.run.measurement.late
        if one.pings_before == 1 and abs(one.seems_m - seems.range_m) < 0.05 * tape.value
    ]
    if not late:
        raise NotHeardError(
            f"step {signed.step.name}: found no echo of the ping before at {due_m:.2f} m; let "
            "nothing move, and send louder"
        )
    wall = max(late, key=lambda one: one.echo.strength_db)
    named = [
        (result.index, one.echo)
        for result in signed.run.results
        for one in result.late
        if one.pings_before == 1 and abs(one.seems_m - wall.seems_m) < 0.05 * tape.value
    ]
    pings = [r.index for r in signed.run.results]
    shown = [
        (result.index, echo.range_m)
        for result in alike.run.results
        for echo in result.echoes
        if abs(echo.range_m - seems.range_m) < 0.05 * tape.value
    ]
    own = sum(abs(e.range_m - seems.range_m) < 0.05 * tape.value for e in signed.run.echoes)
    near = "is no longer shown" if not own else "is shown still"
    ends = [min(pings), max(pings)]
    return Finding(
        measured=wall.echo.range_m,
        u_measured=wall.echo.u_range_m,
        expected=tape.value,
        u_expected=tape.u_value,
        verdict=f"By pings that are all alike a wall {tape.value:.2f} m away was shown at "
        f"{seems.range_m:.2f} m. By pings with signs the mark at {wall.seems_m:.2f} m {near} as "
        f"something near: it is named as an echo of the ping before, from "
        f"{wall.echo.range_m:.2f} m. That took {named[0][0] + 1 if named else len(pings)} pings.",
        x_label="number of the ping",
        y_label="range / m",
        curves=(
            curve("longest range, c · interval / 2", ends, [speed * interval_s / 2] * 2),
            curve("the wall, by tape", ends, [tape.value] * 2),
            curve(
                "shown, pings all alike", *np.reshape(shown, (-1, 2)).T, measured=True
            ),
            curve(
                "named, pings with signs",
                [n for n, _ in named],
                [echo.range_m for _, echo in named],
                [echo.u_range_m for _, echo in named],
                measured=True,
            ),
        ),
        numbers=(
            ("step", "mark at / m", "said to come from / m", "± (k = 2) / m"),
            (alike.step.name, f"{seems.range_m:.3f}", f"{seems.range_m:.3f}",
             f"{2 * seems.u_range_m:.3f}"),
            (signed.step.name, f"{wall.seems_m:.3f}", f"{wall.echo.range_m:.3f}",
             f"{2 * wall.echo.u_range_m:.3f}"),
        ),
    )  # fmt: skip


def _which_ping_on(bench: BenchInUse) -> Part:
    if bench.bursts_only or bench.plan.pulses_per_cycle > 1:
        raise PlanError(
            f'pulse.kind: found "{bench.plan.pulse.kind}", whose pings carry no sign; give '
            '"chirp", "tone" or "barker13"'
        )
    often_s, wall_m = _often_s(bench), _wall_m(bench)
    shown_m = wall_m - often_s * bench.speed_m_s / 2

    def step(name: str, set_up: str, *, signed: bool) -> Step:
        return Step(
            name=name,
            set_up=set_up,
            scene=_plate_at(bench, wall_m, size_m=0.8),
            changes={
                "timing": {"ping_interval_s": often_s, "signed_pings": signed},
                "receiver": {
                    "range_start_m": round(min(0.2, 0.4 * shown_m), 2),
                    "range_stop_m": round(1.6 * shown_m, 1),
                },
            },
            pings=16,
        )

    return Part(
        name="which-ping",
        question=Question(
            text=f"A ping goes out every {milliseconds(often_s)}, and a mark shows at "
            f"{metres(round(shown_m, 2))}, where nothing is. Now each ping goes out upright or "
            "upside down, in an order that the bench knows. From how many metres does it say that "
            f"the mark comes? {_speed_words(bench)}",
            unit="m",
        ),
        givens=(_by_tape("wall_m", "the wall", wall_m, 0.005),),
        steps=(
            step(
                "alike",
                f"Let the bench look at a bare wall {metres(wall_m)} away.",
                signed=False,
            ),
            step(
                "signed",
                "Touch nothing. Pings now go out upright or upside down, in a fixed order.",
                signed=True,
            ),
        ),
        find=_which_ping,
        because="An echo comes back as its ping was sent: upright or upside down. The bench turns "
        "each ping's sound back by that ping's own sign, and so its own echoes stand upright every "
        "time. One that is late has the sign of the ping before: it stands upside down wherever "
        "those two differ. The order is such that every distance between two pings makes a "
        "pattern of its own, so that an echo two pings late is told from one that is one late.",
        talk=(
            "Would it do to send every other ping upside down? What of an echo two pings late?",
            "Why does the bench need some pings before it says of which ping a mark is?",
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
        _temperature_on,
        _blind_zone_on,
        _longest_range_on,
        _which_ping_on,
    ),
    misreading="“The screen measures depth.” It measures a time, and believes a sound speed.",
)
