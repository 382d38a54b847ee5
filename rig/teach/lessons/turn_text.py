"""A turn's numbers, in words."""

from __future__ import annotations

import math

from dsp.uncertainty import signed, stated
from rig.teach.lessons.lesson import Question, Step
from rig.teach.lessons.running import Prediction, Turn

CAUTION = (
    "Start quiet, and keep ears away from the loudspeaker: young people hear 15 to 20 kHz well, "
    "and a tone that nobody hears can be loud all the same. Keep mains equipment away from a tank."
)


def set_up_text(step: Step, *, invented: bool) -> str:
    """Say what is done for a step: by hand on a real bench, by itself in an invented scene."""
    if not invented:
        return step.set_up
    return f"The virtual tank does it by itself; on a real bench: “{step.set_up}”"


def value_text(value: float, u: float, unit: str) -> str:
    """Write a value with its expanded uncertainty, k = 2, to two digits of that.

    Examples
    --------
    >>> value_text(11.6534, 0.0021, "ms"), value_text(1234.5, 30.0, "m/s")
    ('11.6534 ± 0.0042 ms', '1234 ± 60 m/s')
    >>> value_text(-3.0, 0.0, "dB")
    '−3 dB'
    """
    if u <= 0:
        return f"{plain_text(value)} {unit}".rstrip()
    return f"{stated(value, u)} {unit}".rstrip()


def plain_text(value: float) -> str:
    """Write a number that nobody is unsure of, to five digits at the most.

    Examples
    --------
    >>> plain_text(11.653412), plain_text(123456.0), plain_text(-2.0)
    ('11.653', '123456', '−2')
    """
    return signed(f"{value:.0f}" if abs(value) >= 1e4 else f"{value:.5g}")


def prediction_text(prediction: Prediction, question: Question) -> str:
    """Write what was predicted; empty where nobody did."""
    if prediction is None:
        return ""
    if isinstance(prediction, str):
        return prediction
    return f"{plain_text(prediction)} {question.unit}".rstrip()


def measured_text(turn: Turn) -> str:
    """Write what was measured."""
    finding, unit = turn.finding, turn.part.question.unit
    return value_text(finding.measured, finding.u_measured, unit)


def expected_text(turn: Turn) -> str:
    """Write what theory expects."""
    finding, unit = turn.finding, turn.part.question.unit
    return value_text(finding.expected, finding.u_expected, unit)


def off_text(turn: Turn) -> str:
    """Say how the prediction compares with the measurement; empty without one."""
    if turn.prediction is None:
        return ""
    if isinstance(turn.prediction, str):
        if turn.predicted_rightly:
            return "The bench says the same as the prediction."
        return f"The prediction was another; the bench says: {turn.finding.choice}."
    off = turn.off or 0.0
    if abs(off) <= 2 * turn.finding.u_measured:
        return "The prediction lies within the uncertainty of the measurement."
    measured, unit = turn.finding.measured, turn.part.question.unit
    amount = f"{_two_digits(abs(off))} {unit}".rstrip()
    side = "more" if off > 0 else "less"
    share = ""
    if measured and abs(off / measured) < 10:
        share = f", {_two_digits(100 * abs(off / measured))} % of it"
    close = "close: " if turn.predicted_rightly else ""
    return f"The prediction was {close}{amount} {side} than what was measured{share}."


def result_lines(turn: Turn) -> tuple[str, ...]:
    """Say what was measured and expected, in short lines under each other."""
    lines = [
        f"  measured  {measured_text(turn)}   (k = 2)",
        f"  expected  {expected_text(turn)}",
    ]
    if turn.finding.choice:
        lines.append(f"  the bench says: {turn.finding.choice}")
    return tuple(lines)


def remark_lines(turn: Turn) -> tuple[str, ...]:
    """Say how prediction, measurement and theory compare, what was seen, and why."""
    remarks = (
        off_text(turn),
        agreement_text(turn),
        turn.finding.verdict,
        f"Why: {turn.part.because}",
    )
    return tuple(line for line in remarks if line)


def agreement_text(turn: Turn) -> str:
    """Say whether measurement and theory agree."""
    finding, unit = turn.finding, turn.part.question.unit
    apart = abs(finding.measured - finding.expected)
    u = math.hypot(finding.u_measured, finding.u_expected)
    amount, unsure = (f"{number} {unit}".rstrip() for number in _as_sure(apart, u))
    if turn.agrees:
        return f"Measurement and theory agree: {amount} apart, and unsure by {unsure} (k = 2)."
    if turn.agrees is None:
        return (
            f"Measurement and theory are {amount} apart, and unsure by {unsure} (k = 2). So much "
            "happens by chance once in twenty times: hear it again before you decide."
        )
    return (
        f"Measurement and theory do not agree: {amount} apart, and unsure by only {unsure} "
        "(k = 2); chance alone does that less than once in three hundred times. Something on the "
        "bench is not as it was taken to be: look for it."
    )


def _as_sure(apart: float, u: float) -> tuple[str, str]:
    """Write a difference and how unsure it is, neither to more digits than that tells."""
    amount, _, unsure = stated(apart, u).partition(" ± ")
    if not unsure:
        return _two_digits(apart), "0"
    if apart > 0 and float(amount) == 0:
        digits = len(amount.partition(".")[2])
        amount = f"less than {10.0**-digits:.{digits}f}"
    return amount, unsure


def _two_digits(value: float) -> str:
    if value >= 100:
        return f"{value:.0f}"  # 187 hits: who takes 13 from 200 should find it here
    rounded = float(f"{value:.2g}")
    return f"{rounded:.0f}" if rounded >= 10 else f"{rounded:.7f}".rstrip("0").rstrip(".")
