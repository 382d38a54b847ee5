"""Is the hardware fit: levels, noise, clipping, hum, lost pings, and what to do."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rig.capture import LEAD_S, CaptureBlock, CaptureFlag
from rig.receiver import Receiver
from rig.session import PingResult, ping_results


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that was looked at.

    Attributes
    ----------
    name : str
    value : float
    unit : str
    fit : bool
        Whether it is good enough for a range to be trusted.
    advice : str
        What would do; empty where nothing need be done.
    """

    name: str
    value: float
    unit: str
    fit: bool
    advice: str = ""


def check_up(receiver: Receiver, blocks: Iterable[CaptureBlock]) -> tuple[Finding, ...]:
    """Judge a stream by a few of its pings."""
    seen: list[CaptureBlock] = []

    def watched() -> Iterator[CaptureBlock]:
        for block in blocks:
            seen.append(block)
            yield block

    results = list(ping_results(receiver, watched()))
    heard = [b for b in seen if CaptureFlag.MISSING not in b.flags]
    findings = [_lost(results)]
    if not heard:
        return tuple(findings)
    microphone = receiver.info.microphone
    samples = np.concatenate([b.samples[microphone] for b in heard]).astype(np.float64)
    quiet = _before_each_ping(receiver, heard)
    findings += [_peak(samples), _offset(samples), _noise(quiet)]
    findings += [_hum(samples, receiver.info.sample_rate_hz)]
    findings += _mark(receiver, results)
    return tuple(findings)


def _lost(results: list[PingResult]) -> Finding:
    lost = sum(r.lost for r in results)
    reasons = sorted({r.reason for r in results if r.lost})
    advice = ""
    if lost:
        advice = f"{'; '.join(reasons)}. Close other programs, or give the sound more room"
    return Finding(name="lost pings", value=lost, unit="", fit=lost == 0, advice=advice)


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


def _mark(receiver: Receiver, results: list[PingResult]) -> list[Finding]:
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
    return [
        Finding(
            name="spread of time zero",
            value=1e3 * spread_m,
            unit="mm of range",
            fit=fit,
            advice=advice,
        )
    ]


def _db(level: float) -> float:
    return 20 * math.log10(max(level, 1e-10))
