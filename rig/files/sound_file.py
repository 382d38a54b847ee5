"""Pings out of a plain sound file: WAV or FLAC, with a plan to say what was sent.

The file's own sample rate holds. The first ping's mark is the first sound that the
plan's pulse finds and that comes again in the pings that follow; from there on pings start
every ``ping_interval_s``, rounded to samples once and then exact.
"""

from __future__ import annotations

import contextlib
import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from rig.bench.capture import LEAD_S, MOST_CHANNELS, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import MOST_BLOCK_SAMPLES, Plan
from rig.errors import PlanError, RecordingError
from rig.files.first_ping import FirstPing, last_echo_s
from rig.files.sound_samples import FULL_SCALE, loss_in_words, opened, read_samples, refuse_twins

_MAGIC = (b"RIFF", b"RIFX", b"RF64", b"fLaC")
_FORMATS = ("WAV", "WAVEX", "RF64", "FLAC")

_MOST_FRAMES_A_BYTE = 6000
"""A FLAC frame holds 65535 samples at the most, in 11 bytes at the least (RFC 9639, from
memory); a header may claim more."""


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
    lost_at_start : str
        What is left out ahead of the first, in words; empty if nothing is known to be.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing is known to be.
    """

    path: Path
    plan: Plan
    info: StreamInfo
    pings: int
    start_sample: int
    mark_s: float
    lost_at_start: str = ""
    lost_at_end: str = ""

    def blocks(self) -> Iterator[CaptureBlock]:
        """Cut out each ping's block. What the file lacks at either end is zero.

        Raises
        ------
        RecordingError
            Where the file turns out to be damaged.
        """
        frames = self.plan.interval_samples
        with opened(self.path) as file:
            full_scale = FULL_SCALE.get(file.subtype, 1.0)
            for index in range(self.pings):
                start = self.start_sample + index * frames
                samples = read_samples(file, self.path, start, frames)
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
    with opened(path) as file:
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
            refuse_twins(file, path, info.microphone, info.second)
        search = FirstPing(file, path, plan, info)
        mark_sample = search.first()
        search.refuse_another_sweep(mark_sample)
        search.refuse_the_middle(mark_sample)
        start_sample = round(mark_sample) - round(LEAD_S * rate)
        mark_s = (mark_sample - start_sample) / rate
        # Whole blocks, and a last part that still holds the farthest echo.
        pings, rest = divmod(file.frames - start_sample, plan.interval_samples)
        if rest >= math.ceil((mark_s + last_echo_s(plan)) * rate):
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
        left_out = search.left_out(mark_sample)
    if pings < 1:
        raise RecordingError(
            f"{path}: ends {after_s:.3g} s after its first pulse starts, within the first ping; "
            f"give {last_echo_s(plan):.3g} s, or a smaller range_stop_m"
        )
    return SoundFile(
        path=path,
        plan=plan,
        info=info,
        pings=pings,
        start_sample=start_sample,
        mark_s=mark_s,
        lost_at_start=left_out,
        lost_at_end=loss_in_words(path),
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
