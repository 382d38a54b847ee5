"""Pings that were recorded, handed on as if they came in now."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterator, Sequence

from rig.bench.capture import LEAD_S, LOSS, CaptureBlock, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Plan
from rig.bench.pulse_kinds import PulsePlan
from rig.bench.tables import shown
from rig.errors import PlanError, RecordingError
from rig.files.recording import RecordedPing, Recording, read_recording
from rig.files.sound_file import SoundFile, is_sound_file, open_sound_file
from rig.tank.truth import Truth, held_from_tables

_ROUNDING_S = 1e-9
"""Of an instant within a block, which is a minute long at the most and has 16 digits."""


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
    lost_at_start : str
        What a sound file has ahead of its pings that is left out, in words; else empty.
    lost_at_end : str
        What was cut off at its end, in words; empty if nothing was.
    began : datetime or None
        When the first ping was recorded; None where the file does not say.
    """

    def __init__(self, source: Recording | SoundFile, *, plan: Plan, pings: int) -> None:
        self._source = source
        self.plan = plan
        self.pings = pings
        self.lost_at_start = "" if isinstance(source, Recording) else source.lost_at_start
        self.lost_at_end = source.lost_at_end
        self.began = source.began if isinstance(source, Recording) else None
        self._truth = _truth(source) if isinstance(source, Recording) else None

    @property
    def noted(self) -> Sequence[RecordedPing]:
        """What was noted of each ping when it came in by the plan in force; nothing by another."""
        source = self._source
        if not isinstance(source, Recording):
            return ()
        by_its_own = self.plan == source.plan.at_rate(self.info.sample_rate_hz)
        return source.pings if by_its_own else ()

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
    recorded = recording.plan.at_rate(info.sample_rate_hz)
    _check_pulse(plan.pulse, recorded.pulse, name)
    if plan.timing.signed_pings != recorded.timing.signed_pings:
        raise PlanError(
            f"{name}: timing.signed_pings: found {str(plan.timing.signed_pings).lower()}, and the "
            f"pings were recorded with {str(recorded.timing.signed_pings).lower()}; give that"
        )
    if plan.interval_samples != recorded.interval_samples:
        raise PlanError(
            f"{name}: timing.ping_interval_s: found {plan.timing.ping_interval_s:g}, and the pings "
            f"were recorded every {recorded.timing.ping_interval_s:g} s; give that"
        )
    _check_channels(recording, name)
    _check_places(recording, recorded, name)
    return plan


def _check_pulse(given: PulsePlan, recorded: PulsePlan, name: str) -> None:
    """Refuse a pulse that was not sent: what it would find are no echoes."""
    given_table, sent = dataclasses.asdict(given), dataclasses.asdict(recorded)
    for key in ("kind", *sent):
        if given_table[key] != sent[key]:
            raise PlanError(
                f"{name}: pulse.{key}: found {shown(given_table[key])}, and the pings were "
                f"recorded with {shown(sent[key])}; give that"
            )


def _check_channels(recording: Recording, name: str) -> None:
    """Refuse a stream that says otherwise than its plan on which channel what is heard."""
    info, geometry = recording.info, recording.plan.geometry
    for key in ("microphone", "loopback", "second"):
        heard_on, planned = getattr(info, key), getattr(geometry, key)
        if heard_on != planned:
            raise RecordingError(
                f"{name}: echobench:stream.{key}: found {heard_on}, and by echobench:plan it is "
                f"{planned}; give a recording whose metadata is as it was written"
            )


def _check_places(recording: Recording, plan: Plan, name: str) -> None:
    """Refuse pings that do not stand where the plan that they were recorded by has them.

    Blocks of a stream are an interval apart, and a mark is due a lead after its block's start:
    to a sample where lead and mark are each rounded to one, and to the direct sound's own way
    where a medium changes under it or a board keeps nothing of what came sooner. Where the front
    end knows when the pulse leaves, the mark is that instant, and was noted as such.
    """
    rate_hz, interval = recording.info.sample_rate_hz, plan.interval_samples
    by_leaving = plan.geometry.time_zero == "calibration"
    is_noted = by_leaving and recording.info.knows_leaving
    way_s = 0.0 if by_leaving else plan.geometry.longest_way_s
    way_s = 0.0 if math.isinf(way_s) else way_s
    soonest_s = LEAD_S - 2 / rate_hz - way_s
    latest_s = LEAD_S + 2 / rate_hz + way_s + max(plan.board.own_delay_s, 0.0)
    if by_leaving:
        soonest_s = 0.0  # what a board sends may begin as its pulse does
    first = recording.pings[0]
    for ping in recording.pings:
        found = ""
        turn, sign_place = ping.index % plan.pulses_per_cycle, plan.sign_place(ping.index)
        stands_at = first.start_sample + (ping.index - first.index) * interval
        if ping.frames != interval:
            found = f"has {ping.frames} samples, and the plan's interval {interval}"
        elif ping.start_sample != stands_at:
            found = (
                f"echobench:start_sample: found {ping.start_sample}, and by its echobench:index it "
                f"stands at {stands_at}"
            )
        elif ping.pulse_index != turn:
            found = f"echobench:pulse_index: found {ping.pulse_index}, and its turn is {turn}"
        elif ping.sign_place != sign_place:
            found = f"echobench:sign_place: found {ping.sign_place}, and its place is {sign_place}"
        elif ping.confirms_only and not recording.info.confirms_last:
            found = "echobench:confirms_only: found true, and the stream's confirms_last is false"
        elif ping.flags & LOSS:
            continue  # its mark is never looked for
        elif not soonest_s <= ping.mark_s <= latest_s:
            found = (
                f"echobench:mark_s: found {ping.mark_s:g}, and the mark is due "
                f"{soonest_s:.4g} to {latest_s:.4g} s after its block's start"
            )
        elif is_noted and abs(ping.mark_s - ping.time_zero_s) > _ROUNDING_S:
            found = (
                f"echobench:mark_s: found {ping.mark_s:g}, and echobench:time_zero_s, which is the "
                f"same instant, {ping.time_zero_s:g}"
            )
        if found:
            raise RecordingError(
                f"{name}: ping {ping.index}: {found}; "
                "give a recording whose metadata is as it was written"
            )
