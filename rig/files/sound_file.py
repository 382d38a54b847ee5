"""Pings out of a plain sound file: WAV or FLAC, with a plan to say what was sent.

The file's own sample rate holds. The first ping's mark is the first sound that the
plan's pulse finds and that comes again in the pings that follow; from there on pings start
every ``ping_interval_s``, rounded to samples once and then exact.
"""

from __future__ import annotations

import contextlib
import dataclasses
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import first_arrival, in_doubt
from dsp.ping.first_sound.other_sweep import sweeps_otherwise
from dsp.ping.first_sound.train_start import begun_alone, train_begun
from dsp.ping.samples.opening_filter import OpeningFilter
from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.capture import (
    LEAD_S,
    MOST_CHANNELS,
    MOST_DRIFT,
    CaptureBlock,
    CaptureFlag,
    StreamInfo,
    are_samples,
)
from rig.bench.plan import MOST_BLOCK_SAMPLES, Plan
from rig.bench.waveforms import pulses_of
from rig.errors import PlanError, RecordingError

_MAGIC = (b"RIFF", b"RIFX", b"RF64", b"fLaC")
_FORMATS = ("WAV", "WAVEX", "RF64", "FLAC")

_FULL_SCALE = {
    "PCM_U8": 127 / 128, "PCM_S8": 127 / 128, "PCM_16": 1 - 2**-15, "PCM_24": 1 - 2**-23,
    "ULAW": 8031 / 8192, "ALAW": 4032 / 4096,
}  # fmt: skip
"""The highest value of each converter width, and of both laws of ITU-T G.711 (tables 1 and 2,
from memory); 1 for the others, once they are float32."""

_STEP = {"PCM_U8": 2**-7, "PCM_S8": 2**-7, "PCM_16": 2**-15, "PCM_24": 2**-23}
"""From one value of a converter of that width to the next."""

_MOST_SEARCHED = 1 << 18
"""Samples read or searched at a time; bounds the memory it takes."""

_MOST_FRAMES_A_BYTE = 6000
"""A FLAC frame holds 65535 samples at the most, in 11 bytes at the least (RFC 9639, from
memory); a header may claim more."""

_MOST_LOOKS = 3
"""So many stretches of its own are searched for where a train begins. Chosen: one shows what
stands ahead of the sound that was found, the next that nothing does."""

_PINGS_THAT_FOLLOW = (7, 3, 1, 0)
"""A sound is a ping's if it comes again in most of so many that follow; of fewer where there
are no more. Where none does, as in a file of one ping, it is the first sound."""

_AS_LOUD = 4.0
"""A ping's loudest may be so much louder than another's: 12 dB."""

_FLANK_LOBES = 2.0
"""So much of what is not in the file is looked at beside it: a pulse at its very start then has
a rising side, and its top is between bins. Few enough that noise is weighed by noise."""

_WEAKEST_DB = -80.0
"""Relative to the file's loudest sample: what is weaker is rounding, not a pulse."""


def is_sound_file(path: str | os.PathLike[str]) -> bool:
    """Whether a file goes by the name of WAV or FLAC, or starts as one."""
    if Path(path).suffix.lower() in (".wav", ".flac"):
        return True
    if not os.path.isfile(path):
        return False
    with contextlib.suppress(OSError), open(path, "rb") as file:
        return file.read(4) in _MAGIC
    return False


@dataclass(frozen=True, slots=True, kw_only=True)
class SoundFile:
    """Where the pings stand in a sound file.

    Attributes
    ----------
    path : Path
    plan : Plan
        At the file's own sample rate.
    info : StreamInfo
    pings : int
        How many the file holds, at least one: up to the last in which the pulse
        is heard at all.
    start_sample : int
        Where the first block starts; negative where the file starts later.
    mark_s : float
        The mark's due time in every block.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing is known to be.
    """

    path: Path
    plan: Plan
    info: StreamInfo
    pings: int
    start_sample: int
    mark_s: float
    lost_at_end: str = ""

    def blocks(self) -> Iterator[CaptureBlock]:
        """Cut out each ping's block. What the file lacks at either end is zero.

        Raises
        ------
        RecordingError
            Where the file turns out to be damaged.
        """
        frames = self.plan.interval_samples
        with _opened(self.path) as file:
            full_scale = _FULL_SCALE.get(file.subtype, 1.0)
            for index in range(self.pings):
                start = self.start_sample + index * frames
                samples = _read(file, self.path, start, frames)
                clipped = float(np.abs(samples).max()) >= full_scale
                yield CaptureBlock(
                    index=index,
                    samples=samples,
                    start_sample=start,
                    mark_s=self.mark_s,
                    pulse_index=index % self.plan.pulses_per_cycle,
                    flags=CaptureFlag.CLIPPED if clipped else CaptureFlag.NONE,
                )


def open_sound_file(path: str | os.PathLike[str], plan: Plan) -> SoundFile:
    """Find the pings of a sound file.

    Parameters
    ----------
    path : str or path
        WAV or FLAC, of any sample rate and width.
    plan : Plan
        Says which pulse was sent, how often, and which channels are a loopback and a
        second receiver; the first other channel is the microphone.

    Raises
    ------
    PlanError
        Where the plan does not fit the file.
    RecordingError
        Where the file is damaged, or holds no ping of that plan.
    """
    path = Path(path)
    if plan.timing.signed_pings:
        raise PlanError(
            f"{path}: timing.signed_pings: found true, and a sound file does not say with which "
            "sign its first ping was sent; leave it out, or record with --record"
        )
    with _opened(path) as file:
        if file.format not in _FORMATS:
            raise RecordingError(f"{path}: is {file.format}; give a WAV or FLAC file")
        if file.frames == 0:
            raise RecordingError(f"{path}: holds no samples; give a file with at least one ping")
        if file.channels > MOST_CHANNELS:
            raise RecordingError(
                f"{path}: has {file.channels} channels; give a file of {MOST_CHANNELS} at the most"
            )
        if file.frames > _MOST_FRAMES_A_BYTE * path.stat().st_size:
            raise RecordingError(
                f"{path}: says that it holds {file.frames} samples, more than its length can; "
                "give a whole WAV or FLAC file"
            )
        rate = file.samplerate
        try:
            plan = plan.at_rate(rate)
        except ValueError as problem:
            raise PlanError(
                f"{path}: at its {rate} Hz the plan cannot work: {problem}"
            ) from problem
        if plan.interval_samples * file.channels > MOST_BLOCK_SAMPLES:
            raise PlanError(
                f"{path}: timing.ping_interval_s: found {plan.timing.ping_interval_s:g}, which is "
                f"{plan.interval_samples} samples on each of {file.channels} channels; give a "
                "shorter one, or a file of the channels that are needed"
            )
        info = _stream_info(path, file, plan)
        if info.second is not None:
            _refuse_twins(file, path, info.microphone, info.second)
        search = _MarkSearch(file, path, plan, info)
        mark_sample = search.first()
        search.refuse_another_sweep(mark_sample)
        search.refuse_the_middle(mark_sample)
        start_sample = round(mark_sample) - round(LEAD_S * rate)
        mark_s = (mark_sample - start_sample) / rate
        # Whole blocks, and a last part that still holds the farthest echo.
        pings, rest = divmod(file.frames - start_sample, plan.interval_samples)
        if rest >= math.ceil((mark_s + _last_echo_s(plan)) * rate):
            pings += 1
        # Whoever recorded it may have let it run on after the last ping.
        while pings > 1 and not search.is_sounding(
            mark_sample + (pings - 1) * plan.interval_samples, (pings - 1) % plan.pulses_per_cycle
        ):
            pings -= 1
        if pings > 1 and not search.comes_again:
            raise RecordingError(
                f"{path}: the plan's pulse is heard, and no sound comes again every "
                f"{plan.timing.ping_interval_s:g} s; give the timing.ping_interval_s that it was "
                "recorded with"
            )
        after_s = (file.frames - mark_sample) / rate
    if pings < 1:
        raise RecordingError(
            f"{path}: ends {after_s:.3g} s after its first pulse starts, within the first ping; "
            f"give {_last_echo_s(plan):.3g} s, or a smaller range_stop_m"
        )
    return SoundFile(
        path=path,
        plan=plan,
        info=info,
        pings=pings,
        start_sample=start_sample,
        mark_s=mark_s,
        lost_at_end=_loss_in_words(path),
    )


def _stream_info(path: Path, file: Any, plan: Plan) -> StreamInfo:
    geometry = plan.geometry
    if geometry.time_zero == "calibration":
        raise PlanError(
            f'{path}: geometry.time_zero: found "calibration", which a sound file has none of; '
            'give "direct" or "loopback"'
        )
    if geometry.second is not None and geometry.channels > file.channels:
        raise PlanError(
            f"{path}: geometry.second_channel: found {geometry.second_channel}, and the file's "
            f"channels: {file.channels}; give a file with {geometry.channels}, or leave "
            "second_channel out"
        )
    if geometry.channels > file.channels:
        raise PlanError(
            f"{path}: geometry.loopback_channel: found {geometry.loopback_channel}, and a "
            f"microphone beside it, and the file's channels: {file.channels}; "
            'give a file with both, or time_zero = "direct"'
        )
    return StreamInfo(
        front_end="sound-file",
        device=f"{path.name}, {file.format} {file.subtype}, {file.samplerate} Hz",
        sample_rate_hz=float(file.samplerate),
        channels=file.channels,
        microphone=geometry.microphone,
        loopback=geometry.loopback,
        second=geometry.second,
        # It may come through a sound server; whoever made it sent no ping to confirm.
        can_slip=True,
        confirms_last=False,
        knows_mark=True,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """Where the first pulse starts, and what makes that doubtful, in words."""

    first_sample: float
    doubt: str


class _MarkSearch:
    """Looks for the plan's pulse in the channel that holds the marks.

    Attributes
    ----------
    comes_again : bool
        Whether the first sound that was found comes again ping after ping.
    """

    def __init__(self, file: Any, path: Path, plan: Plan, info: StreamInfo) -> None:
        self._file, self._path = file, path
        self._pulses = pulses_of(plan)
        self._rate_hz = info.sample_rate_hz
        self._pulse = plan.pulse
        self._channel = info.microphone if info.loopback is None else info.loopback
        self._lead = round(LEAD_S * info.sample_rate_hz) + self._pulses[0].samples.size
        self._interval = plan.interval_samples
        self._way_s = plan.geometry.longest_way_s
        self._beyond = (_last_echo_s(plan) - plan.pulse.duration_s) * info.sample_rate_hz
        self._step = min(plan.interval_samples, _MOST_SEARCHED)
        self._stretch = self._lead + self._step + self._pulses[0].samples.size
        self._filter = OpeningFilter(self._pulses, self._stretch)
        self._first_peak, self.comes_again = 0.0, False
        self._rounding_step = _STEP.get(file.subtype, 0.0)
        self._weakest = _loudest(file, path, self._channel) * 10 ** (_WEAKEST_DB / 20)

    def first(self) -> float:
        """Return where the first pulse starts, in samples.

        The file is gone through in stretches until one holds a sound that comes again ping
        after ping; then the stretch about it is searched once more, so that the pulse's side
        lobes at a stretch's end, or noise, are weighed against the pulse itself. What hum leaves
        where a stretch breaks off comes again, too, and is not there in another stretch. Where
        none comes again, as in a file of one ping, it is the first sound.
        """
        for follow in _PINGS_THAT_FOLLOW:
            # The lead is ahead of the file, so that a pulse at its very start has a flank.
            starts = range(-self._lead, self._file.frames, self._step)
            begun = (found for start in starts if (found := self._begun(start, follow)))
            unsure = None
            for seen in begun:
                found = self._stands(seen, follow)
                if found is not None:
                    break
                unsure = unsure or seen
            else:
                found = unsure
            if found is None:
                continue
            if found.doubt:
                raise RecordingError(
                    f"{self._path}: {found.doubt}; give a recording with a louder direct "
                    "sound, of more pings, or with a loopback wire"
                )
            self._first_peak = self._peak(round(found.first_sample), 0)
            self.comes_again = follow > 0
            return found.first_sample
        raise RecordingError(
            f"{self._path}: the plan's pulse is not in channel {self._channel + 1}; "
            "give the plan that it was sent with, or a louder recording"
        )

    def _stands(self, found: _Begun, follow: int) -> _Begun | None:
        """Return where a train begins in a stretch of its own; None where it does not stand still.

        Each stretch that shows another sound first is searched about that one.
        """
        last = self._file.frames - 1 - follow * self._interval * len(self._pulses)
        last = last if follow else self._file.frames
        still = self._filter.shape().width_s / 2 * self._rate_hz
        for looks in range(_MOST_LOOKS):
            near = round(found.first_sample) - self._lead
            again = self._begun(min(near, last), follow)
            if again is None:
                return None
            if abs(again.first_sample - found.first_sample) < still:
                # What makes it doubtful stands in a stretch that begins sooner, too.
                sooner = self._begun(min(near - self._lead, last), follow) if again.doubt else None
                if sooner is None or abs(sooner.first_sample - again.first_sample) > still:
                    return again
                return again if sooner.doubt else sooner
            if looks and not found.doubt and found.first_sample < again.first_sample:
                # What one look about it takes for the first, and the next does not, is open.
                if again.doubt:
                    return again
                if self._is_there(near, found):
                    ahead_ms = 1e3 * (again.first_sample - found.first_sample) / self._rate_hz
                    doubt = (
                        f"what stands {ahead_ms:.2f} ms ahead of a strong sound may be the first"
                    )
                    return dataclasses.replace(again, doubt=doubt)
            found = again
        return None

    def _is_there(self, start: int, found: _Begun) -> bool:
        """Say whether a sound that was found in another stretch stands in this one, too.

        What hum leaves where a stretch breaks off is gone, or less than half.
        """
        shape = self._filter.shape()
        half = math.ceil(shape.width_s / shape.bin_s / 2)

        def height(begin: int) -> float:
            place = round((found.first_sample - begin) / self._rate_hz / shape.bin_s)
            about = np.abs(self._envelope(begin, 0)[max(place - half, 0) : place + half + 1])
            return float(about.max(initial=0.0))

        return height(start) > height(start - self._lead) / 2

    def _begun(self, start: int, follow: int) -> _Begun | None:
        """Find where a train of more than so many pings begins, within a step from a sample on."""
        cycle = self._interval * len(self._pulses)
        if follow and start + follow * cycle >= self._file.frames:
            return None
        shape = self._filter.shape()
        held = self._held(start)
        envelope = self._envelope(start, 0)[held]
        if envelope.size == 0 or np.abs(envelope).max() < self._weakest:
            return None
        if follow == 0:
            train = begun_alone(envelope, shape, way_s=self._way_s)
        else:
            train = train_begun(
                envelope,
                (self._envelope(start + k * cycle, 0)[held] for k in range(1, follow + 1)),
                shape,
                drift_bins=MOST_DRIFT * cycle / (shape.bin_s * self._rate_hz),
                stop_s=(self._lead + self._step) / self._rate_hz - held.start * shape.bin_s,
                # Rounding to even steps is noise of step/√12 (W. R. Bennett 1948).
                least_noise=self._rounding_step / math.sqrt(12) * shape.noise_gain,
                way_s=self._way_s,
            )
        if train is None or train.first.amplitude < self._weakest:
            return None
        first = train.first
        # One code of a pair comes again, too, when it is compressed by the other.
        place, reach = round(first.delay_s / shape.bin_s), math.ceil(shape.reach_s / shape.bin_s)
        around = slice(max(place - reach, 0), place + reach + 1)
        if any(
            np.abs(self._envelope(start, turn)[held][around]).max() > np.abs(envelope[around]).max()
            for turn in range(1, len(self._pulses))
        ):
            return None
        return _Begun(
            first_sample=start + (held.start * shape.bin_s + first.delay_s) * self._rate_hz,
            doubt="" if train.ahead is None else in_doubt(first, train.ahead),
        )

    def _held(self, start: int) -> slice:
        """Return the bins of a stretch in which a pulse lies within the file, and a flank.

        Beyond is no quiet by which noise may be weighed: all noise within would stand out of it.
        """
        shape = self._filter.shape()
        bin_samples = shape.bin_s * self._rate_hz
        flank = _FLANK_LOBES * shape.width_s * self._rate_hz
        last = self._file.frames - self._pulses[0].samples.size + flank - start
        return slice(
            max(math.floor((-flank - start) / bin_samples), 0),
            max(math.ceil(last / bin_samples) + 1, 0),
        )

    def refuse_the_middle(self, first_sample: float) -> None:
        """Refuse a file whose first sound that comes again may be an echo.

        So it is where a file begins, or slips, between a direct sound and its echoes. The direct
        sound then comes later: louder, and too late for an echo from within the plan's ranges.

        Raises
        ------
        RecordingError
            Where such a sound comes again, and what may be the one before it was heard ahead of
            the first, or is not in the file.
        """
        cycle = self._interval * len(self._pulses)
        near = 2 * self._filter.shape().width_s * self._rate_hz + MOST_DRIFT * cycle
        due = first_sample + cycle
        beyond = due - self._interval + self._beyond + near
        if beyond >= due - near:
            return
        # In a file of one ping no pulse is there when the next is due, and noise is no sound.
        own = max(self._loudest(at - near, at + near)[0] for at in (first_sample, due))
        louder, place = self._loudest(beyond, due - near)
        if louder <= own:
            return
        again, _ = self._loudest(place + cycle - near, place + cycle + near)
        before, _ = self._loudest(first_sample - self._interval, first_sample - near)
        is_in_the_file = place >= cycle
        if again < louder / _AS_LOUD or (is_in_the_file and before < louder / _AS_LOUD):
            return
        after_ms = 1e3 * (place - first_sample) / self._rate_hz
        raise RecordingError(
            f"{self._path}: seems to begin, or to slip, in the middle of a ping: a sound "
            f"{20 * math.log10(louder / own):.0f} dB louder than the first comes {after_ms:.1f} ms "
            "later, from beyond the plan's ranges; give a recording that begins ahead of its "
            f"first ping, as this one does after {place / self._rate_hz - LEAD_S:.3f} s, or a "
            "range_stop_m that reaches that sound"
        )

    def refuse_another_sweep(self, first_sample: float) -> None:
        """Refuse a file whose first sound is far rather a chirp of another sweep than the plan's.

        Raises
        ------
        RecordingError
        """
        pulse, start = self._pulse, round(first_sample) - self._lead
        if pulse.coupling_s and sweeps_otherwise(
            self._filter.plain_envelope(self._samples(start)),
            self._filter.plain[0].shape,
            (first_sample - start) / self._rate_hz,
            duration_s=pulse.duration_s,
            sweep_s_per_hz=pulse.coupling_s / pulse.centre_hz,
        ):
            raise RecordingError(
                f"{self._path}: its first sound is no {pulse.words} of "
                f"{1e3 * pulse.duration_s:g} ms: it sweeps otherwise; give the plan that it was "
                "sent with"
            )

    def _loudest(self, begin: float, end: float) -> tuple[float, float]:
        """Return how loud the pulse is at its loudest between two samples, and where it is so."""
        start = max(round(begin), round(end) - self._step)
        bin_samples = self._filter.shape().bin_s * self._rate_hz
        envelope = np.abs(self._envelope(start, 0)[: math.ceil((end - start) / bin_samples) + 1])
        top = int(envelope.argmax())
        return float(envelope[top]), start + top * bin_samples

    def is_sounding(self, mark_sample: float, pulse_index: int) -> bool:
        """Whether that pulse stands out anywhere in the ping whose mark is due there.

        It is held to the loudest of the first ping as well: where echoes come thick,
        none of them need stand out from the rest.
        """
        start = round(mark_sample) - self._lead
        envelope = self._envelope(start, pulse_index)[self._held(start)]
        loudest = float(np.abs(envelope).max(initial=0.0))
        if loudest > self._first_peak / _AS_LOUD:
            return True
        first = first_arrival(envelope, self._filter.shape(pulse_index))
        return first is not None and min(loudest, first.amplitude) >= self._weakest

    def _peak(self, start: int, pulse_index: int) -> float:
        return float(np.abs(self._envelope(start, pulse_index)).max())

    def _envelope(self, start: int, pulse_index: int) -> NDArray[np.complex64]:
        """Compress a stretch of the marks' channel; an echo of amplitude 1 gives 1."""
        return self._filter.envelope(self._samples(start), pulse_index)

    def _samples(self, start: int) -> NDArray[np.float32]:
        """Read a stretch of the marks' channel."""
        channels = _read(self._file, self._path, start, self._stretch)
        samples: NDArray[np.float32] = channels[self._channel]
        return samples


def _loudest(file: Any, path: Path, channel: int) -> float:
    """Read the whole file, so that damage shows on opening; return a channel's peak."""
    loudest = 0.0
    for samples in _in_parts(file, path):
        loudest = max(loudest, float(np.abs(samples[channel]).max()))
    return loudest


def _in_parts(file: Any, path: Path) -> Iterator[NDArray[np.float32]]:
    """Yield the whole file, shape (channels, frames) each."""
    for start in range(0, file.frames, _MOST_SEARCHED):
        yield _read(file, path, start, min(_MOST_SEARCHED, file.frames - start))


def _refuse_twins(file: Any, path: Path, channel: int, other: int) -> None:
    """Refuse one microphone's sound that was saved twice."""
    for samples in _in_parts(file, path):
        if not np.array_equal(samples[channel], samples[other]):
            return
    raise RecordingError(
        f"{path}: channels {channel + 1} and {other + 1} hold the same samples, which two "
        "microphones never do; give a recording of both, or leave second_channel out"
    )


def _last_echo_s(plan: Plan) -> float:
    """From the mark to the end of an echo from the plan's farthest range."""
    geometry = plan.geometry
    path_m = 2 * math.hypot(plan.receiver.range_stop_m, geometry.baseline_m / 2)
    if geometry.time_zero == "direct":
        path_m -= geometry.baseline_m
    return path_m / believed_speed_m_s(plan.medium) + plan.pulse.duration_s


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    try:
        import soundfile
    except OSError as problem:
        raise RecordingError(
            f"{path}: needs the libsndfile library ({problem}); install it (Debian: libsndfile1)"
        ) from problem
    if not os.path.isfile(path):
        raise RecordingError(f"{path}: no such file; give the path of a WAV or FLAC file")
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.SoundFileError, OSError) as problem:
        raise RecordingError(
            f"{path}: cannot be read as a sound file; give a whole WAV or FLAC file"
        ) from problem
    with file:
        yield file


def _read(file: Any, path: Path, start: int, frames: int) -> NDArray[np.float32]:
    """Read a stretch, shape (channels, frames); zero where the file is not there yet or ended."""
    import soundfile

    samples = np.zeros((file.channels, frames), dtype=np.float32)
    first, last = max(start, 0), min(start + frames, file.frames)
    if first >= last:
        return samples
    try:
        if file.tell() != first:
            file.seek(first)
        found = file.read(last - first, dtype="float32", always_2d=True)
    except soundfile.SoundFileError as problem:
        raise _damaged(path, first, file.samplerate) from problem
    if len(found) < last - first or not are_samples(found):
        raise _damaged(path, first, file.samplerate)
    samples[:, first - start : last - start] = found.T
    return samples


def _damaged(path: Path, frame: int, sample_rate_hz: int) -> RecordingError:
    return RecordingError(
        f"{path}: is damaged or cut off at or after {frame / sample_rate_hz:.3f} s; "
        "give a whole WAV or FLAC file"
    )


def _loss_in_words(path: Path) -> str:
    """Compare a WAV file's length with what its header says (RIFF: bytes 4 to 7)."""
    with path.open("rb") as file:
        head = file.read(8)
    claimed = int.from_bytes(head[4:], "little") + 8
    there = path.stat().st_size
    # A program that writes to a pipe leaves 0 or all ones there.
    if head[:4] != b"RIFF" or not there < claimed < 0xFFFFFFF0:
        return ""
    return f"{path.name} is cut short: {there} of {claimed} bytes are there; its whole pings stand"
