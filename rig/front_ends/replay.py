"""Pings that were recorded, handed on as if they came in now."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Iterator

from rig.bench.capture import CaptureBlock, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Plan
from rig.errors import PlanError, RecordingError
from rig.files.recording import Recording, read_recording
from rig.files.sound_file import SoundFile, is_sound_file, open_sound_file
from rig.tank.truth import Truth, held_from_tables


class Replay(Closing):
    """A front end whose pings were sent before.

    Made by :func:`open_recording`. The session treats its stream as it did the
    live one: :attr:`info` is that of the front end that was recorded.

    Attributes
    ----------
    plan : Plan
        In force: the one given, else the recording's own; at the samples' own rate.
    pings : int
        How many it holds, without the one that only confirms the last.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing was.
    began : datetime or None
        When the first ping was recorded; None where the file does not say.
    """

    def __init__(self, source: Recording | SoundFile, *, plan: Plan, pings: int) -> None:
        self._source = source
        self.plan = plan
        self.pings = pings
        self.lost_at_end = source.lost_at_end
        self.began = source.began if isinstance(source, Recording) else None
        self._truth = _truth(source) if isinstance(source, Recording) else None

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self._source.info

    @property
    def truth(self) -> Truth | None:
        """What really stood there, where a made-up scene was recorded with its pings."""
        return self._truth

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Yield the first `pings` blocks, or as many as there are.

        Where the live run sent one more to confirm the last, the next one follows,
        if it was recorded.

        Raises
        ------
        RecordingError
            Where a file turns out to be damaged.
        """
        for block in self._source.blocks():
            if block.confirms_only:
                yield block
                return
            if pings == 0:
                if self.info.confirms_last:
                    yield dataclasses.replace(block, confirms_only=True)
                return
            yield block
            pings -= 1

    def close(self) -> None:
        """Do nothing: each file is open only while it is read."""


def open_recording(path: str | os.PathLike[str], plan: Plan | None = None) -> Replay:
    """Open a recording, or a sound file with the plan that it was made by.

    Parameters
    ----------
    path : str or path
        A ``.sigmf-meta``, or a WAV or FLAC file.
    plan : Plan, optional
        How to process it. A recording brings its own; a sound file needs one.

    Raises
    ------
    RecordingError
        Where the file is no recording, or is damaged.
    PlanError
        Where the plan does not fit what was recorded.
    """
    if is_sound_file(path):
        if plan is None:
            raise RecordingError(
                f"{os.fspath(path)}: a sound file does not say which pulse was sent, or when; "
                "give its plan with --plan FILE"
            )
        sound = open_sound_file(path, plan)
        return Replay(sound, plan=sound.plan, pings=sound.pings)
    recording = read_recording(path)
    pings = sum(not ping.confirms_only for ping in recording.pings)
    return Replay(recording, plan=_fitting(recording, plan, os.fspath(path)), pings=pings)


def _truth(recording: Recording) -> Truth | None:
    if not recording.scenes:
        return None
    try:
        plan = recording.plan.at_rate(recording.info.sample_rate_hz)
        return Truth(plan, held_from_tables(recording.scenes))
    except (KeyError, TypeError, ValueError) as problem:
        raise RecordingError(
            f"{recording.data_path}: echobench:scenes: cannot be used ({problem}); "
            "give a recording whose metadata is as it was written"
        ) from problem


def _fitting(recording: Recording, given: Plan | None, name: str) -> Plan:
    """Return the plan in force, checked against what was recorded."""
    info = recording.info
    try:
        plan = (given or recording.plan).at_rate(info.sample_rate_hz)
    except ValueError as problem:
        raise PlanError(
            f"{name}: at its {info.sample_rate_hz:g} Hz the plan cannot work: {problem}"
        ) from problem
    if plan.geometry.time_zero == "loopback" and info.loopback is None:
        raise PlanError(
            f'{name}: geometry.time_zero: found "loopback", and no loopback channel was recorded; '
            'give "direct"'
        )
    if plan.geometry.second is not None and info.second is None:
        raise PlanError(
            f"{name}: geometry.second_channel: found {plan.geometry.second_channel}, and no second "
            "receiver was recorded; leave second_channel and second_spacing_m out"
        )
    if (
        plan.geometry.time_zero == "calibration"
        and info.knows_leaving
        and recording.plan.geometry.time_zero != "calibration"
    ):
        raise PlanError(
            f'{name}: geometry.time_zero: found "calibration", and the pings were recorded by '
            f'"{recording.plan.geometry.time_zero}"; give that'
        )
    if max(ping.pulse_index for ping in recording.pings) >= plan.pulses_per_cycle:
        raise PlanError(
            f"{name}: pulse.kind: found {plan.pulse.kind!r}, and the recorded pings took turns "
            'with two pulses; give "golay"'
        )
    recorded = recording.plan.at_rate(info.sample_rate_hz)
    if plan.timing.signed_pings != recorded.timing.signed_pings:
        raise PlanError(
            f"{name}: timing.signed_pings: found {str(plan.timing.signed_pings).lower()}, and the "
            f"pings were recorded with {str(recorded.timing.signed_pings).lower()}; give that"
        )
    if any((ping.sign_place is not None) != plan.timing.signed_pings for ping in recording.pings):
        raise RecordingError(
            f"{name}: echobench:sign_place: does not stand at each ping just where "
            "timing.signed_pings is true; give a recording whose metadata is as it was written"
        )
    if plan.interval_samples != recorded.interval_samples:
        raise PlanError(
            f"{name}: timing.ping_interval_s: found {plan.timing.ping_interval_s:g}, and the pings "
            f"were recorded every {recorded.timing.ping_interval_s:g} s; give that"
        )
    for ping in recording.pings:
        if ping.frames != plan.interval_samples:
            raise RecordingError(
                f"{name}: ping {ping.index} has {ping.frames} samples, and the plan's interval "
                f"{plan.interval_samples}; give a recording whose metadata is as it was written"
            )
        if not 0 <= ping.mark_s * info.sample_rate_hz < ping.frames:
            raise RecordingError(
                f"{name}: ping {ping.index}: echobench:mark_s: found {ping.mark_s:g}, which is "
                "outside its samples; give a recording whose metadata is as it was written"
            )
    return plan
