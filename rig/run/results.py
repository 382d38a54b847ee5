"""What one ping showed, and what all of a run's pings show together."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.profiles import EchoProfile, Threshold
from dsp.uncertainty import Budget

UNTOLD = -1
"""Of a hit whose ping is not told."""

COLUMNS = (
    "delay_s",
    "range_m",
    "noise_m",
    "beside_m",
    "strength_db",
    "snr_db",
    "phasor",
    "u_phase_rad",
    "angle_rad",
    "u_angle_rad",
)
"""Of :class:`Hits`: what each hit has of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeZero:
    """How the pulse's leaving is known.

    Attributes
    ----------
    method : {"loopback", "direct", "calibration"}
    delay_s : float
        From the block's first sample to the pulse's leaving.
    u_delay_s : float
        Standard uncertainty of the mark's instant, as heard; 0 where the leaving is
        known. The baseline's share and the plan's own are left out.
    u_shape_s : float
        What the mark's shape adds, which is the same in each ping: a filter or a second path
        that the mark has and the echoes have not moves it. 0 where it is a copy of the pulse.
    mark_s : float
        From the block's first sample to the mark itself: the arrival of the
        direct sound, the loopback pulse, or the leaving where it is known.
    amplitude, phase_rad : float
        Of the mark, as of :class:`dsp.ping.pulse.peaks.Peak`; 0 where none is heard.
    stretch : float
        By what share, at the most, all sounds come stretched or squeezed: the clocks of what
        sent and what heard drift apart. 0 where that is not seen.
    """

    method: str
    delay_s: float
    u_delay_s: float
    mark_s: float
    amplitude: float = 0.0
    phase_rad: float = 0.0
    u_shape_s: float = 0.0
    stretch: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkBias:
    """What a stream's marks are off by, all alike.

    Attributes
    ----------
    late_s : float
        How much later than its own weighting has it a mark would stand by the echoes', had it
        gone through what they did.
    u_shape_s : float
        As of :class:`TimeZero`.
    whole : bool
        Whether all that overlaps with it is held to be the mark's own, and so pulls it nowhere.
    turn_rad : float
        By how much more its phase is turned than that of another pulse, which came as it did.
    """

    late_s: float = 0.0
    u_shape_s: float = 0.0
    whole: bool = False
    turn_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """Where an echo stands across the axis, as two receivers tell it.

    Attributes
    ----------
    angle_rad, u_angle_rad : float
        From straight ahead, as :mod:`rig.run.pair` counts it, and its standard uncertainty; NaN
        where it cannot be told.
    low_rad, high_rad : float
        What covers it with k = 2.
    offset_m, u_offset_m : float
        How far across from the axis it stands, with the angle's sign.
    bound_rad : float
        The Cramér–Rao bound on the angle's standard deviation.
    possible_rad : tuple of float
        Where the envelope leaves more than one cycle of the carrier open, the angles of all of
        them, the likeliest first; the angle is then the envelope's.
    doubt : str
        Why there is no angle, or why the carrier's phase is not in it; empty for none.
    """

    angle_rad: float = math.nan
    u_angle_rad: float = math.nan
    low_rad: float = math.nan
    high_rad: float = math.nan
    offset_m: float = math.nan
    u_offset_m: float = math.nan
    bound_rad: float = math.nan
    possible_rad: tuple[float, ...] = ()
    doubt: str = ""


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
        2E/N0, twice the echo's energy over the noise density, in dB.
    bound_m : float
        The Cramér–Rao bound on the range's standard deviation at that SNR.
    budget : Budget or None
        What `u_range_m` is made of; None at a range of 0, where no first order holds, and in
        pings from before a long run's history.
    side : Side or None
        Where across the axis it stands; None where there is no second receiver.
    more_within_m : float or None
        How far to each side more than one may stand, where it is no single echo; else None.
    """

    range_m: float
    path_m: float
    delay_s: float
    u_range_m: float
    strength_db: float
    snr_db: float
    bound_m: float
    budget: Budget | None = None
    side: Side | None = None
    more_within_m: float | None = None


ECHO_NUMBERS = tuple(
    field.name
    for field in dataclasses.fields(Echo)
    if field.name not in ("budget", "side", "more_within_m")
)
"""Those fields that are a number in each echo."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LateEcho:
    """An echo of a ping before, which came only once the next had been sent.

    Attributes
    ----------
    echo : Echo
        With its true delay and range, from the leaving of the ping that it is of.
    pings_before : int
        Which that is: 1 for the ping before this.
    seems_m : float
        The range at which it stands in this ping.
    """

    echo: Echo
    pings_before: int
    seems_m: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hits:
    """What was found in one ping: all that following asks of it, and no profile.

    Attributes
    ----------
    ping : int
        Its number.
    sent_s : float
        When it was sent, from the first ping.
    u_mark_s : float
        Standard uncertainty of its time-zero mark's instant.
    u_shape_s : float
        As of :class:`TimeZero`.
    delay_s : ndarray of float64, shape (hits,)
        From the pulse's leaving.
    range_m, noise_m : ndarray of float64, shape (hits,)
        From midway between source and receiver, and what alone differs from ping to ping:
        the standard uncertainty by the arrivals of echo and mark.
    beside_m : ndarray of float64, shape (hits,)
        What others beside it, or a second one within it, may have moved its range by: a standard
        uncertainty that no number of pings makes less while all stand still.
    strength_db, snr_db : ndarray of float64, shape (hits,)
        As of :class:`Echo`; NaN where a device hands on no strength.
    phasor : ndarray of complex128, shape (hits,)
        :func:`dsp.history.echo_phase.echo_phasor` of each; NaN where a device hands on no phase,
        or the pulse's band was folded down.
    u_phase_rad : ndarray of float64, shape (hits,)
        Standard uncertainty of its angle, but for the mark's share.
    angle_rad, u_angle_rad : ndarray of float64, shape (hits,)
        As of :class:`Side`; NaN where none is told: of no hit without a second receiver, and
        of none that is fainter than the plan's false-alarm rate allows.
    """

    ping: int
    sent_s: float
    u_mark_s: float
    u_shape_s: float
    delay_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]
    beside_m: NDArray[np.float64]
    strength_db: NDArray[np.float64]
    snr_db: NDArray[np.float64]
    phasor: NDArray[np.complex128]
    u_phase_rad: NDArray[np.float64]
    angle_rad: NDArray[np.float64]
    u_angle_rad: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in COLUMNS:
            values = getattr(self, name)
            if values.flags.writeable:
                values = values.copy()
                values.setflags(write=False)
                object.__setattr__(self, name, values)

    def some(self, which: NDArray[np.bool_]) -> Hits:
        """Return some of the hits."""
        return dataclasses.replace(self, **{name: getattr(self, name)[which] for name in COLUMNS})


HIT_FIELDS = tuple(field.name for field in dataclasses.fields(Hits))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HitRows:
    """The hits of some pings in rows, whatever pings they are of; all as of :class:`Hits`."""

    ping: NDArray[np.int64]
    sent_s: NDArray[np.float64]
    u_mark_s: NDArray[np.float64]
    u_shape_s: NDArray[np.float64]
    delay_s: NDArray[np.float64]
    range_m: NDArray[np.float64]
    noise_m: NDArray[np.float64]
    beside_m: NDArray[np.float64]
    strength_db: NDArray[np.float64]
    snr_db: NDArray[np.float64]
    phasor: NDArray[np.complex128]
    u_phase_rad: NDArray[np.float64]
    angle_rad: NDArray[np.float64]
    u_angle_rad: NDArray[np.float64]

    @property
    def comes_s(self) -> NDArray[np.float64]:
        """When each was heard, from the first ping."""
        return np.asarray(self.sent_s + self.delay_s)

    def taken(self, row: NDArray[np.int64] | NDArray[np.bool_]) -> HitRows:
        """Return some of the rows: their numbers, or which of them."""
        fields = dataclasses.fields(self)
        return HitRows(**{field.name: getattr(self, field.name)[row] for field in fields})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HitTable:
    """The hits of some pings in rows, and which pings these are.

    Attributes
    ----------
    sent_s : ndarray of float64, shape (pings,)
        When each was sent, from the first ping.
    counts : ndarray of int64, shape (pings,)
        How many hits each has.
    rows : HitRows
    """

    sent_s: NDArray[np.float64]
    counts: NDArray[np.int64]
    rows: HitRows

    @classmethod
    def of(
        cls, hits: Sequence[Hits], *, older: Callable[[str], Iterable[Any]] | None = None
    ) -> HitTable:
        """Put the hits of some pings below each other.

        Parameters
        ----------
        hits : sequence of Hits
        older : callable, optional
            Gives, for each name of a field of :class:`Hits`, those of the pings before.
        """

        def column(name: str) -> list[Any]:
            return [*(() if older is None else older(name)), *(getattr(h, name) for h in hits)]

        counts = np.array([delay_s.size for delay_s in column("delay_s")], dtype=np.int64)
        # One after the other: the views of a day's rows take more room than the table.
        rows = {
            name: np.repeat(np.array(column(name)), counts)
            for name in HIT_FIELDS
            if name not in COLUMNS
        }
        for name in COLUMNS:
            rows[name] = np.concatenate(column(name)) if counts.size else np.empty(0)
        sent_s = np.array(column("sent_s"), dtype=np.float64)
        return cls(sent_s=sent_s, counts=counts, rows=HitRows(**rows))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whose:
    """Of which ping each hit is, where pings carry signs.

    Attributes
    ----------
    followed : ndarray of int64, shape (hits,)
        Number of the echo that it goes on with from ping to ping.
    late : ndarray of int64, shape (hits,)
        By how many pings it is late, as far as was told by then: 0 for the ping's own,
        :data:`UNTOLD` where nothing told.
    pulled : ndarray of bool, shape (hits,)
        Whether another ping's echo stands so near that it pulls the range.
    """

    followed: NDArray[np.int64]
    late: NDArray[np.int64]
    pulled: NDArray[np.bool_]

    @property
    def own(self) -> NDArray[np.bool_]:
        """Which hits are surely the ping's own."""
        return np.asarray((self.late == 0) & ~self.pulled)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """What the one search of a ping's own profile found.

    Attributes
    ----------
    echoes : tuple of Echo
        At the plan's false-alarm rate, nearest first, where they stand in the profile: a
        chirp's ahead of what comes nearer.
    threshold : callable or None
        Gives what a bin had to exceed for that, dB re full scale; None once it was dropped.
    hits : Hits
        At the rate at which echoes are followed from ping to ping.
    whose : Whose or None
        Of which ping each hit is; None where pings have no signs. `echoes` are then the
        ping's own alone.
    """

    echoes: tuple[Echo, ...]
    threshold: Threshold | None
    hits: Hits
    whose: Whose | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PingResult:
    """All that one ping showed.

    Attributes
    ----------
    index : int
        The ping's number, from 0.
    sent_s : float
        When it was sent, from the first ping.
    lost : bool
        Whether nothing may be read off it.
    reason : str
        Why it is lost, in words for the screen; empty for a good ping.
    clipped : bool
        Whether a sample stands at full scale, or loud sound was cut off below it: strengths may
        then be too low.
    time_zero : TimeZero or None
        None where it was not found.
    latency_s : float or None
        From where the stream placed the ping to where it really left.
    profile : EchoProfile or None
        Stacked as the plan asks; None for a lost ping.
    echoes : tuple of Echo
        Nearest first, within the plan's ranges.
    threshold : callable or None
        Gives the detection threshold over the profile's bins, dB re full scale.
    alone : EchoProfile or None
        This ping's own profile, stacked with no other; None for a lost ping, and once it
        was dropped.
    heard : Heard or None
        What was found in it; None for a lost ping.
    moving : bool
        Whether something moved, so that fewer pings were added up than the plan asks; or
        turned up in a chirp at a speed that is not known yet.
    sign_place : int or None
        Where the ping stands in the sequence of signs; None where pings have none.
    late : tuple of LateEcho
        Of pings with signs: what is of a ping before, and not among `echoes`.
    untold : tuple of Echo
        Of pings with signs: what may be of this ping or of one before, and is not among
        `echoes`.
    """

    index: int
    sent_s: float
    lost: bool
    reason: str = ""
    clipped: bool = False
    time_zero: TimeZero | None = None
    latency_s: float | None = None
    profile: EchoProfile | None = None
    echoes: tuple[Echo, ...] = ()
    threshold: Threshold | None = None
    alone: EchoProfile | None = None
    heard: Heard | None = None
    moving: bool = False
    sign_place: int | None = None
    late: tuple[LateEcho, ...] = ()
    untold: tuple[Echo, ...] = ()

    @property
    def threshold_db(self) -> NDArray[np.float64] | None:
        """The detection threshold over the profile's bins, worked out now, shape (bins,)."""
        return None if self.threshold is None else self.threshold()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """What all pings together showed.

    Attributes
    ----------
    pings, lost_pings : int
    last : PingResult or None
        The last good ping, with its time zero; None where all are lost.
    profile : EchoProfile or None
        All good pings added up in phase.
    echoes : tuple of Echo
        Found in it, nearest first.
    threshold : callable or None
    late : tuple of LateEcho
    untold : tuple of Echo
        As of :class:`PingResult`.
    """

    pings: int
    lost_pings: int
    last: PingResult | None = None
    profile: EchoProfile | None = None
    echoes: tuple[Echo, ...] = ()
    threshold: Threshold | None = None
    late: tuple[LateEcho, ...] = ()
    untold: tuple[Echo, ...] = ()

    @property
    def threshold_db(self) -> NDArray[np.float64] | None:
        """The detection threshold over the profile's bins, worked out now, shape (bins,)."""
        return None if self.threshold is None else self.threshold()
