"""The loop: a block comes in, is recorded, compressed, searched, and handed on."""

from __future__ import annotations

from dataclasses import dataclass

from dsp.profiles import EchoProfile


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeZero:
    """How the pulse's leaving is known.

    Attributes
    ----------
    method : {"loopback", "direct", "calibration"}
    delay_s : float
        From the block's first sample to the pulse's leaving.
    u_delay_s : float
        Its standard uncertainty.
    """

    method: str
    delay_s: float
    u_delay_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Echo:
    """One echo, with how sure it is.

    Attributes
    ----------
    range_m : float
        From midway between source and receiver, for a target on the axis.
    path_m : float
        Out and back, sound speed times delay.
    delay_s : float
        From the pulse's leaving to its return.
    u_range_m : float
        Standard uncertainty of the range.
    strength_db : float
        Amplitude at the microphone, dB re full scale.
    snr_db : float
        2E/N0, echo energy over noise density, in dB.
    bound_m : float
        The Cramér–Rao bound on the range's standard deviation at that SNR.
    """

    range_m: float
    path_m: float
    delay_s: float
    u_range_m: float
    strength_db: float
    snr_db: float
    bound_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PingResult:
    """All that one ping showed.

    Attributes
    ----------
    index : int
        The ping's number, from 0.
    age_s : float
        When it was sent, from the first ping.
    lost : bool
        Whether nothing may be read off it.
    reason : str
        Why it is lost, in words for the screen; empty for a good ping.
    clipped : bool
        Whether a sample stands at full scale: strengths are then too low.
    time_zero : TimeZero or None
        None where it was not found.
    profile : EchoProfile or None
        Stacked as the plan asks; None for a lost ping.
    echoes : tuple of Echo
        Nearest first, within the plan's ranges.
    threshold_db : ndarray of float64, shape (bins,), or None
        The detection threshold over the profile's bins, dB re full scale.
    """

    index: int
    sent_s: float
    lost: bool
    reason: str = ""
    clipped: bool = False
    time_zero: TimeZero | None = None
    profile: EchoProfile | None = None
    echoes: tuple[Echo, ...] = ()
    threshold_db: object = None
