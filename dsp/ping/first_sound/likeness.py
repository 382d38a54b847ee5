"""How far a sound is from a copy of the pulse, and what that may have moved it by.

A sound is read about its crest, turned so that its noise is 1 and independent, and what may have
made it is fitted: a copy of the pulse, or one that came another way
(:mod:`dsp.ping.first_sound.went_through`). Whether a fit holds is told by the one test of fit.

References
----------
G. H. Golub and V. Pereyra, *SIAM J. Numer. Anal.* 10, 1973, p. 413 (cited from memory): the
strength, which is linear, drops out of a fit.
"""

from __future__ import annotations

import functools
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import Goodness
from dsp.ping.noise.noise import noise_about
from dsp.ping.pulse.echo_shape import ROUNDING, EchoShape
from dsp.ping.pulse.peaks import Peak, interpolated
from dsp.ping.search.listing import CLEAR_LOBES
from dsp.ping.search.more_than_one import COMPARED_SNR, MOST_COMPARED
from dsp.ping.search.search import sounds_ahead

LOOKED_LOBES = np.linspace(-1.5, 1.5, 25)
"""About its crest a sound is looked at."""

MISREAD = 5e-4
"""Of a sound's amplitude: the rounding of a converter, and the 1e-7 of the pulse's energy that
compression leaves out, √1e-7 = 3e-4 of its amplitude, are no more than that."""

NO_SOUND = 0.25
"""Share of the energy about a crest, a quarter for half of the amplitude, that neither the pulse
nor another sound explains of what is none of the pulse's. What a microphone or a card that bends
makes of five chirps at twice and three times the frequency leaves 0.36 and more; a low-pass or a
bounce mostly up to 0.16, a resonance of a Q of 5 at 6 kHz 0.26, and a bounce 0.9 as strong a lobe
behind 0.47 (computed)."""

NODES, LEAST_WEIGHT = 64, 1e-5
"""So many frequencies tell a response over a band; of the strongest, what counts to its ends."""

_SHIFTS_LOBES = np.linspace(-0.5, 0.5, 9)
_ROUNDS = 15
_STARTS = 4
_NOTHING = 1e-6
"""Of chi-square: no fit is the better for it."""

_STEP = 1e-3
"""Of a lobe: how what was heard changes with its place is taken over so much."""

Response = Callable[
    [NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]], NDArray[np.complex128]
]
"""From frequencies over the centre's, rows of parameters from 0 to 1, and rows of what sets ways
apart, to a row for each."""

_Templates = Callable[[NDArray[np.float64], NDArray[np.intp]], NDArray[np.complex128]]
"""From rows of a lateness, in lobes, and what else a way has to what is read about the crest, and
its slope in each of them; the second says which of some ways each row is of, in their order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """A sound about its crest: from lags to the envelope there, its height, the noise's RMS.

    And how far ahead of its crest a search places it, which takes what rings for several.
    """

    at: Callable[[NDArray[np.float64]], NDArray[np.complex128]]
    amplitude: float
    noise: float
    ahead_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """What ways of one kind do, by parameters and by what sets each apart.

    `sloped` returns the response and, after it, its slope in each parameter, shape
    (rows, 1 + parameters, frequencies).
    """

    response: Response
    sloped: Response


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """A kind of way: what it does, and where its parameters are looked for.

    Of its law's parameters it has the first few; the others do nothing. What is placed comes
    `behind_lobes` times its last parameter behind what came first.
    """

    law: Law
    apart: tuple[float, ...] = ()
    parameters: int
    starts: NDArray[np.float64]
    behind_lobes: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a fit to a sound came to."""

    chi_square: float
    late_lobes: float
    u_late_lobes: float
    evidence: float
    """Its logarithm."""
    degrees_of_freedom: int

    @property
    def holds(self) -> bool:
        """Whether what it leaves is no more than noise."""
        left = Goodness(chi_square=self.chi_square, degrees_of_freedom=self.degrees_of_freedom)
        return left.holds


def looks(envelope: NDArray[np.complexfloating], shape: EchoShape, crest: Peak) -> list[Look]:
    """Return a sound as it stands in an envelope, and the strongest others clear of it."""
    sounds = sounds_ahead(envelope, shape, false_alarm_rate=1e-9).peaks
    reach_s = float(LOOKED_LOBES[-1]) * shape.width_s

    def look(peak: Peak) -> Look:
        around = functools.partial(without_others, envelope, shape, peak, sounds, reach_s)
        # As it is found in this envelope, where others may have left more than in another.
        here = min(sounds, key=lambda sound: abs(sound.delay_s - peak.delay_s), default=peak)
        found = here if abs(here.delay_s - peak.delay_s) < shape.width_s / 2 else peak
        noise = math.sqrt(2 * found.amplitude**2 / (found.snr * shape.efficiency))
        ahead_s = peak.delay_s - found.delay_s
        return Look(at=around, amplitude=peak.amplitude, noise=noise, ahead_s=ahead_s)

    return [look(peak) for peak in (crest, *_strongest(sounds, crest, shape))]


def is_copy(envelope: NDArray[np.complexfloating], shape: EchoShape, peak: Peak) -> bool:
    """Say whether a sound is a copy of the pulse, as far as its noise lets one see.

    Parameters
    ----------
    envelope, shape
        As for :func:`dsp.ping.first_sound.arrivals.first_arrival`.
    peak : Peak
        The sound, as found in that envelope.
    """
    sound, *_ = looks(envelope, shape, peak)
    return Heard.of(sound, shape, noise=sound.noise).fitted(COPY).holds


def is_sound(envelope: NDArray[np.complexfloating], shape: EchoShape, peak: Peak) -> bool:
    """Say whether a sound may be one of the pulse's at all, coloured or not.

    Parameters as for :func:`is_copy`; another sound of the envelope explains it as well.
    """
    if is_copy(envelope, shape, peak):
        return True
    sound, *others = looks(envelope, shape, peak)
    late_s = (_SHIFTS_LOBES * shape.width_s).tolist()
    return any(_least_apart(sound, others, shape, late) < NO_SOUND for late in late_s)


def u_by_shape_s(sound: Look, others: Sequence[Look], shape: EchoShape) -> float:
    """Return the standard uncertainty of a sound's delay by what makes it no copy.

    What it has in common with one of the others is the sender's or the receiver's, and moves both
    alike: the least that a copy or one of them leaves counts. No noise is taken off.

    Notes
    -----
    A low-pass of order n whose corner lies x times above a frequency delays it by aₙ/x, a being 1,
    1.4, 2 and 2.6 for Butterworth's first four; what is no delay of its phase is about 0.4/x³ and
    so colours it: what it moved a sound by goes with the cube root of what it changed. Two of
    ∛ϱ/β, ϱ being the share of the amplitude that is not explained, hold the shift by every such
    low-pass from 2 to 24 kHz and high-pass from 1.5 to 12 kHz that leaves a pulse of 4 to 12 kHz
    to be heard, the fourth order by 0.95 of it, and by resonances and a second path by half of it
    (computed for chirp and Barker code).
    """
    least = _least_apart(sound, others, shape, 0.0)
    return float(least ** (1 / 6)) / shape.rms_bandwidth_rad_s


def _least_apart(sound: Look, others: Sequence[Look], shape: EchoShape, late_s: float) -> float:
    """Return the least share of a sound's energy that the pulse or one of the others leaves."""
    lag_s = LOOKED_LOBES * shape.width_s
    own = sound.at(lag_s)
    models = [shape.at(lag_s - late_s), *(other.at(lag_s - late_s) for other in others)]
    return min(_apart(own, model) for model in models)


def _strongest(sounds: Sequence[Peak], crest: Peak, shape: EchoShape) -> list[Peak]:
    """Return the strongest others that stand clear of the sound and of each other."""
    chosen: list[Peak] = []
    clear_s = CLEAR_LOBES * shape.width_s
    for peak in sorted(sounds, key=lambda peak: -peak.amplitude):
        clear = (abs(peak.delay_s - other.delay_s) > clear_s for other in (crest, *chosen))
        if peak.snr > COMPARED_SNR and all(clear):
            chosen.append(peak)
    return chosen[:MOST_COMPARED]


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A sound about its crest, turned so that its noise is 1 and independent."""

    shape: EchoShape
    white: NDArray[np.complex128]
    node_hz: NDArray[np.float64]
    turn: NDArray[np.complex128]
    own: NDArray[np.complex128]
    told: float
    """How many independent numbers that is."""

    @classmethod
    def of(cls, look: Look, shape: EchoShape, *, noise: float) -> Heard:
        """Turn a look, with so much noise."""
        power, sides = _noise_about(shape)
        misread, rounding = MISREAD * look.amplitude, ROUNDING * look.amplitude
        # What the band leaves out or a converter rounds is spread as the noise is.
        power = power * (noise**2 + misread**2)
        white = (sides / np.sqrt(power + rounding**2)).conj().T
        node_hz, turn = _read_at_nodes(shape)
        own = white @ look.at(LOOKED_LOBES * shape.width_s)
        told = float(np.sum(power / (power + rounding**2)))
        return cls(shape=shape, white=white, node_hz=node_hz, turn=white @ turn, own=own, told=told)

    def fitted(self, way: Way) -> Fit:
        """Return how a copy that came by such a way fits."""
        return self.fitted_each([way])[0]

    def fitted_each(self, ways: Sequence[Way]) -> list[Fit]:
        """Return how a copy that came by each of some ways fits, each as if it was alone.

        Ways of one law stand together.
        """
        over = self._over
        # Each start with each shift, whose turns are put to what reads them. That only tells
        # where to begin: single precision does.
        late = np.exp(_SHIFTS_LOBES[:, np.newaxis] * self._turned)
        readers = np.multiply(late[..., np.newaxis], self.turn.T, order="C").astype(np.complex64)
        begun = []
        for way in ways:
            apart = np.broadcast_to(way.apart, (len(way.starts), len(way.apart)))
            response = way.law.response(over, way.starts, apart)
            begun.append(_begun(self, way, response.astype(np.complex64) @ readers))
        return _fitted(self, self._copies(ways), ways, begun)

    def fitted_by(self, sound: Look) -> Fit:
        """Return how another sound fits, as it was heard."""
        tried = self._heard_late(sound, _SHIFTS_LOBES)
        begun = _begun(self, COPY, tried[:, np.newaxis])
        return _fitted(self, self._same_as(sound), [COPY], [begun])[0]

    @property
    def _over(self) -> NDArray[np.float64]:
        """Frequencies over the centre's."""
        return np.asarray((self.shape.carrier_hz + self.node_hz) / self.shape.centre_hz)

    @property
    def _turned(self) -> NDArray[np.complex128]:
        """By how much each of them turns over a lobe, in rad times i."""
        return np.asarray(2j * np.pi * self.node_hz * self.shape.width_s)

    def _copies(self, ways: Sequence[Way]) -> _Templates:
        """Return what a copy of the pulse is by each of such ways."""
        over, turned = self._over, self._turned
        by_law = [list(its) for _, its in itertools.groupby(ways, lambda way: id(way.law))]
        apart = [np.array([way.apart for way in its]) for its in by_law]
        firsts = np.cumsum([0, *map(len, by_law)]).tolist()

        def templates(at: NDArray[np.float64], of: NDArray[np.intp]) -> NDArray[np.complex128]:
            rows, size = at.shape
            begins = np.searchsorted(of, firsts).tolist()
            sloped = np.zeros((rows, 1 + size, over.size), dtype=np.complex128)
            for number, its in enumerate(by_law):
                begin, end = begins[number : number + 2]
                if end > begin:
                    own = apart[number][of[begin:end] - firsts[number]]
                    response = its[0].law.sloped(over, at[begin:end, 1:], own)
                    sloped[begin:end, 0] = response[:, 0]
                    sloped[begin:end, 2 : 1 + response.shape[1]] = response[:, 1:]
            sloped[:, 1] = sloped[:, 0] * turned
            sloped *= np.exp(at[:, :1] * turned)[:, np.newaxis]
            return np.reshape(sloped.reshape(-1, over.size) @ self.turn.T, (rows, 1 + size, -1))

        return templates

    def _same_as(self, sound: Look) -> _Templates:
        """Return what another sound is, as it was heard."""

        def templates(at: NDArray[np.float64], _of: NDArray[np.intp]) -> NDArray[np.complex128]:
            heard = self._heard_late(sound, at + _STEP * np.array([0.0, -1.0, 1.0]))
            return np.stack([heard[:, 0], (heard[:, 2] - heard[:, 1]) / (2 * _STEP)], axis=1)

        return templates

    def _heard_late(self, sound: Look, late_lobes: NDArray[np.float64]) -> NDArray[np.complex128]:
        """Return another sound as it was heard, about its own crest and so much later."""
        lag_lobes = LOOKED_LOBES + late_lobes[..., np.newaxis]
        around = sound.at(self.shape.width_s * lag_lobes.reshape(-1))
        return np.asarray(around.reshape(lag_lobes.shape) @ self.white.T)


@functools.lru_cache(maxsize=32)
def _noise_about(shape: EchoShape) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return the noise's power about a crest along sides in which it is independent, and these."""
    return noise_about(shape, LOOKED_LOBES * shape.width_s)


@functools.lru_cache(maxsize=32)
def _read_at_nodes(shape: EchoShape) -> tuple[NDArray[np.float64], NDArray[np.complex128]]:
    """Return what makes an echo about its crest of a response at some frequencies of the band.

    The response between them is the polynomial through all (Chebyshev).
    """
    kept = np.flatnonzero(shape.weights > LEAST_WEIGHT * shape.weights.max())
    band = slice(int(kept[0]), int(kept[-1]) + 1)
    offset_hz = shape.offset_hz[band]
    node = np.cos(np.pi * (np.arange(NODES) + 0.5) / NODES)
    middle_hz, half_hz = (offset_hz[-1] + offset_hz[0]) / 2, (offset_hz[-1] - offset_hz[0]) / 2
    vander = np.polynomial.chebyshev.chebvander
    between = np.linalg.solve(
        vander(node, NODES - 1).T, vander((offset_hz - middle_hz) / half_hz, NODES - 1).T
    )
    turn = np.exp(2j * np.pi * np.outer(LOOKED_LOBES * shape.width_s, offset_hz))
    return middle_hz + half_hz * node, (turn * shape.weights[band]) @ between.T


def _begun(heard: Heard, way: Way, tried: NDArray[np.complexfloating]) -> NDArray[np.float64]:
    """Return a lateness and the parameters of the best few of a way's starts, a row for each.

    `tried` are the templates of each, at each shift, shape (shifts, starts, looks).
    """
    # Each at the strength that fits best.
    gain = np.vecdot(tried, heard.own) / np.maximum(np.vecdot(tried, tried).real, 1e-30)
    left = heard.own - gain[..., np.newaxis] * tried
    left_by = np.vecdot(left, left).real
    nearest = left_by.argmin(axis=0)
    best = left_by.min(axis=0).argsort(kind="stable")[:_STARTS]
    return np.column_stack([_SHIFTS_LOBES[nearest[best]], way.starts[best]])


def _fitted(
    heard: Heard,
    templates: _Templates,
    ways: Sequence[Way],
    begun: Sequence[NDArray[np.float64]],
) -> list[Fit]:
    """Return the best fit of each of some ways."""
    of = np.repeat(np.arange(len(ways)), [len(at) for at in begun])
    at = np.zeros((of.size, max(rows.shape[1] for rows in begun)))
    for number, rows in enumerate(begun):
        at[of == number, : rows.shape[1]] = rows
    fits = _fitted_from(heard, templates, at, of, ways)
    return [_best([fits[row] for row in np.flatnonzero(of == n)]) for n in range(len(ways))]


def _best(fits: Sequence[Fit]) -> Fit:
    # The first that is as good as noise lets any be is asked last.
    good = (i for i, fit in enumerate(fits) if fit.chi_square < fit.degrees_of_freedom)
    return min(fits[: next(good, len(fits)) + 1], key=lambda fit: fit.chi_square)


def _fitted_from(
    heard: Heard,
    templates: _Templates,
    at: NDArray[np.float64],
    of: NDArray[np.intp],
    ways: Sequence[Way],
) -> list[Fit]:
    """Fit by least squares, damped (Levenberg and Marquardt), from each of some starts."""
    starts, size = at.shape
    parameters = np.array([way.parameters for way in ways])[of]
    # What else a way has lies anywhere from 0 to 1: a variance of 1/12. What it has not takes no
    # part: neither in a step, nor, of a variance of 1/2π, in the evidence.
    own = np.arange(size) <= parameters[:, np.newaxis]
    known = np.where(own, 12.0, 2 * math.pi)
    known[:, 0] = 1e-9
    diagonal = np.arange(size)
    most = np.array([math.inf, *[1.0] * (size - 1)])
    least = 1 - most
    damping, rounds = np.full(starts, 1e-3), np.zeros(starts, dtype=np.intp)
    chi_square, bend, pull = _about(heard, templates(at, of))
    bend[:, diagonal, diagonal] += known
    going = np.arange(starts)
    while going.size:
        at_from, pull_from = at[going], pull[going]
        # What stands at an end and is pulled beyond it stays there.
        free = np.clip(at_from - pull_from, least, most) != at_from
        pull_from *= free
        stiff = bend[going] * (free[:, np.newaxis] & free[..., np.newaxis])
        stiff[:, diagonal, diagonal] *= 1 + damping[going, np.newaxis]
        stiff[:, diagonal, diagonal] += ~free
        step = np.linalg.solve(stiff, pull_from[..., np.newaxis])[..., 0]
        tried = np.clip(at_from - step, least, most)
        chi_square_there, bend_there, pull_there = _about(heard, templates(tried, of[going]))
        bend_there[:, diagonal, diagonal] += known[going]
        fell = chi_square[going] - chi_square_there
        falls = fell > 0
        onto = going[falls]
        at[onto], chi_square[onto] = tried[falls], chi_square_there[falls]
        bend[onto], pull[onto] = bend_there[falls], pull_there[falls]
        rounds[onto] += 1
        damping[going] *= np.where(falls, 0.1, 10.0)
        damping = np.maximum(damping, 1e-9)
        # What goes on straight falls by no more than that: where a step, and each shorter one,
        # can bring nothing, none is tried.
        at_most = np.abs(2 * np.vecdot(pull_from, at_from - tried))
        ended = (fell < 0.01) | (rounds[going] == _ROUNDS)
        there = np.where(falls, ended, (at_most < _NOTHING) | (damping[going] >= 1e4))
        going = going[~there]
    spread = np.linalg.inv(bend)
    first = np.zeros((starts, size))
    first[np.arange(starts), parameters] = np.array([way.behind_lobes for way in ways])[of]
    first[:, 0] += 1.0
    _, volume = np.linalg.slogdet(2 * math.pi * spread)
    return [
        Fit(
            chi_square=chi,
            late_lobes=late,
            u_late_lobes=math.sqrt(variance),
            evidence=(room - chi) / 2,
            degrees_of_freedom=round(2 * heard.told) - 3 - its,
        )
        for chi, late, variance, room, its in zip(
            chi_square.tolist(),
            np.vecdot(at, first).tolist(),
            np.vecdot((spread @ first[..., np.newaxis])[..., 0], first).tolist(),
            volume.tolist(),
            parameters.tolist(),
            strict=True,
        )
    ]


def _about(
    heard: Heard, sloped: NDArray[np.complex128]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return chi-square of some templates with their slopes, and how that goes on from there.

    Its second slopes, halved, where what is left goes on straight, and its slopes, halved: each
    template at the strength that fits best.
    """
    template, slopes = sloped[:, 0], sloped[:, 1:]
    energy = np.maximum(np.vecdot(template, template).real, 1e-30)
    gain = np.vecdot(template, heard.own) / energy
    left = heard.own - gain[:, np.newaxis] * template
    grows = 2 * np.vecdot(template[:, np.newaxis], slopes).real
    gains = (np.vecdot(slopes, heard.own) - gain[:, np.newaxis] * grows) / energy[:, np.newaxis]
    changes = -gains[..., np.newaxis] * template[:, np.newaxis]
    changes -= gain[:, np.newaxis, np.newaxis] * slopes
    # Noise of 1 is of two parts, of a half each.
    here, onward = left.view(np.float64), changes.view(np.float64)
    return (
        2 * np.vecdot(here, here),
        2 * onward @ onward.swapaxes(1, 2),
        2 * (onward @ here[..., np.newaxis])[..., 0],
    )


def _flat(
    over: NDArray[np.float64], at: NDArray[np.float64], _apart: NDArray[np.float64]
) -> NDArray[np.complex128]:
    return np.ones((len(at), over.size), dtype=np.complex128)


def _flat_sloped(
    over: NDArray[np.float64], at: NDArray[np.float64], _apart: NDArray[np.float64]
) -> NDArray[np.complex128]:
    return np.ones((len(at), 1, over.size), dtype=np.complex128)


COPY = Way(law=Law(response=_flat, sloped=_flat_sloped), parameters=0, starts=np.empty((1, 0)))


def without_others(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    peak: Peak,
    sounds: Sequence[Peak],
    reach_s: float,
    offset_s: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Return a sound about its own place, less all that stand farther off than `reach_s`.

    Offsets count from its delay.
    """
    centre_turns = (shape.centre_hz - shape.carrier_hz) * shape.bin_s
    place = (peak.delay_s + offset_s) / shape.bin_s
    around = interpolated(envelope, place, centre_turns=centre_turns)
    for other in sounds:
        if abs(other.delay_s - peak.delay_s) > reach_s:
            turn_rad = other.phase_rad - 2 * math.pi * shape.carrier_hz * other.delay_s
            lag_s = peak.delay_s + offset_s - other.delay_s
            around -= other.amplitude * np.exp(1j * turn_rad) * shape.at(lag_s)
    return around


def _apart(one: NDArray[np.complex128], other: NDArray[np.complex128]) -> float:
    """Return the share of one's energy that the other, at any strength, does not explain."""
    both = float(np.sum(np.abs(one) ** 2) * np.sum(np.abs(other) ** 2))
    return max(0.0, 1 - float(abs(np.vdot(other, one))) ** 2 / both) if both else 1.0
