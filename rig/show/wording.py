"""What the picture says in words."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import datetime

from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan
from rig.run.results import Echo, LateEcho, TimeZero

_MEDIUM = {"air": "air", "fresh-water": "fresh water", "sea-water": "sea water"}
_COUNTED = re.compile(r" with (no|\d+) targets?$")
_TIME_ZERO = {
    "loopback": "the ping, heard by wire",
    "direct": "the ping, told by the direct sound",
    "calibration": "the ping, by the device's clock or a stored calibration",
}


def title_text(plan: Plan, *, sound_speed_m_s: float, pings: int, lost: int) -> str:
    """Say what the sound goes through, how fast, and how many pings there are."""
    medium = plan.medium
    count = f"{counted(pings, 'ping')}, {lost or 'none'} lost"
    return (
        f"Echoes in {_MEDIUM[medium.kind]} at {medium.temperature_c:g} °C, "
        f"where sound travels {sound_speed_m_s:.1f} m/s · {count}"
    )


def pulse_text(plan: Plan) -> str:
    """Say what is sent and how often.

    Examples
    --------
    >>> from rig.bench.pulse_kinds import Chirp
    >>> pulse_text(Plan(pulse=Chirp(start_hz=4000.0, stop_hz=12000.0, duration_s=0.010)))
    'Sent: chirp from 4 to 12 kHz, 10 ms long, every 250 ms'
    """
    pulse = plan.pulse
    how = f"{time_text(pulse.duration_s)} long, every {time_text(plan.timing.ping_interval_s)}"
    signs = ", with signs" if plan.timing.signed_pings else ""
    return f"Sent: {pulse.words}, {how}{signs}"


def front_end_text(info: StreamInfo) -> str:
    """Say what kind of front end it is; what a virtual tank gives is invented."""
    kind = info.front_end.replace("-", " ")
    return f"{kind}, invented" if info.invented else kind


def device_text(info: StreamInfo) -> str:
    """Say which device, or which scene.

    How many things are in a scene is left out: hands put them in and take them out, and a
    class that predicts is not to be told.

    Examples
    --------
    >>> tank = {"front_end": "virtual-tank", "invented": True, "sample_rate_hz": 48e3}
    >>> device_text(StreamInfo(device="a scene in air with 3 targets", **tank))
    'a scene in air'
    """
    return _COUNTED.sub("", info.device) if info.invented else info.device


def record_rate_text(info: StreamInfo) -> str:
    """Say how much of a disk a recording takes: 4 bytes a sample of each channel.

    Examples
    --------
    >>> record_rate_text(StreamInfo(front_end="sound-card", device="", sample_rate_hz=48e3))
    '0.19 MB a second, 0.69 GB an hour'
    """
    bytes_s = 4 * info.sample_rate_hz * info.channels
    return f"{bytes_s / 1e6:.2g} MB a second, {bytes_s * 3600 / 1e9:.2g} GB an hour"


def no_truth_text(info: StreamInfo) -> str:
    """Say why the sketch shows arcs alone, where no made-up scene is at hand."""
    return (
        "What stood there was not recorded."
        if info.invented
        else "A real bench does not say where."
    )


def cone_text(half_angle_rad: float, *, leaves_at_m: float, stop_m: float) -> str:
    """Say how wide the cone is, and from where on the sketch cannot hold it."""
    if not has_cone(half_angle_rad):
        return "Beam: at half power nowhere short of 90°."
    wider = ""
    if leaves_at_m < stop_m:
        wider = f"; wider than the sketch from {leaves_at_m:.2f} m on"
    return f"Cone: half power out and back, ±{math.degrees(half_angle_rad):.1f}°{wider}."


def has_cone(half_angle_rad: float) -> bool:
    """Whether the beam falls to half power ahead of the transducer."""
    return math.isfinite(half_angle_rad) and half_angle_rad < math.radians(89.0)


def pointer_text(range_m: float, echo: Echo | None, *, path_time_s: float) -> str:
    """Say what stands at the pointer."""
    if echo is None:
        return (
            f"Marked: {metres_text(range_m)} m, {time_text(path_time_s)} out and back; "
            "the newest ping has no echo there"
        )
    place = (
        f"Marked echo: {metres_text(echo.range_m, echo.u_range_m)} m, standard uncertainty "
        f"{echo.u_range_m * 1e3:.2g} mm; {time_text(echo.delay_s)} out and back; "
    )
    more_m = echo.more_within_m
    if more_m is not None:
        place += f"more than one, within {1e3 * more_m:.0f} mm; "
    if math.isnan(echo.strength_db):
        return f"{place}how strong, an edge time cannot show"
    return f"{place}{signed(echo.strength_db)} dB; signal to noise {signed(echo.snr_db, 0)} dB"


def ping_before(pings: int) -> str:
    """Name a ping by how many pings ago it was sent.

    Examples
    --------
    >>> ping_before(1), ping_before(2)
    ('the ping before', 'the ping 2 before')
    """
    return "the ping before" if pings == 1 else f"the ping {pings} before"


def late_text(late: LateEcho) -> str:
    """Say of an echo of a ping before where it comes from, and where it seems to stand.

    Examples
    --------
    >>> late_text(LateEcho(echo=Echo(range_m=6.5, path_m=13.0, delay_s=0.0379, u_range_m=0.004,
    ...     strength_db=-40.0, snr_db=30.0, bound_m=0.001), pings_before=1, seems_m=1.34))
    '6.50 m, of the ping before; it seems 1.34 m'
    """
    u_range_m = late.echo.u_range_m
    return (
        f"{metres_text(late.echo.range_m, u_range_m)} m, of {ping_before(late.pings_before)}; "
        f"it seems {metres_text(late.seems_m, u_range_m)} m"
    )


def time_zero_text(plan: Plan, time_zero: TimeZero | None) -> str:
    """Say from where ranges are counted, and from when times."""
    apart = length_text(plan.geometry.baseline_m)
    words = f"Ranges are from midway between source and receiver, {apart} apart"
    if time_zero is not None:
        words += f"; times run from {_TIME_ZERO.get(time_zero.method, time_zero.method)}"
    return words


def counted(count: int, noun: str) -> str:
    """Return how many there are of something whose plural ends in -s; after an -o in -es.

    Examples
    --------
    >>> counted(0, "ping"), counted(1, "ping"), counted(2, "echo")
    ('0 pings', '1 ping', '2 echoes')
    """
    plural = "es" if noun.endswith("o") else "s"
    return f"{count} {noun}{'' if count == 1 else plural}"


def metres_text(range_m: float, u_range_m: float = 0.0) -> str:
    """Return a range in metres with no more digits than its standard uncertainty bears.

    From centimetres to tenths of a millimetre; millimetres where nothing is known.

    Examples
    --------
    >>> metres_text(1.23456, 0.002), metres_text(1.23456, 0.00013), metres_text(1.23456, 0.05)
    ('1.235', '1.2346', '1.23')
    """
    digits = 3
    if u_range_m > 0 and math.isfinite(u_range_m):
        digits = min(max(-math.floor(math.log10(3 * u_range_m)), 2), 4)
    return f"{range_m:.{digits}f}"


def length_text(length_m: float) -> str:
    """Return a length in metres, or in centimetres below one."""
    return f"{length_m:.2f} m" if length_m >= 1 else f"{length_m * 100:.3g} cm"


def when_text(when: datetime, *, to: str = "minutes") -> str:
    """Write a date and a time of day, to the minute or to the second, and of which zone.

    Examples
    --------
    >>> when_text(datetime(2026, 3, 1, 9, 5))
    '2026-03-01 09:05'
    """
    return f"{when.date()} {when.time().isoformat(to)} {when.tzname() or ''}".rstrip()


def time_text(time_s: float) -> str:
    """Return a time in the unit that leaves digits before the point.

    Examples
    --------
    >>> time_text(0.25), time_text(0.0002)
    ('250 ms', '200 µs')
    """
    for unit, per_s in (("s", 1.0), ("ms", 1e3)):
        if time_s * per_s >= 1:
            return f"{time_s * per_s:.4g} {unit}"
    return f"{time_s * 1e6:.4g} µs"


def tick_texts(ticks: Sequence[float]) -> list[str]:
    """Write the ticks of one axis, all with the same digits."""
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    return [signed(t, digits) for t in ticks]


def signed(value: float, digits: int = 1) -> str:
    """Write a number with a true minus sign, and zero without one."""
    text = f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", "\N{MINUS SIGN}")
