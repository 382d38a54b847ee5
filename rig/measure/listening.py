"""One ping, slowed so that ears hear the echo come after the pulse.

What is heard is the microphone's own sound at a lower speed, pitch and all, or shifted to
a pitch of one's choice; or, on demand, the compressed echoes, which are as short as the
bandwidth lets them be and so stay apart where the pulse itself is longer than the way.
"""

from __future__ import annotations

import dataclasses
import io
import math
import os
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.ping.slowing import evened, faded, slowed
from rig.bench.capture import CaptureBlock
from rig.bench.plan import Plan
from rig.errors import NotHeardError, PlanError, RecordingError
from rig.files.whole import write_whole
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult

HEARD_RATE_HZ = 48_000
"""A rate that every sound device plays."""

PEAK_DB = -20.0
"""The loudest sample of what is heard, dB re full scale, unless another is asked for."""

LOUDEST_DB = -3.0
"""No peak above this may be asked for: what a converter makes between two samples may be
higher than either."""

LOWEST_HZ, HIGHEST_HZ = 20.0, 20e3
"""The range of a young ear (common practice, no source)."""

MOST_PINGS = 8
"""So many a live front end sends, at the most, until one is good."""

LONGEST_S = 600.0
"""More than this nobody listens to; and it bounds the file."""

CLAPS_APART_S = 0.6
"""Two claps so far apart are easy for a class to keep (common practice, no source)."""

CLAPPED_HZ, CLAPPED_TIMES = 600.0, 4
"""What is clapped to: a pitch that a laptop's loudspeaker gives, and how often."""

FADE_S = 0.01
"""Of what is heard, at either end, at the most."""

_QUIET_BEFORE_S = 0.004  # of the ping's own time; less than the lead of every block


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardPing:
    """One ping and its samples.

    Attributes
    ----------
    receiver : Receiver
    result : PingResult
        A good one.
    block : CaptureBlock
        The samples that it was made from.
    """

    receiver: Receiver
    result: PingResult
    block: CaptureBlock


@dataclass(frozen=True, slots=True, kw_only=True)
class HeardEcho:
    """When one echo is heard.

    Attributes
    ----------
    echo : Echo
    heard_delay_s : float
        From the pulse's leaving to its return, as heard: the factor times the true one.
    starts_s : float
        Where it starts in what is heard, from the first sample.
    gap_s : float
        Silence as heard between the end of what came straight from the source and the
        echo's start; negative where the two overlap.
    """

    echo: Echo
    heard_delay_s: float
    starts_s: float
    gap_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Listening:
    """What is heard of a ping.

    Attributes
    ----------
    samples : ndarray of float32, shape (samples,)
        At :data:`HEARD_RATE_HZ`.
    ping : int
    factor : float
    leaves_s : float
        Where the pulse leaves in what is heard, from the first sample.
    starts_s : float
        Where it starts to be heard, straight from the source.
    pulse_s : float
        How long one arrival lasts as heard.
    band_hz : tuple of float
        The band in which the pulse is heard.
    peak_db : float
        Of the samples, dB re full scale.
    echoes : tuple of HeardEcho
        Nearest first.
    times : int
        How often the ping is heard; all places are those of the first time.
    """

    samples: NDArray[np.float32]
    ping: int
    factor: float
    leaves_s: float
    starts_s: float
    pulse_s: float
    band_hz: tuple[float, float]
    peak_db: float
    echoes: tuple[HeardEcho, ...]
    times: int = 1

    @property
    def duration_s(self) -> float:
        """How long it is heard."""
        return self.samples.size / HEARD_RATE_HZ

    @property
    def apart(self) -> bool:
        """Whether the nearest echo starts only after the direct sound has ended."""
        return bool(self.echoes) and self.echoes[0].gap_s > 0


class _Kept:
    """A recorder that keeps the latest blocks."""

    def __init__(self) -> None:
        self.blocks: dict[int, CaptureBlock] = {}

    def write(self, block: CaptureBlock) -> None:
        self.blocks.pop(block.index - 3, None)
        self.blocks[block.index] = block

    def note(
        self, index: int, *, time_zero_s: float | None, method: str, lost: bool, reason: str
    ) -> None:
        pass


def ping_heard(
    receiver: Receiver, blocks: Iterable[CaptureBlock], *, ping: int | None = None
) -> HeardPing:
    """Choose a ping, by the same code that a run and a replay use.

    Parameters
    ----------
    receiver : Receiver
    blocks : iterable of CaptureBlock
        Of a front end or a recording; no more are taken than are needed.
    ping : int, optional
        Its number, from 0. None takes the first good ping in which an echo was found, or
        else the first good one.

    Raises
    ------
    NotHeardError
        Where no ping is good, or the one that was asked for is lost.
    RecordingError
        Where there is no ping of that number.
    PlanError
        Where the device hands on edge times and no sound.
    """
    if receiver.info.edge_step_s is not None:
        raise PlanError(
            f"{receiver.info.device}: hands on one edge time a ping and no sound; "
            "give a device or a recording that hands on samples"
        )
    kept = _Kept()
    first: HeardPing | None = None
    count, reason = 0, "no ping was sent"
    for result in ping_results(receiver, blocks, recorder=kept):
        count += 1
        if result.lost:
            reason = result.reason
            if result.index == ping:
                raise NotHeardError(f"ping {ping}: is lost ({reason}); give another")
            continue
        found = HeardPing(receiver=receiver, result=result, block=kept.blocks[result.index])
        if result.index == ping or (ping is None and result.echoes):
            return found
        first = first or found
    if ping is not None:
        raise RecordingError(f"ping {ping}: found {count} pings; give 0 to {count - 1}")
    if first is None:
        raise NotHeardError(f"no ping can be listened to: all {count} are lost ({reason})")
    return first


def listen(
    heard: HeardPing,
    factor: float,
    *,
    pitch_hz: float | None = None,
    compressed: bool = False,
    even: bool = False,
    peak_db: float = PEAK_DB,
) -> Listening:
    """Make what is heard of a ping played at 1/`factor` of its speed.

    Parameters
    ----------
    heard : HeardPing
    factor : float
        At least 1.
    pitch_hz : float, optional
        Where the middle of the pulse's band is to be heard. None leaves it at 1/`factor`
        of its true frequency.
    compressed : bool
        The compressed profile as the strength strip shows it, in place of the raw sound.
    even : bool
        Bring loud and soft closer, by half of their difference in dB.
    peak_db : float
        Of the loudest sample, dB re full scale; at most :data:`LOUDEST_DB`.

    Raises
    ------
    PlanError
        Where it could not be heard, or would last longer than :data:`LONGEST_S`.
    """
    if not 1 <= factor < math.inf:
        raise PlanError(f"slow: found {factor:g}; give 1 or more")
    if not -100 <= peak_db <= LOUDEST_DB:
        raise PlanError(f"peak: found {peak_db:g} dB; give -100 to {LOUDEST_DB:g}")
    receiver, result = heard.receiver, heard.result
    shift_hz, band_hz = _heard_band(receiver.plan, factor, pitch_hz)
    given, rate_hz, carrier_hz, leaves_s = _to_play(heard, compressed)
    heard_s = given.size / rate_hz * factor
    if heard_s > LONGEST_S:
        raise PlanError(
            f"slow: found {factor:g}, which makes {heard_s:.0f} s of sound; give at most "
            f"{LONGEST_S / heard_s * factor:.3g}, or a smaller receiver.range_stop_m"
        )
    samples = slowed(
        given,
        sample_rate_hz=rate_hz,
        factor=factor,
        heard_rate_hz=HEARD_RATE_HZ,
        shift_hz=shift_hz,
        carrier_hz=carrier_hz,
        zone=_zone(receiver.plan),
    )
    lasts_s = receiver.shape.width_s if compressed else receiver.plan.pulse.duration_s
    if even:
        samples = evened(samples, window=max(1, round(lasts_s * factor * HEARD_RATE_HZ)))
    quiet_s = _QUIET_BEFORE_S * factor / 2
    fade = min(round(min(FADE_S, quiet_s) * HEARD_RATE_HZ), samples.size // 2)
    samples = faded(samples, rise=fade, fall=fade)
    # The middle of a compressed arrival stands at its delay, and of the pulse its start.
    early_s = lasts_s / 2 if compressed else 0.0
    direct_s = receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    return Listening(
        samples=_at_peak(samples, peak_db),
        ping=result.index,
        factor=factor,
        leaves_s=factor * leaves_s,
        starts_s=factor * (leaves_s + direct_s - early_s),
        pulse_s=factor * lasts_s,
        band_hz=band_hz,
        peak_db=peak_db,
        echoes=tuple(
            HeardEcho(
                echo=echo,
                heard_delay_s=factor * echo.delay_s,
                starts_s=factor * (leaves_s + echo.delay_s - early_s),
                gap_s=factor * (echo.delay_s - direct_s - lasts_s),
            )
            for echo in result.echoes
        ),
    )


def clapping_pace(heard: HeardPing) -> float:
    """Return how many times as slow hands can clap to a ping and its nearest echo.

    Raises
    ------
    NotHeardError
        Where no echo stands above the threshold.
    """
    if not heard.result.echoes:
        raise NotHeardError(
            f"ping {heard.result.index}: found no echo to clap to; give --slow, or --ping another"
        )
    return max(1.0, float(f"{CLAPS_APART_S / heard.result.echoes[0].delay_s:.2g}"))


def repeated(listening: Listening, times: int) -> Listening:
    """Return what is heard so many times over, with a pause between."""
    if times == 1:
        return listening
    pause = np.zeros(round(CLAPS_APART_S * HEARD_RATE_HZ), dtype=np.float32)
    once = np.concatenate([listening.samples, pause])
    samples = np.concatenate([np.tile(once, times - 1), listening.samples])
    return dataclasses.replace(listening, samples=samples, times=times)


def _at_peak(samples: NDArray[np.float64], peak_db: float) -> NDArray[np.float32]:
    loudest = float(np.abs(samples).max())
    level = 10 ** (peak_db / 20) / loudest if loudest > 0 else 0.0
    return (samples * level).astype(np.float32)


def _zone(plan: Plan) -> int:
    """In which half of the sample rate the sound truly lies; 0 but for a board's."""
    if not plan.timing.band_sampling:
        return 0
    return math.floor(plan.pulse.centre_hz / (plan.timing.sample_rate_hz / 2))


def _heard_band(
    plan: Plan, factor: float, pitch_hz: float | None
) -> tuple[float, tuple[float, float]]:
    """Return the shift after slowing, and the band in which the pulse is then heard."""
    true_hz = (plan.pulse.lowest_hz, plan.pulse.highest_hz)
    middle_hz = sum(true_hz) / 2
    shift_hz = 0.0 if pitch_hz is None else pitch_hz - middle_hz / factor
    low_hz, high_hz = (f / factor + shift_hz for f in true_hz)
    if pitch_hz is None and not LOWEST_HZ <= middle_hz / factor <= HIGHEST_HZ:
        raise PlanError(
            f"slow: found {factor:g}, at which the pulse is heard at {middle_hz / factor:.3g} Hz; "
            f"give {max(1.0, middle_hz / HIGHEST_HZ):.3g} to {middle_hz / LOWEST_HZ:.3g}, "
            "or a pitch"
        )
    half_hz = (high_hz - low_hz) / 2
    lowest_hz, highest_hz = LOWEST_HZ + half_hz, HIGHEST_HZ - half_hz
    if pitch_hz is not None and not lowest_hz <= pitch_hz <= highest_hz:
        remedy = f"give {lowest_hz:.4g} to {highest_hz:.4g}"
        if lowest_hz > highest_hz:
            remedy = f"give a slow of at least {factor * half_hz / (HIGHEST_HZ / 2):.3g}"
        raise PlanError(
            f"pitch: found {pitch_hz:g} Hz, about which the pulse is heard {2 * half_hz:.4g} Hz "
            f"wide; {remedy}"
        )
    return shift_hz, (max(low_hz, 0.0), high_hz)


def _to_play(
    heard: HeardPing, compressed: bool
) -> tuple[NDArray[np.floating | np.complexfloating], float, float, float]:
    """Return what is to be slowed, its rate, its carrier, and when the pulse leaves in it.

    It goes from a little before the pulse's leaving to the end of an echo from the plan's
    farthest range.
    """
    receiver, result = heard.receiver, heard.result
    if result.time_zero is None or result.profile is None:
        raise NotHeardError(f"ping {result.index}: is lost ({result.reason}); give another")
    fade_s = _QUIET_BEFORE_S
    if compressed:
        profile = result.profile
        before = math.ceil(_QUIET_BEFORE_S / profile.bin_s)
        last = math.ceil((receiver.last_echo_s + fade_s) / profile.bin_s)
        return (
            np.pad(profile.envelope[:last], (before, 0)),
            1 / profile.bin_s,
            receiver.shape.carrier_hz,
            before * profile.bin_s,
        )
    rate_hz, leaves_s = receiver.info.sample_rate_hz, result.time_zero.delay_s
    first = max(0, math.floor((leaves_s - _QUIET_BEFORE_S) * rate_hz))
    last = math.ceil((leaves_s + receiver.last_echo_s + fade_s) * rate_hz)
    samples = heard.block.samples[receiver.info.microphone, first:last]
    return samples, rate_hz, 0.0, leaves_s - first / rate_hz


def write_wav(path: str | os.PathLike[str], listening: Listening) -> None:
    """Write what is heard: WAV, one channel, 48 kHz, 24 bits.

    Raises
    ------
    StorageError
        Where it cannot be written.
    """
    write_whole(path, wav_bytes(listening), what="sound")


def wav_bytes(listening: Listening, *, step: int = 1, subtype: str = "PCM_24") -> bytes:
    """Return what is heard as a WAV file's content, one channel.

    Parameters
    ----------
    listening : Listening
    step : int
        Every so manieth sample is kept; what is heard must lie below half of the rate left.
    subtype : str
        As soundfile names how a sample is written.
    """
    import soundfile

    sound = io.BytesIO()
    samples, rate_hz = listening.samples[::step], HEARD_RATE_HZ // step
    soundfile.write(sound, samples, rate_hz, subtype=subtype, format="WAV")
    return sound.getvalue()


def listening_lines(listening: Listening, *, compressed: bool = False) -> tuple[str, ...]:
    """Put what is heard into words."""
    found = listening
    low_hz, high_hz = found.band_hz
    lines = [
        f"Ping {found.ping}, {found.factor:g} times as slow: {found.duration_s:.2f} s, "
        f"the pulse from {low_hz:.0f} to {high_hz:.0f} Hz, its start at {found.starts_s:.3f} s",
    ]
    if found.times > 1:
        lines[0] += f"; {found.times} times over"
    if found.apart:
        way_m = found.echoes[0].echo.path_m
        lines.append(
            f"between ping and first echo {found.echoes[0].gap_s:.2f} s of near silence: the sound "
            f"is on its way, {way_m:.2f} m out and back; what rustles is the room's noise, slowed "
            "as well"
        )
    for heard in found.echoes:
        silence = f"{heard.gap_s:.3f} s after the direct sound's end"
        if heard.gap_s <= 0:
            silence = "while the direct sound goes on"
        lines.append(
            f"echo from {heard.echo.range_m:.3f} m: {1e3 * heard.echo.delay_s:.3f} ms out and "
            f"back, heard {heard.heard_delay_s:.4f} s; it starts at {heard.starts_s:.3f} s, "
            f"{silence}"
        )
    if not found.echoes:
        lines.append("no echo stands above the threshold in this ping")
    elif not found.apart and not compressed:
        lines.append(
            "ping and nearest echo overlap, however slow: the pulse is longer than the way; "
            "listen to the compressed echoes, send a shorter pulse, or stand farther off"
        )
    if high_hz < 300:
        lines.append(
            "a laptop's loudspeaker gives little below some 300 Hz (common practice): "
            "give a pitch, or less slowing"
        )
    return tuple(lines)
