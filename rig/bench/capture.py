"""What a front end hands on: one block of raw samples for each ping."""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import read_only
from dsp.ping.signs.signs import ping_sign
from rig.bench.tables import number, whole

LEAD_S = 0.005
"""Each block starts this long before its time-zero mark is due, so that the mark
and the noise ahead of it are in the block."""

MOST_DRIFT = 200e-6
"""Two clocks of ordinary quartz, each up to 100 parts in a million off."""

MOST_CHANNELS = 64
"""Of one stream."""


class CaptureFlag(enum.Flag):
    """What a front end knows to be wrong with a block. No flag: nothing known."""

    NONE = 0
    INPUT_OVERFLOW = enum.auto()  # samples came in and were thrown away
    INPUT_UNDERFLOW = enum.auto()  # gaps were filled with silence
    OUTPUT_UNDERFLOW = enum.auto()  # the pulse may not have left in one piece
    OUTPUT_OVERFLOW = enum.auto()  # some of the output was thrown away
    MISSING = enum.auto()  # the samples never came
    CLIPPED = enum.auto()  # at least one sample stands at full scale
    SAMPLES_NOT_NUMBERS = enum.auto()  # at least one is no number, or none of a converter's


LOSS = (
    CaptureFlag.INPUT_OVERFLOW
    | CaptureFlag.INPUT_UNDERFLOW
    | CaptureFlag.OUTPUT_UNDERFLOW
    | CaptureFlag.OUTPUT_OVERFLOW
    | CaptureFlag.MISSING
    | CaptureFlag.SAMPLES_NOT_NUMBERS
)
"""The flags that make a ping lost. Clipping is reported; it does not move an echo."""


_HIGHEST = 1e9
"""Full scale is 1; this holds what was left in a converter's own steps, of 24 bits or 30, and
its square, summed over a ping, is far from where single precision ends."""


def are_samples(found: NDArray[np.float32]) -> bool:
    """Whether all are numbers, and such as a converter can give."""
    return bool(found.min(initial=0.0) >= -_HIGHEST and found.max(initial=0.0) <= _HIGHEST)


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamInfo:
    """What is true of every block of one stream.

    Attributes
    ----------
    front_end : str
        Such as ``"virtual-tank"``; the name that ``--front-end`` takes.
    invented : bool
        Whether what is heard comes from a scene that someone made up.
    device : str
        What sends and hears, in the words of whoever made it.
    sample_rate_hz : float
        The rate at which the samples really were taken.
    channels : int
    microphone : int
        The channel, from 0, that hears the echoes.
    loopback : int or None
        The channel, from 0, that hears the sent pulse by wire.
    second : int or None
        The channel, from 0, that a second receiver hears the echoes on.
    latency_s : float or None
        Out and back, as the device reports it; never trusted for a range.
    can_slip : bool
        Whether samples may shift without a flag, as sound servers do. A ping
        of such a stream is good only once the next one confirms it.
    confirms_last : bool
        Whether one more ping is sent after the last, to confirm it. A file that
        someone else made has none.
    knows_mark : bool
        Whether what stands ahead of the first mark was weighed, over several pings, before the
        blocks were cut: a mark that stands where they have it is it.
    clock_tolerance_ppm : float
        How far, at the most, the device's clock may be off; every delay is off by
        as much. 0 where the device does not say.
    step : float
        From one value that the converter can give to the next, relative to full scale:
        what it rounds by is noise that a quiet input does not show. 0 where nothing is
        known.
    knows_leaving : bool
        Whether the device can say by itself when a pulse leaves. A sound card cannot,
        unless it was opened with the latency that a stored calibration names.
    u_leaving_s : float
        Standard uncertainty of that instant; 0 where nothing is stated.
    edge_step_s : float or None
        For a device that hands on one edge time a ping and no samples: the smallest
        step of that time. Its blocks hold one copy of the pulse at that time, with
        no strength and no noise of its own.
    """

    front_end: str
    device: str
    sample_rate_hz: float = number(low=1000.0, high=2e6)
    channels: int = whole(1, low=1, high=MOST_CHANNELS)
    microphone: int = whole(0, low=0, high=MOST_CHANNELS - 1)
    loopback: int | None = whole(None, low=0, high=MOST_CHANNELS - 1)
    second: int | None = whole(None, low=0, high=MOST_CHANNELS - 1)
    latency_s: float | None = number(None, low=0.0, high=1000.0)
    can_slip: bool = False
    confirms_last: bool = False
    knows_mark: bool = False
    clock_tolerance_ppm: float = number(0.0, low=0.0, high=1e6)
    step: float = number(0.0, low=0.0, high=1.0)
    edge_step_s: float | None = number(None, low=0.0, high=1000.0)
    knows_leaving: bool = True
    u_leaving_s: float = number(0.0, low=0.0, high=1000.0)
    invented: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaptureBlock:
    """The raw samples of one ping.

    Attributes
    ----------
    index : int
        The ping's number, from 0.
    samples : ndarray of float32, shape (channels, samples)
        Full scale is ±1. Held as a read-only copy.
    start_sample : int
        Where the block starts in its stream.
    mark_s : float
        When the time-zero mark is due, in seconds from the block's first
        sample: the direct sound, the loopback pulse, or, where the front end
        knows it, the pulse's own leaving.
    pulse_index : int
        Which of the plan's pulses was sent; 1 for the second of a Golay pair.
    sign_place : int or None
        Where its ping stands in the sequence of signs; None where pings have none.
    flags : CaptureFlag
        With `SAMPLES_NOT_NUMBERS` added where it is so.
    confirms_only : bool
        True for the one ping after the last: sent to confirm its predecessor,
        not counted and not shown.
    """

    index: int
    samples: NDArray[np.float32]
    start_sample: int
    mark_s: float
    pulse_index: int = 0
    sign_place: int | None = None
    flags: CaptureFlag = CaptureFlag.NONE
    confirms_only: bool = False

    def __post_init__(self) -> None:
        samples = read_only(self.samples, np.float32, ndmin=2)
        object.__setattr__(self, "samples", samples)
        if not are_samples(samples):
            object.__setattr__(self, "flags", self.flags | CaptureFlag.SAMPLES_NOT_NUMBERS)

    @property
    def sign(self) -> int:
        """−1 where its pulse was sent upside down, else 1."""
        return 1 if self.sign_place is None else ping_sign(self.sign_place)
