"""Echo profiles: strength over delay, and what is made of several of them."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.arguments import read_only
from dsp.ping.pulse.echo_shape import EchoShape, mean_shape

Threshold = Callable[[], NDArray[np.float64]]
"""Gives a threshold over the bins of a profile, worked out whenever it is asked for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EchoProfile:
    """What came back from one ping, or from several added up.

    Attributes
    ----------
    envelope : ndarray of complex64, shape (bins,)
        The compressed echo; its magnitude is the echo's amplitude relative to
        full scale. Bin ``i`` stands ``i * bin_s`` after time zero. Held as a
        read-only copy, or as it is where it is read-only already.
    bin_s : float
        Spacing of the bins in delay.
    pings : int
        How many pings were added up.
    shape : EchoShape or None
        Of one echo in it; None where nobody knows.
    ahead : ndarray of complex64, shape (lead bins,)
        The bins ahead of time zero, as far as they were heard and are wanted: what a sound
        at time zero itself is told by.
    pulse_index : int or None
        Which of the pulses that take turns was sent; None for a sum of several.
    beside : EchoProfile or None
        What a second receiver heard of the same pings, from the same time zero on and on the
        same bins; None where there is none.
    unlike : ndarray of complex64, shape (bins,), or None
        Of one of two pulses that take turns, its share in what the two differ by: in the average of
        both it is nothing but noise where sound went to both by one linear way
        (:mod:`dsp.ping.noise.turns`). None of other pulses.
    unsure : ndarray of float32, shape (bins,), or None
        By what RMS magnitude the envelope may be off where an input cut loud sound off
        (:mod:`dsp.ping.samples.uncutting`), in all pings alike. None where nothing was cut off.
    """

    envelope: NDArray[np.complex64]
    bin_s: float
    pings: int = 1
    shape: EchoShape | None = None
    pulse_index: int | None = 0
    ahead: NDArray[np.complex64] = dataclasses.field(
        default_factory=lambda: np.empty(0, dtype=np.complex64)
    )
    beside: EchoProfile | None = None
    unlike: NDArray[np.complex64] | None = None
    unsure: NDArray[np.float32] | None = None

    def __post_init__(self) -> None:
        for name in ("envelope", "ahead"):
            bins = read_only(getattr(self, name), np.complex64)
            if bins.ndim != 1:
                raise ValueError(f"{name}: found shape {bins.shape}; give one row of bins")
            object.__setattr__(self, name, bins)

    @property
    def delay_s(self) -> NDArray[np.float64]:
        """Delay of each bin from time zero, shape (bins,)."""
        return np.arange(self.envelope.size, dtype=np.float64) * self.bin_s

    @property
    def strength_db(self) -> NDArray[np.float64]:
        """Strength of each bin, dB re full scale, shape (bins,); at least −200."""
        return 20 * np.log10(np.maximum(np.abs(self.envelope).astype(np.float64), 1e-10))


class RunningMean:
    """The average of profiles in phase, kept up profile by profile.

    What :func:`stacked` makes of the average so far and the next profile, to the last bit,
    without an :class:`EchoProfile` for each.

    Parameters
    ----------
    first : EchoProfile
    """

    def __init__(self, first: EchoProfile) -> None:
        self._first = first
        self._envelope, self._ahead = first.envelope, first.ahead
        self._pings = first.pings
        self._pulse, self._unlike = first.pulse_index, first.unlike
        self._unsure = first.unsure
        self._beside = None if first.beside is None else RunningMean(first.beside)

    def add(self, profile: EchoProfile) -> None:
        """Take the next profile; errors as for :func:`stacked`."""
        if profile.bin_s != self._first.bin_s:
            raise ValueError("profiles: their bins differ in spacing; stack profiles of one plan")
        bins = min(self._envelope.size, profile.envelope.size)
        lead = min(self._ahead.size, profile.ahead.size)
        self._envelope = self._with(self._envelope[:bins], profile.envelope[:bins], profile.pings)
        self._ahead = self._with(
            _latest(self._ahead, lead), _latest(profile.ahead, lead), profile.pings
        )
        if self._unlike is not None and profile.unlike is not None:
            its = profile.unlike[:bins]
            self._unlike = self._with(self._unlike[:bins], its, profile.pings)
        else:
            self._unlike = None
        self._unsure = _mean_unsure(
            [(self._pings, self._unsure), (profile.pings, profile.unsure)], bins
        )
        self._pings += profile.pings
        self._pulse = self._pulse if self._pulse == profile.pulse_index else None
        if self._beside is not None and profile.beside is not None:
            self._beside.add(profile.beside)
        else:
            self._beside = None

    def _with(
        self, mean: NDArray[np.complex64], new: NDArray[np.complex64], pings: int
    ) -> NDArray[np.complex64]:
        # What NumPy makes of complex numbers over a real one, part by part: half of the time.
        parts = mean.view(np.float32) * np.float32(self._pings)
        parts += new.view(np.float32) * np.float32(pings)
        parts *= np.float32(1) / np.float32(self._pings + pings)
        return parts.view(np.complex64)

    @property
    def profile(self) -> EchoProfile:
        """The average so far."""
        if self._pings == self._first.pings:
            return self._first
        return dataclasses.replace(
            self._first,
            envelope=self._envelope,
            ahead=self._ahead,
            pings=self._pings,
            pulse_index=self._pulse,
            beside=None if self._beside is None else self._beside.profile,
            unlike=self._unlike,
            unsure=self._unsure,
        )


def stacked(profiles: Sequence[EchoProfile]) -> EchoProfile:
    """Average profiles in phase: still echoes stay, noise falls by √n in amplitude.

    Parameters
    ----------
    profiles : sequence of EchoProfile
        At least one, all with the same spacing; cut to the shortest.

    Raises
    ------
    ValueError
        On an empty sequence or differing spacings.
    """
    if not profiles:
        raise ValueError("profiles: found none; give at least one")
    if len(profiles) == 1:
        return profiles[0]
    if len({p.bin_s for p in profiles}) > 1:
        raise ValueError("profiles: their bins differ in spacing; stack profiles of one plan")
    bins, lead = _common(profiles)
    pings = sum(p.pings for p in profiles)
    total = sum(p.pings * p.envelope[:bins] for p in profiles)
    ahead = sum(p.pings * _latest(p.ahead, lead) for p in profiles)
    shares = [p.pings * p.unlike[:bins] for p in profiles if p.unlike is not None]
    unlike = np.asarray(sum(shares) / np.float32(pings)) if len(shares) == len(profiles) else None
    alike = {p.pulse_index for p in profiles}
    return dataclasses.replace(
        profiles[0],
        envelope=np.asarray(total / np.float32(pings)),
        ahead=np.asarray(ahead / np.float32(pings)),
        pings=pings,
        pulse_index=alike.pop() if len(alike) == 1 else None,
        beside=_beside(profiles, stacked),
        unlike=unlike,
        unsure=_mean_unsure([(p.pings, p.unsure) for p in profiles], bins),
    )


def stacked_in_turns(profiles: Sequence[EchoProfile]) -> EchoProfile:
    """Average the profiles of pulses that take turns, such as a Golay pair's.

    Each pulse's own are averaged first, so that the two weigh the same and their side
    lobes cancel however many there are of each. Parameters and errors as for
    :func:`stacked`; the shape is that of an echo in the average.
    """
    kinds = sorted({-1 if p.pulse_index is None else p.pulse_index for p in profiles})
    if len(kinds) < 2:
        return stacked(profiles)
    averages = [stacked([p for p in profiles if p.pulse_index == kind]) for kind in kinds]
    equal = stacked([dataclasses.replace(p, pings=1, beside=None) for p in averages])
    shapes = tuple(p.shape for p in averages if p.shape is not None)
    return dataclasses.replace(
        equal,
        pings=sum(p.pings for p in averages),
        shape=mean_shape(shapes) if len(shapes) == len(averages) else None,
        beside=_beside(averages, stacked_in_turns),
    )


def still_background(profiles: Sequence[EchoProfile]) -> EchoProfile:
    """Return what stood still over the profiles: the median of each bin.

    The median, of real and imaginary part apart, forgets what only passed. Cut to the
    shortest profile.
    """
    if not profiles:
        raise ValueError("profiles: found none; give at least one")
    bins, lead = _common(profiles)
    return dataclasses.replace(
        profiles[0],
        envelope=_median([p.envelope[:bins] for p in profiles]),
        ahead=_median([_latest(p.ahead, lead) for p in profiles]),
        beside=_beside(profiles, still_background),
        unlike=None,
    )


def without_background(profile: EchoProfile, background: EchoProfile) -> EchoProfile:
    """Return the profile less what stood still, cut to the shorter of the two."""
    bins, lead = _common([profile, background])
    return dataclasses.replace(
        profile,
        envelope=profile.envelope[:bins] - background.envelope[:bins],
        ahead=_latest(profile.ahead, lead) - _latest(background.ahead, lead),
        beside=_beside([profile, background], lambda both: without_background(*both)),
        unlike=None,
    )


def unlike_share(
    first: NDArray[np.complexfloating],
    second: NDArray[np.complexfloating],
    *,
    above: float,
    reach_bins: int = 0,
) -> float:
    """Return by how much two envelopes differ where either stands above an amplitude.

    Parameters
    ----------
    first, second : ndarray of complex, shape (bins,)
        Compared by magnitude, up to the end of the shorter.
    above : float
        What is weaker in both is left out: noise, and what is too weak to matter.
    reach_bins : int
        What stands in one differs only by as much as it exceeds all that stands so near
        in the other: what has moved a little does not.

    Returns
    -------
    float
        Energy of the difference over the energy of the two: 0 for the same, 1 for two that
        have nothing in common. 0 where nothing stands above.
    """
    bins = min(first.size, second.size)
    one, other = np.abs(first[:bins]), np.abs(second[:bins])
    seen = np.maximum(one, other) > above
    both = float(np.sum(one[seen] ** 2 + other[seen] ** 2))
    if both == 0:
        return 0.0
    if reach_bins == 0:
        return float(np.sum((one[seen] - other[seen]) ** 2)) / both
    excess = (
        np.maximum(a - highest_near(b, reach_bins), 0) for a, b in ((one, other), (other, one))
    )
    return sum(float(np.sum(e[seen] ** 2)) for e in excess) / both


def _mean_unsure(
    each: Sequence[tuple[int, NDArray[np.float32] | None]], bins: int
) -> NDArray[np.float32] | None:
    """Return by what a sum of pings may be off, where what each is off by is in all alike."""
    unsure = [pings * own[:bins] for pings, own in each if own is not None]
    if not unsure:
        return None
    return np.asarray(sum(unsure) / sum(pings for pings, _ in each), dtype=np.float32)


def _beside(
    profiles: Sequence[EchoProfile], make: Callable[[Sequence[EchoProfile]], EchoProfile]
) -> EchoProfile | None:
    """Make of what the second receiver heard what is made of the first's, if each has it."""
    beside = [p.beside for p in profiles if p.beside is not None]
    return make(beside) if len(beside) == len(profiles) else None


def _common(profiles: Sequence[EchoProfile]) -> tuple[int, int]:
    """Return how many bins all profiles have from time zero on, and ahead of it."""
    return min(p.envelope.size for p in profiles), min(p.ahead.size for p in profiles)


def _latest(ahead: NDArray[np.complex64], lead: int) -> NDArray[np.complex64]:
    return ahead[ahead.size - lead :]


def _median(rows: Sequence[NDArray[np.complex64]]) -> NDArray[np.complex64]:
    stack = np.stack(rows)
    median = np.median(stack.real, axis=0) + 1j * np.median(stack.imag, axis=0)
    return np.asarray(median, dtype=np.complex64)


def highest_near(values: NDArray[np.floating], reach: int) -> NDArray[np.floating]:
    """Return the highest of each value and of those up to `reach` to either side."""
    return np.asarray(scipy.ndimage.maximum_filter1d(values, 2 * reach + 1, mode="nearest"))
