"""Is the hardware fit: levels, noise, clipping, hum, lost pings, and what to do."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from rig.bench.capture import LEAD_S, CaptureBlock, CaptureFlag
from rig.measure.finding import Finding
from rig.measure.second_receiver import second_findings
from rig.run.receiver import Receiver
from rig.run.results import PingResult, TimeZero
from rig.run.run import Run
from rig.run.trust import slip_tolerance_s


def check_up(run: Run, blocks: Iterable[CaptureBlock]) -> tuple[Finding, ...]:
    """Go over a few pings, and judge the stream by them."""
    seen: list[CaptureBlock] = []

    def watched() -> Iterator[CaptureBlock]:
        for block in blocks:
            seen.append(block)
            yield block

    for _ in run.over(watched()):
        pass
    return judged(run.receiver, seen, run.results)


def judged(
    receiver: Receiver, blocks: Sequence[CaptureBlock], results: Sequence[PingResult]
) -> tuple[Finding, ...]:
    """Judge a stream by pings that were gone over, given their blocks."""
    heard = [b for b in blocks if CaptureFlag.MISSING not in b.flags]
    findings = [_lost(results)]
    if not heard:
        return tuple(findings)
    microphone = receiver.info.microphone
    samples = np.concatenate([b.samples[microphone] for b in heard]).astype(np.float64)
    quiet = _before_each_ping(receiver, heard)
    findings += [_peak(samples), _offset(samples), _noise(quiet)]
    findings += [_hum(samples, receiver.info.sample_rate_hz)]
    findings += _mark(receiver, results)
    findings += second_findings(receiver, heard, results)
    return tuple(findings)


def value_words(value: float) -> str:
    """Write a finding's value: a count whole, a level to a tenth.

    Examples
    --------
    >>> value_words(8), value_words(-60.04)
    ('8', '-60.0')
    """
    return f"{value}" if isinstance(value, int) else f"{value:.1f}"


_REMEDIES = (
    (
        "no direct sound",
        "see that the loudspeaker is on and the microphone not muted, turn the microphone's gain "
        "and then the output level up a little at a time, bring source and receiver closer, and "
        "see that geometry.baseline_m is their spacing",
    ),
    (
        "no loopback pulse",
        "see that the wire leads from the output to the input that geometry.loopback_channel "
        "counts, and turn that input's gain up",
    ),
    ("the stream reported", "close other programs, and plug the device in without a hub"),
    ("slipped", "close other programs, or use a device that no sound server stands before"),
    ("far echoes are cut off", "give a longer timing.ping_interval_s"),
    (
        "not as strong",
        "keep hands and targets out from between source and receiver, and leave the gains alone",
    ),
    (
        "no longer heard where it was",
        "keep hands and targets out from between source and receiver, and leave the gains alone",
    ),
)
"""What would do, by a part of the reason why a ping is lost. Reasons that follow from
another's, and those that say it themselves, have none."""


def _lost(results: Sequence[PingResult]) -> Finding:
    lost = sum(r.lost for r in results)
    reasons = sorted({r.reason for r in results if r.lost})
    remedies = [words for part, words in _REMEDIES if any(part in reason for reason in reasons)]
    return Finding(
        name="lost pings",
        value=lost,
        unit=f"of {len(results)}",
        fit=lost == 0,
        advice=". ".join(
            [*reasons, *(words[0].upper() + words[1:] for words in dict.fromkeys(remedies))]
        ),
    )


def _before_each_ping(receiver: Receiver, blocks: list[CaptureBlock]) -> NDArray[np.float64]:
    """Return the samples ahead of each mark: nothing but noise and the room's last echoes."""
    quiet = int(0.8 * LEAD_S * receiver.info.sample_rate_hz)
    return np.concatenate([b.samples[receiver.info.microphone, :quiet] for b in blocks]).astype(
        np.float64
    )


def _peak(samples: NDArray[np.float64]) -> Finding:
    peak_db = _db(float(np.abs(samples).max()))
    advice = ""
    if peak_db > -1:
        advice = "turn the microphone's gain or the output level down: the sound clips"
    elif peak_db < -60:
        advice = "turn the microphone's gain up, then, a little at a time, the output level"
    return Finding(
        name="highest sample", value=peak_db, unit="dB re full scale", fit=not advice, advice=advice
    )


def _offset(samples: NDArray[np.float64]) -> Finding:
    offset_db = _db(abs(float(samples.mean())))
    fit = offset_db < -30
    advice = "" if fit else "the input has a steady offset: use a coupling capacitor"
    return Finding(name="offset", value=offset_db, unit="dB re full scale", fit=fit, advice=advice)


def _noise(quiet: NDArray[np.float64]) -> Finding:
    noise_db = _db(float(quiet.std()))
    fit = noise_db < -35
    advice = "" if fit else "quieten the room, or wait longer between pings"
    return Finding(
        name="noise before the ping",
        value=noise_db,
        unit="dB re full scale",
        fit=fit,
        advice=advice,
    )


def _hum(samples: NDArray[np.float64], rate: float) -> Finding:
    """Return the strongest mains line: 50 or 60 Hz and twice to four times that."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(samples.size))) * 4 / samples.size
    frequency = np.fft.rfftfreq(samples.size, 1 / rate)
    lines = [base * k for base in (50, 60) for k in (1, 2, 3, 4)]
    level = max(
        (float(spectrum[np.abs(frequency - line) < 2].max(initial=0)) for line in lines),
        default=0.0,
    )
    hum_db = _db(level)
    fit = hum_db < -30
    advice = "" if fit else "keep mains leads away from the microphone's; run on battery"
    return Finding(name="hum", value=hum_db, unit="dB re full scale", fit=fit, advice=advice)


def _mark(receiver: Receiver, results: Sequence[PingResult]) -> list[Finding]:
    found = [r.time_zero for r in results if r.time_zero is not None and not r.lost]
    if not found or receiver.plan.geometry.time_zero == "calibration":
        return []
    # The marks' own scatter, as a range: what time zero alone does to an echo.
    late = np.array([t.mark_s for t in found])
    spread_m = float(late.std()) * receiver.sound_speed_m_s / 2 if late.size > 1 else math.nan
    claimed_m = max(t.u_delay_s for t in found) * receiver.sound_speed_m_s / 2
    spread_m = claimed_m if math.isnan(spread_m) else spread_m
    fit = spread_m < 1e-3
    advice = "" if fit else "bring source and receiver closer, or wire a loopback"
    spread = Finding(
        name="spread of time zero",
        value=1e3 * spread_m,
        unit="mm of range",
        fit=fit,
        advice=advice,
    )
    return [spread, *_unseen_slip(receiver, found)]


def _unseen_slip(receiver: Receiver, found: list[TimeZero]) -> list[Finding]:
    """Say how many samples a stream may slip by without a mark's noise letting it show."""
    if not receiver.info.can_slip:
        return []
    rate = receiver.info.sample_rate_hz
    u_mark_s = max(t.u_delay_s for t in found)
    # What shows for sure is beyond the tolerance by three deviations of two marks' noise.
    shows_s = slip_tolerance_s(u_mark_s, rate) + 3 * math.sqrt(2) * u_mark_s
    unseen = math.ceil(shows_s * rate) - 1
    range_mm = 1e3 * unseen / rate * receiver.sound_speed_m_s / 2
    sound = "direct sound" if receiver.plan.geometry.time_zero == "direct" else "loopback pulse"
    advice = ""
    if unseen:
        advice = (
            f"the {sound} is so weak that the stream may slip by {unseen} of its samples, "
            f"{range_mm:.1f} mm of range, unseen: bring source and receiver closer, turn the "
            "output level up a little at a time, or use a pulse of more bandwidth"
        )
    return [
        Finding(
            name="slip that may hide", value=unseen, unit="samples", fit=unseen == 0, advice=advice
        )
    ]


def _db(level: float) -> float:
    return 20 * math.log10(max(level, 1e-10))
