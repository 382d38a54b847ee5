"""Results as the JSON that the commands print; part of the contract in DEVELOPERS.md."""

from __future__ import annotations

import dataclasses
import math
import operator
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rig.bench.stored_calibration import Calibration
from rig.measure.finding import Finding
from rig.measure.forecast import Forecast
from rig.measure.listening import HEARD_RATE_HZ, Listening
from rig.measure.passes.following import passings_of
from rig.measure.passes.passing import Passing
from rig.measure.scale_card import Case
from rig.measure.second_receiver import pair_doubts
from rig.measure.smeared import smeared
from rig.measure.what_if.history import WhatIf
from rig.measure.what_if.words import CANNOT_KNOW
from rig.run.results import ECHO_NUMBERS, Echo, LateEcho, Side, TimeZero
from rig.run.run import Run
from rig.show.sides import side_values
from rig.teach.lessons.lesson import Lesson, Part
from rig.teach.lessons.running import Turn

Answer = dict[str, Any]

_echo_values = operator.attrgetter(*ECHO_NUMBERS)


def run_answer(run: Run) -> Answer:
    """Answer `demo` and `run`: the last good ping's echoes."""
    last = run.last
    return {
        **_head(run),
        "echoes": [] if last is None else _echoes(last.echoes),
        **_of_pings_before(run, *(() if last is None else (last.late, last.untold))),
    }


def replay_answer(run: Run) -> Answer:
    """Answer `replay`: as `run_answer`, and what went by; each ping on its own stands apart."""
    return {**run_answer(run), "passes": _passes(passings_of(run))}


def ping_answers(run: Run) -> Iterator[Answer]:
    """Answer `replay` for each ping on its own, one after the other."""
    keys = ("index", "lost", "echoes", "late", "untold")
    for index, lost, echoes, late, untold in zip(*map(run.results.each, keys), strict=True):
        yield {
            "index": index,
            "lost": lost,
            "echoes": _echoes(echoes),
            **_of_pings_before(run, late, untold),
        }


def measure_answer(run: Run) -> Answer:
    """Answer `measure`: echoes in the sum of all good pings, and what went by."""
    passings = passings_of(run)
    return {
        **_head(run),
        "echoes": [
            {**answer, "budget": _budget(echo)}
            for answer, echo in zip(_echoes(run.echoes), run.echoes, strict=True)
        ],
        **_of_pings_before(run, run.measurement.late, run.measurement.untold),
        "passes": _passes(passings),
        "smeared": [
            {"from_m": smear.from_m, "to_m": smear.to_m, "hits": smear.hits}
            for smear in smeared(run, passings)
        ],
    }


def report_answer(run: Run, files: Sequence[str]) -> Answer:
    """Answer `report`: what was written, the page first."""
    return {
        "pings": len(run.results),
        "lost_pings": run.lost_pings,
        "report": files[0],
        "tables": list(files[1:]),
    }


def twin_answer(case: Case, other: Case) -> Answer:
    """Answer `twin`: both cases, and what they have in common."""
    return {"given": _case(case), "twin": _case(other), "hits": case.hits}


def listen_answer(listening: Listening, path: str | None) -> Answer:
    """Answer `listen`: true and heard delays; at the top, the nearest echo's."""
    heard = [
        {
            "true_delay_s": e.echo.delay_s,
            "heard_delay_s": e.heard_delay_s,
            "range_m": e.echo.range_m,
            "strength_db": _number(e.echo.strength_db),
            "starts_s": e.starts_s,
            "gap_s": e.gap_s,
        }
        for e in listening.echoes
    ]
    first = listening.echoes[0] if listening.echoes else None
    return {
        "true_delay_s": None if first is None else first.echo.delay_s,
        "heard_delay_s": None if first is None else first.heard_delay_s,
        "apart": listening.apart,
        "echoes": heard,
        "ping": listening.ping,
        "slow": listening.factor,
        "leaves_s": listening.leaves_s,
        "starts_s": listening.starts_s,
        "pulse_s": listening.pulse_s,
        "band_hz": list(listening.band_hz),
        "peak_db": listening.peak_db,
        "duration_s": listening.duration_s,
        "sample_rate_hz": HEARD_RATE_HZ,
        "sound": path,
    }


def what_if_answer(found: WhatIf, picture: str) -> Answer:
    """Answer `what-if`: each target that passed, as heard and as forecast."""
    return {
        "change": dataclasses.asdict(found.change),
        "pings": len(found.run.results),
        "half_angle_deg": math.degrees(found.half_angle_rad),
        "heard_half_angle_deg": math.degrees(found.heard_half_angle_rad),
        "passes": [dataclasses.asdict(one) for one in found.passes],
        "kept_as_heard": found.kept,
        "cannot_know": CANNOT_KNOW,
        "picture": picture,
    }


def plan_answer(foretold: Forecast) -> Answer:
    """Answer `plan`."""
    answer: Answer = {}
    for name, value in dataclasses.asdict(foretold).items():
        if name.endswith("_rad"):
            answer[name.removesuffix("_rad") + "_deg"] = math.degrees(value)
        elif isinstance(value, tuple):
            answer[name] = [_number(v) for v in value]
        else:
            answer[name] = _number(value)
    return answer


def check_answer(findings: Sequence[Finding]) -> Answer:
    """Answer `check`."""
    return {
        "fit": all(f.fit for f in findings),
        "checks": [dataclasses.asdict(f) for f in findings],
    }


def calibration_answer(calibration: Calibration, path: str) -> Answer:
    """Answer `calibrate`: all that is stored but the pulse's samples."""
    c = calibration
    replica = None
    if c.replica is not None:
        kept = {f.name: getattr(c.replica, f.name) for f in dataclasses.fields(c.replica)}
        del kept["replicas"]
        replica = kept
    return {
        "calibration": path,
        "made": c.made.isoformat(timespec="seconds"),
        "front_end": c.front_end,
        "device": c.device,
        "sample_rate_hz": c.plan.timing.sample_rate_hz,
        "pings": c.pings,
        "time_zero": None if c.time_zero is None else dataclasses.asdict(c.time_zero),
        "sound_speed": dataclasses.asdict(c.sound_speed),
        "replica": replica,
        "level": None if c.level is None else dataclasses.asdict(c.level),
        **({} if c.second is None else {"second": dataclasses.asdict(c.second)}),
        "findings": [dataclasses.asdict(f) for f in c.findings],
        "notes": list(c.notes),
    }


def _head(run: Run) -> Answer:
    time_zero: TimeZero | None = None if run.last is None else run.last.time_zero
    return {
        "pings": len(run.results),
        "lost_pings": run.lost_pings,
        "clipped_pings": run.clipped_pings,
        "moving_pings": run.moving_pings,
        "sound_speed_m_s": run.receiver.sound_speed_m_s,
        "time_zero": {
            "method": run.plan.geometry.time_zero if time_zero is None else time_zero.method,
            "delay_s": None if run.last is None else run.last.latency_s,
        },
        **({"pair_doubts": list(doubts)} if (doubts := pair_doubts(run)) else {}),
    }


def lessons_answer(lessons: Sequence[Lesson]) -> Answer:
    """Answer `lesson --list`."""
    return {"lessons": [{"name": x.name, "title": x.title, "minutes": x.minutes} for x in lessons]}


def lesson_answer(
    lesson: Lesson,
    parts: Sequence[Part],
    turns: Sequence[Turn],
    *,
    problems: Mapping[str, str],
    sheet: str | None,
    pictures: Mapping[str, str],
    recordings: Mapping[str, Sequence[str]],
) -> Answer:
    """Answer `lesson`: the first part's numbers, and those of each; null where not heard."""
    done = {turn.part.name: turn for turn in turns}
    return {
        "lesson": lesson.name,
        "title": lesson.title,
        **_turn(done.get(parts[0].name)),
        "sheet": sheet,
        "parts": [
            {
                "name": part.name,
                "question": part.question.text,
                **_turn(done.get(part.name)),
                "sheet": sheet,
                "picture": pictures.get(part.name),
                "recordings": list(recordings[part.name]),
                "problem": problems.get(part.name),
            }
            for part in parts
        ],
    }


def _turn(turn: Turn | None) -> Answer:
    if turn is None:
        keys = ("prediction", "measured", "u_measured", "expected", "u_expected", "unit")
        return dict.fromkeys(keys)
    finding, question = turn.finding, turn.part.question
    chosen = {"choices": list(question.choices), "measured_choice": finding.choice}
    return {
        "prediction": turn.prediction,
        "measured": float(finding.measured),
        "u_measured": float(finding.u_measured),
        "expected": float(finding.expected),
        "u_expected": float(finding.u_expected),
        "unit": question.unit,
        **(chosen if question.choices else {}),
        "agrees": bool(turn.agrees),
        "predicted_rightly": turn.predicted_rightly,
        "verdict": finding.verdict,
    }


def _echoes(echoes: Sequence[Echo]) -> list[Answer]:
    return [_echo(e, _echo_values(e)) for e in echoes]


def _echo(echo: Echo, values: Sequence[float]) -> Answer:
    answer: Answer = dict(zip(ECHO_NUMBERS, values, strict=True))
    if not math.isfinite(sum(values)):
        answer = {k: v if math.isfinite(v) else None for k, v in answer.items()}
    if echo.more_within_m is not None:
        answer["more_within_m"] = echo.more_within_m
    return answer if echo.side is None else answer | _side(echo.side)


def _of_pings_before(
    run: Run, late: Sequence[LateEcho] = (), untold: Sequence[Echo] = ()
) -> Answer:
    """Answer what is late, and what is not told, where pings carry signs; else nothing."""
    if not run.plan.timing.signed_pings:
        return {}
    return {
        "late_echoes": [
            {"pings_before": one.pings_before, "seems_m": one.seems_m, **answer}
            for one, answer in zip(late, _echoes([one.echo for one in late]), strict=True)
        ],
        "untold_echoes": _echoes(untold),
    }


def _side(side: Side) -> Answer:
    """Answer where across the axis an echo stands: only of a bench with two receivers."""
    possible_deg = [math.degrees(angle) for angle in side.possible_rad]
    return {**side_values(side), "possible_angles_deg": possible_deg}


def _passes(passings: Sequence[Passing]) -> list[Answer]:
    return [
        {
            "kind": p.kind,
            "closest_range_m": p.closest_range_m,
            "u_closest_range_m": p.u_closest_range_m,
            "crossing_speed_m_s": p.crossing_speed_m_s,
            "u_crossing_speed_m_s": p.u_crossing_speed_m_s,
            "closest_time_s": p.closest_time_s,
            "hits": p.hits,
        }
        for p in (passing.passage for passing in passings)
    ]


def _case(case: Case) -> Answer:
    return {
        "speed_m_s": case.speed_m_s,
        "depth_m": case.depth_m,
        "cone_deg": math.degrees(case.cone_rad),
        "pings_per_s": case.pings_per_s,
        "resolution_m": case.resolution_m,
        "chord_m": case.crossing.chord_m,
        "dwell_s": case.crossing.dwell_s,
        "arch_m": case.arch_m,
    }


def _budget(echo: Echo) -> list[Answer]:
    if echo.budget is None:
        return []
    parts = zip(echo.budget.terms, echo.budget.shares, strict=True)
    return [{"term": term.name, "u_m": term.u, "share": share} for term, share in parts]


def _number(value: Any) -> Any:
    """JSON has no infinity; what is not finite is null."""
    return None if isinstance(value, float) and not math.isfinite(value) else value
