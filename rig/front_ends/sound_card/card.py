"""The sound card front end: a loudspeaker, a microphone, and whatever lies between.

One stream goes both ways at once, so that one count of samples places what is
sent and what is heard. How long a sound takes from the one to the other is not
known beforehand; it stays the same while the stream runs. It is measured on
opening: a pulse is sent, and its first arrival tells where the time-zero mark of
every ping is due; where one leaves that open, another is sent. The exact time zero is
the session's to find.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import in_doubt
from dsp.ping.first_sound.one_by_one import AROUND_STRONGEST_S, MOST_PINGS, FirstHeard, OneByOne
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.samples.opening_filter import OpeningFilter
from rig.bench.capture import LEAD_S, MOST_DRIFT, CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.closing import Closing
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of, samples_in_turn
from rig.errors import DeviceError, PlanError
from rig.front_ends.sound_card.devices import Device, pick_devices
from rig.front_ends.sound_card.link import SoundLink
from rig.front_ends.sound_card.messages import (
    DeviceListing,
    Heard,
    Opened,
    OpenStream,
    PingsStart,
    SendPings,
)
from rig.front_ends.sound_card.stream import HeardStream

QUIET_S = 0.8
"""Silence before the first sound. What the stream was filled with before it ran, and
what is left of the run before, has come back and died away by then."""

LONGEST_LATENCY_S = 1.2
"""The longest way from the sound card's output to its input that is looked for."""

ATTEMPTS = 2
"""How often a pulse is sent of which nothing comes back before the bench gives up."""

BUFFER_S, BUFFER_LATENCY_S = 0.010, 0.1
"""Buffers that sound servers keep up with; PortAudio's own choice underflows with
PulseAudio behind ALSA on every run (measured)."""

STALL_LIMIT_S = 1.5
"""How long a running stream may bring no samples before it counts as dead."""

_RATE_IS_OWN = ("JACK", "Core Audio", "WASAPI")
"""Host APIs whose default rate is the rate that the device runs at. ALSA, MME and
DirectSound propose 44 100 Hz whatever the device does."""


class SoundCard(Closing):
    """A sound card that is open and sounds; made by :func:`open_sound_card`."""

    def __init__(
        self,
        plan: Plan,
        link: SoundLink,
        info: StreamInfo,
        *,
        output_lag: int,
        known_latency_s: float | None = None,
    ) -> None:
        self._plan = plan
        self._link = link
        self._info = info
        self._output_lag = output_lag
        self._stream = HeardStream(info.channels)
        self._rows = 0
        self._delay = 0
        self._late_s = 0.0
        self._quiet = round(QUIET_S * info.sample_rate_hz)
        if known_latency_s is None:
            self._find_delay(pulses_of(plan)[0])
        else:
            self._delay = round(known_latency_s * info.sample_rate_hz)
            self._late_s = known_latency_s - self._delay / info.sample_rate_hz

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""
        return self._info

    @property
    def truth(self) -> None:
        """Nobody knows it of a real bench."""

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings and one more to confirm the last; yield a block for each.

        Raises
        ------
        DeviceError
            Where the device or the sound server has gone. What it left of a ping
            is yielded before, flagged as missing.
        """
        rate, interval = self._info.sample_rate_hz, self._plan.interval_samples
        lead = round(LEAD_S * rate)
        try:
            sent = self._send(pings + 1, wait_samples=self._quiet)
            self._quiet = 0
            start = sent + self._delay - lead
            for index in range(pings + 1):
                begin = start + index * interval
                gone = self._listen_until(begin + interval)
                if self._stream.end > begin:
                    samples, flags = self._stream.cut(
                        begin, begin + interval, delay=self._delay, output_lag=self._output_lag
                    )
                    yield CaptureBlock(
                        index=index,
                        samples=samples,
                        # Counted from the first ping's leaving in the stream.
                        start_sample=begin - sent,
                        mark_s=lead / rate + self._late_s,
                        pulse_index=index % self._plan.pulses_per_cycle,
                        sign_place=self._plan.sign_place(index),
                        flags=flags,
                        confirms_only=index == pings,
                    )
                if gone is not None:
                    raise gone
                # Flags of the output are looked up a delay before their block.
                self._stream.forget_before(begin + interval - self._delay)
        finally:
            self._ask_for(0)

    def close(self) -> None:
        """Let the sound card go. May be called twice."""
        self._link.close()

    def _find_delay(self, pulse: Pulse) -> None:
        rate, interval = self._info.sample_rate_hz, self._plan.interval_samples
        channel = self._info.microphone if self._info.loopback is None else self._info.loopback
        size = pulse.samples.size
        search = listened = round(LONGEST_LATENCY_S * rate) + size
        start = self._send(1, wait_samples=self._quiet)
        # Planned while it is quiet.
        opening = _Opening(self._plan, pulse, search)
        for attempt in range(1, MOST_PINGS + 1):
            last, stop = start, start + listened
            if opening.heard == 0 and interval < search // 2:
                # The first must be listened for so long that a second one is heard as well, if
                # neither takes more than half of that to arrive.
                self._hear_until(start + size)
                wait = max(0, start + search // 2 - self._stream.end)
                last = self._send(1, wait_samples=wait)
                last = last if last + size < stop else start
            self._hear_until(stop)
            if last > start:
                opening.hear(channel, *self._heard(start, last))
            # What has not come by then is on its way.
            opening.hear(channel, *self._heard(last if opening.heard > 0 else start, stop))
            self._stream.forget_before(stop)
            listened = stop - last
            if opening.found.is_sure:
                self._delay = round(opening.found.delay_s * rate)
                self._quiet = max(0, min(interval, search) - listened)
                # What one ping leaves open, several told: it is not asked of each ping again.
                self._info = dataclasses.replace(self._info, knows_mark=True)
                return
            if opening.heard >= MOST_PINGS or (opening.heard == 0 and attempt == ATTEMPTS):
                break
            # One by one: each has been listened for, and has died away, before the next.
            quiet = self._quiet if opening.heard == 0 else 0
            start = self._send(1, wait_samples=max(quiet, min(interval, search) - listened))
            listened = search
            if opening.found.train is not None:
                after_s = opening.found.delay_s + AROUND_STRONGEST_S
                listened = min(search, math.ceil(after_s * rate) + size)
        raise DeviceError(opening.refusal(channel))

    def _ask_for(self, pings: int, *, wait_samples: int = 0) -> None:
        self._rows += 1
        self._link.ask(SendPings(row=self._rows, pings=pings, wait_samples=wait_samples))

    def _send(self, pings: int, *, wait_samples: int = 0) -> int:
        """Ask for pings and return the output sample at which the first leaves."""
        self._ask_for(pings, wait_samples=wait_samples)
        while True:
            message = self._link.next_message(STALL_LIMIT_S)
            if isinstance(message, Heard):
                self._hear(message)
            elif isinstance(message, PingsStart) and message.row == self._rows:
                return message.position

    def _listen_until(self, position: int) -> DeviceError | None:
        """Hear until `position`, or return why it will not come."""
        try:
            while self._stream.end < position:
                message = self._link.next_message(STALL_LIMIT_S)
                if isinstance(message, Heard):
                    self._hear(message)
        except DeviceError as gone:
            return gone
        return None

    def _hear_until(self, position: int) -> None:
        """Hear until `position`; raise what :meth:`_listen_until` returns."""
        gone = self._listen_until(position)
        if gone is not None:
            raise gone

    def _heard(self, start: int, stop: int) -> tuple[NDArray[np.float32], CaptureFlag]:
        return self._stream.cut(start, stop, delay=0, output_lag=0)

    def _hear(self, heard: Heard) -> None:
        self._stream.append(heard.position, heard.samples, heard.flag_bits)


class _Opening:
    """What is heard of the pings by which a stream is opened."""

    def __init__(self, plan: Plan, pulse: Pulse, search: int) -> None:
        self._filter, self._search = OpeningFilter([pulse], search), search
        bin_samples = self._filter.shape().bin_s * pulse.sample_rate_hz
        self._one_by_one = OneByOne(
            self._filter.shape(),
            drift_bins=MOST_DRIFT * max(search, plan.interval_samples) / bin_samples,
            way_s=plan.geometry.longest_way_s,
        )
        self._loudest = 0.0
        self.found = FirstHeard(train=None)

    @property
    def heard(self) -> int:
        """In how many pings there was a sound."""
        return self._one_by_one.heard

    def hear(self, channel: int, samples: NDArray[np.float32], flags: CaptureFlag) -> None:
        """Take what was heard from a ping's leaving on, shape (channels, samples)."""
        heard = np.zeros(self._search, dtype=np.float32)
        heard[: samples.shape[1]] = samples[channel]
        self._loudest = max(self._loudest, float(np.abs(heard).max()))
        if CaptureFlag.MISSING not in flags:
            self.found = self._one_by_one.hear(self._filter.envelope(heard))

    def refusal(self, channel: int) -> str:
        """Say why nothing tells when the pulse arrives, and what would do."""
        train = self.found.train
        if train is None and self.heard == 0:
            loudest_db = 20 * math.log10(max(self._loudest, 1e-10))
            return (
                f"no sound came back: the pulse was sent, the loudest that input {channel + 1} "
                f"heard is {loudest_db:.0f} dB re full scale; check loudspeaker, microphone and "
                "level"
            )
        if train is None:
            return (
                "the pulse was sent again and again, and nothing that input "
                f"{channel + 1} heard came again with it; check loudspeaker, microphone and level, "
                "or make it quieter there"
            )
        doubt = "other sounds cover what may have come first"
        if train.ahead is not None:
            doubt = in_doubt(train.first, train.ahead)
        return f"{doubt}; make the direct sound louder, or take time zero from a loopback wire"


def open_sound_card(
    plan: Plan,
    *,
    device: Device = None,
    level_db: float = -20.0,
    known_latency_s: float | None = None,
    u_known_latency_s: float = 0.0,
) -> SoundCard:
    """Open a sound card, start its stream, and find how long a sound takes.

    Parameters
    ----------
    plan : Plan
    device : int, str, tuple of two, or None
        Number or name of a device that both sends and hears; or of the input and
        of the output; or None for the defaults.
    level_db : float
        Level of the pulse's peak, dB re full scale; at most 0. The default is
        quiet: raise it in small steps, with nobody's ear near the loudspeaker.
    known_latency_s, u_known_latency_s : float, optional
        From a ping's place in the stream to its leaving, as a stored calibration has
        it. Each block is then placed, and marked, by it; no first pulse is sent.

    Raises
    ------
    PlanError
        Where the level is out of range.
    DeviceError
        Where the sound library, the device or the server is missing or fails,
        where the device cannot do the plan's rate or channels, or where no sound
        comes back.
    """
    if not -120.0 <= level_db <= 0.0:
        raise PlanError(f"level: found {level_db:g} dB; give -120 to 0 dB re full scale")
    link = SoundLink()
    try:
        source, target = pick_devices(link.listings, device)
        request = _request(plan, source, target, level_db=level_db)
        link.ask(request)
        opened = link.wait_for(Opened)
        rate = plan.timing.sample_rate_hz
        if abs(opened.sample_rate_hz - rate) > 1e-6 * rate:
            raise DeviceError(
                f"sound device {source.name!r}: runs at {opened.sample_rate_hz:g} Hz, not at "
                f"{rate:g} Hz; set timing.sample_rate_hz = {opened.sample_rate_hz:g}"
            )
        input_s, output_s = opened.input_latency_s, opened.output_latency_s
        # PortAudio's JACK reports a wrapped number, 50 hours.
        is_told = all(0 <= latency_s <= LONGEST_LATENCY_S for latency_s in (input_s, output_s))
        info = StreamInfo(
            front_end="sound-card",
            device=_device_words(source, target),
            sample_rate_hz=rate,
            channels=request.inputs,
            microphone=plan.geometry.microphone,
            loopback=plan.geometry.loopback,
            second=plan.geometry.second,
            latency_s=input_s + output_s if is_told else None,
            can_slip=True,
            confirms_last=True,
            knows_leaving=known_latency_s is not None,
            u_leaving_s=u_known_latency_s,
        )
        return SoundCard(
            plan,
            link,
            info,
            output_lag=round(output_s * rate) if is_told else 0,
            known_latency_s=known_latency_s,
        )
    except BaseException:
        link.close()
        raise


def _request(
    plan: Plan, source: DeviceListing, target: DeviceListing, *, level_db: float
) -> OpenStream:
    rate = plan.timing.sample_rate_hz
    for listing in (source, target):
        own = any(name in listing.host_api for name in _RATE_IS_OWN)
        if own and listing.default_rate_hz != rate:
            raise DeviceError(
                f"sound device {listing.name!r}: runs at {listing.default_rate_hz:g} Hz, "
                f"the plan at {rate:g} Hz; set timing.sample_rate_hz = "
                f"{listing.default_rate_hz:g}, or change the rate of the device"
            )
    has_loopback = plan.geometry.loopback is not None
    inputs = plan.geometry.channels
    if source.inputs < inputs:
        asked, remedy = "loopback", 'geometry.time_zero = "direct"'
        if plan.geometry.second is not None:
            asked, remedy = "second receiver", "a plan without second_channel"
        raise DeviceError(
            f"sound device {source.name!r}: has {source.inputs} input channels, the plan's "
            f"{asked} needs {inputs}; choose another device, or {remedy}"
        )
    # A second loudspeaker would be a second source: it is kept silent, unless the
    # second output is wanted for the loop-back wire.
    outputs = min(2, target.outputs)
    is_jack = "JACK" in source.host_api
    amplitude = np.float32(10 ** (level_db / 20))
    return OpenStream(
        input_number=source.number,
        output_number=target.number,
        inputs=inputs,
        outputs=outputs,
        sounding=outputs if has_loopback else 1,
        sample_rate_hz=rate,
        # JACK sets the size of its buffers itself.
        buffer_frames=0 if is_jack else round(BUFFER_S * rate),
        latency_s=0.0 if is_jack else BUFFER_LATENCY_S,
        interval_samples=plan.interval_samples,
        pulses=tuple(amplitude * samples for samples in samples_in_turn(plan)),
    )


def _device_words(source: DeviceListing, target: DeviceListing) -> str:
    names = source.name if source == target else f"{source.name} and {target.name}"
    rate_is_own = any(name in source.host_api for name in _RATE_IS_OWN)
    doubt = "" if rate_is_own else ", a server behind it may resample"
    return f"{names} ({source.host_api}{doubt})"
