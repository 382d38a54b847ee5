"""What the bench and its sound process say to each other.

Each message is one pickled object on a pipe. They pass between a process and the
child that it started itself, never over a network or through a file.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class DeviceListing:
    """A sound device, as the sound library lists it.

    Attributes
    ----------
    number : int
        May change when something is plugged in; the name is safer.
    name : str
    host_api : str
        The way to it: one device is often listed once for each.
    inputs : int
        The most channels that can be heard at once.
    outputs : int
    default_rate_hz : float
        The rate that the sound library proposes. For ALSA it is a proposal only.
    is_default_input : bool
    is_default_output : bool
    """

    number: int
    name: str
    host_api: str
    inputs: int
    outputs: int
    default_rate_hz: float
    is_default_input: bool = False
    is_default_output: bool = False

    def __str__(self) -> str:
        return (
            f"{self.number} {self.name!r} ({self.host_api}, {self.inputs} in, {self.outputs} out)"
        )


@dataclass(frozen=True, slots=True)
class Devices:
    """All devices there are."""

    listings: tuple[DeviceListing, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenStream:
    """Asks for a stream; answered by :class:`Opened`, then :class:`Heard` without end."""

    input_number: int
    output_number: int
    inputs: int
    outputs: int
    sounding: int
    sample_rate_hz: float
    buffer_frames: int
    latency_s: float
    interval_samples: int
    pulses: tuple[NDArray[np.float32], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaySound:
    """Asks for samples, shape (samples,), to be played once; answered by :class:`Played`."""

    output_number: int
    outputs: int
    sample_rate_hz: float
    samples: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Played:
    """All of it has been handed to the device."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """The stream runs; what it says of itself."""

    sample_rate_hz: float
    input_latency_s: float
    output_latency_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SendPings:
    """Asks for pings, in place of any that are still to go; 0 for silence."""

    row: int
    pings: int
    wait_samples: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class PingsStart:
    """The first ping of `row` leaves with output sample `position`."""

    row: int
    position: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """A stretch of the stream, samples of shape (frames, inputs), flag bits (frames,)."""

    position: int
    samples: NDArray[np.float32]
    flag_bits: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Started:
    """The sound process runs; what it does next depends on the sound library."""


@dataclass(frozen=True, slots=True)
class Failed:
    """It is over, and why."""

    reason: str


Request = OpenStream | PlaySound | SendPings
Message = Started | Devices | Played | Opened | PingsStart | Heard | Failed
