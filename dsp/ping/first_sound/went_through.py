"""What a sound may have gone through that others have not, and how late that made it.

A bounce close behind a sound moves its crest and changes its shape, and leaves the sound itself in
it, also where the bounce is the louder: by a fit to the shape it is told when that came. A filter
is another matter: what looks alike over a band may be later by any delay, as one pole is by half a
sample where a sampled chain makes it. So one bounce is taken off, where the test of fit bears it
out, and where neither a low-pass, nor a high-pass, nor a resonance, nor a mouth seen from the side
is as likely, nor a bounce through a low-pass likelier. Of all else that is no copy the shape only
bounds how late it is: where a filter of one corner looks alike, by the latest of all these that
do, and else by :func:`dsp.ping.first_sound.likeness.u_by_shape_s`. Whether the others went
through it as well, their own shapes tell.

References
----------
D. J. C. MacKay, *Information Theory, Inference, and Learning Algorithms*, 2003, ch. 28 (cited from
memory): models weighed by their evidence, the likelihood times the share of what was thought
possible that it leaves.
"""

from __future__ import annotations

import dataclasses
import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.ping.first_sound.likeness import COPY, Fit, Heard, Look, looks, u_by_shape_s
from dsp.ping.first_sound.ways import FILTERS, UNBOUNDED, bounce_way
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak

RARELY = 1e-3
"""What is so much less likely than something else is left out."""

ALONE = 0.5
"""That a colour is the sound's own is as likely as that all have it, before anything is heard."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Late:
    """How late a sound is, of its crest, against what went through no more than the others did.

    Attributes
    ----------
    late_s, u_late_s : float
    copy : bool
        Whether it is a copy of the pulse, as far as its noise lets one see.
    bounded : bool
        Whether nothing is told but how late it may be at most: what pulls at its crest from one
        ping to the next is not in that.
    """

    late_s: float
    u_late_s: float
    copy: bool = False
    bounded: bool = False


def late_by_shape(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    crest: Peak,
    *,
    alone: float = ALONE,
) -> Late:
    """Return how late a sound is against the others by what it is no copy of the pulse for.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.first_sound.arrivals.first_arrival`.
    crest : Peak
        Where that envelope is highest in the sound.
    alone : float
        How likely it is, before the others are looked at, that the sound alone went through what
        it did. Else they all did.
    """
    sound, *others = looks(envelope, shape, crest)
    heard, lobe_s = Heard.of(sound, shape, noise=sound.noise), shape.width_s
    copy = heard.fitted(COPY)
    placed_s, u_placed_s = copy.late_lobes * lobe_s, copy.u_late_lobes * lobe_s
    if copy.holds and copy.chi_square < _beyond_doubt(copy.degrees_of_freedom):
        return Late(late_s=placed_s, u_late_s=u_placed_s, copy=True)
    bounces = [bounce_way(shape, louder=louder) for louder in (False, True)]
    weaker, stronger, *by_filters = heard.fitted_each([*bounces, *FILTERS, *UNBOUNDED])
    bounce = _either(weaker, stronger)
    plain = [fit for fit in by_filters[: len(FILTERS)] if fit.holds]
    filtered = [*plain, *(fit for fit in by_filters[len(FILTERS) :] if fit.holds)]
    if _likely(copy, [weaker, stronger, *filtered]):
        return Late(late_s=placed_s, u_late_s=u_placed_s, copy=True)
    likely_alone = _likely_alone(sound, others, shape, alone=alone)
    # What all went through moves all alike, where all are placed in one way: as a search does.
    searched_s, u_searched_s = sound.ahead_s, abs(sound.ahead_s) / math.sqrt(3)
    if likely_alone < RARELY:
        return Late(late_s=searched_s, u_late_s=u_searched_s)
    dulled_each = heard.fitted_each(
        [bounce_way(shape, louder=louder, dulled=True) for louder in (False, True)]
    )
    dulled = _either(*dulled_each)
    # Where a filter is as likely, or both at once are likelier, a bounce is not told.
    least = bounce.evidence + math.log(RARELY)
    told = bounce.holds and all(fit.evidence <= least for fit in filtered)
    told &= not dulled.holds or dulled.evidence <= bounce.evidence
    if math.isnan(likely_alone) or not told:
        u_late_s = u_by_shape_s(sound, others, shape)
        if plain:
            alike = [fit for fit in (weaker, dulled_each[0], *filtered) if fit.holds]
            u_late_s = min(u_late_s, _u_by_fits_s(sound, alike, shape))
        # What may be a bounce louder than the sound leaves open how long before it that came.
        if stronger.holds and all(
            fit.evidence <= stronger.evidence - math.log(RARELY) for fit in filtered
        ):
            u_late_s = max(u_late_s, abs(stronger.late_lobes) * lobe_s / math.sqrt(3))
        return Late(late_s=0.0, u_late_s=u_late_s, bounded=True)
    told_s, u_told_s = bounce.late_lobes * lobe_s, bounce.u_late_lobes * lobe_s
    if likely_alone > 1 - RARELY:
        return Late(late_s=told_s, u_late_s=u_told_s)
    # Where it may be the others' as well, nothing is taken off: it would be right in neither case.
    either_s = math.sqrt(likely_alone * (u_told_s**2 + (told_s - searched_s) ** 2))
    return Late(late_s=searched_s, u_late_s=math.hypot(either_s, u_searched_s))


@functools.lru_cache(maxsize=32)
def _beyond_doubt(degrees_of_freedom: int) -> float:
    """Return what chi-square of a copy is too low for another way to make the copy rare.

    That way would have to leave less than noise does, but for rare cases. Its one parameter, known
    beforehand to a variance of 1/12, costs it a factor of √(12/2π) at the least, and each more
    costs it more than noise then leaves less; when the sound came, it tells no more loosely.
    """
    least = scipy.special.chdtri(max(degrees_of_freedom - 1, 1), 1 - RARELY)
    return math.log(12 / (2 * math.pi)) - 2 * math.log(RARELY) + float(least)


def _either(one: Fit, other: Fit) -> Fit:
    """Return what two fits say that are as likely before anything is heard.

    Each that holds counts by its evidence.
    """
    fits = [fit for fit in (one, other) if fit.holds] or [one, other]
    evidence = float(np.logaddexp.reduce([fit.evidence for fit in fits]))
    share = np.exp([fit.evidence - evidence for fit in fits])
    late = np.array([fit.late_lobes for fit in fits])
    u_late = np.array([fit.u_late_lobes for fit in fits])
    mean = float(share @ late)
    return dataclasses.replace(
        max(fits, key=lambda fit: fit.evidence),
        late_lobes=mean,
        u_late_lobes=math.sqrt(float(share @ (u_late**2 + (late - mean) ** 2))),
        evidence=evidence - math.log(2),
    )


def _likely(fit: Fit, others: Sequence[Fit]) -> bool:
    """Say whether a fit holds, and no other that does makes it rare."""
    most = max((other.evidence for other in others if other.holds), default=-math.inf)
    return fit.holds and fit.evidence > most + math.log(RARELY)


def _u_by_fits_s(sound: Look, alike: Sequence[Fit], shape: EchoShape) -> float:
    """Return the standard uncertainty of a sound's delay by all ways that look as it does.

    The latest of them counts, and whatever is less late is as likely, to either side. A filter
    beyond the band may be behind any: it shows by what is seen at all, of amplitude 1 a share of
    one over the root of 2E/N0, and delays by the cube root of that
    (:func:`dsp.ping.first_sound.likeness.u_by_shape_s`).
    """
    latest_s = max(abs(fit.late_lobes) for fit in alike) * shape.width_s
    unseen = (sound.noise / sound.amplitude / math.sqrt(2)) ** (1 / 3)
    return math.hypot(latest_s / math.sqrt(3), unseen / shape.rms_bandwidth_rad_s)


def _likely_alone(sound: Look, others: Sequence[Look], shape: EchoShape, *, alone: float) -> float:
    """Return how likely the others are copies, and not as the sound is; NaN where they are neither.

    `alone` where there are none.
    """
    same, told = 0.0, 0
    for other in others:
        noise = math.hypot(other.noise, sound.noise * other.amplitude / sound.amplitude)
        its = Heard.of(other, shape, noise=noise)
        as_copy, as_sound = its.fitted(COPY), its.fitted_by(sound)
        if as_copy.holds or as_sound.holds:
            told += 1
            same += as_sound.evidence - as_copy.evidence
    if others and not told:
        return math.nan
    return alone / (alone + (1 - alone) * math.exp(min(same, 700.0)))
