"""What a sound may have gone through that others have not, and how late that made it.

A bounce close behind a sound, or a resonance that it rings, moves its crest and changes its shape,
and leaves the sound itself in it: by a fit to the shape it is told when that came, to a share of
what the bound by the shape alone (:func:`dsp.ping.likeness.u_by_shape_s`) holds. A filter is
another matter: what looks alike over a band may be later by any delay, as one pole is by half a
sample where a sampled chain makes it. So filters are fitted as well, low-passes and high-passes of
order 1 to 4 and a mouth seen from the side, and where one of them is no worse by the evidence,
nothing is told. Whether the others went through it as well, their own shapes tell.

References
----------
S. Butterworth, "On the theory of filter amplifiers", *Experimental Wireless* 7, 1930 (cited from
memory): poles evenly spaced on a circle. G. H. Golub and V. Pereyra, *SIAM J. Numer. Anal.* 10,
1973, p. 413 (cited from memory): the strength, which is linear, drops out of a fit. D. J. C.
MacKay, *Information Theory, Inference, and Learning Algorithms*, 2003, ch. 28 (cited from memory):
models weighed by their evidence, the likelihood times the share of what was thought possible
that it leaves.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.goodness import Goodness
from dsp.ping.compression import EchoShape, turning_sums
from dsp.ping.likeness import without_others
from dsp.ping.more_than_one import COMPARED_SNR, MOST_COMPARED
from dsp.ping.peaks import Peak
from dsp.ping.search import sounds_ahead

LOOKED_LOBES = np.linspace(-1.5, 1.5, 25)
"""About its crest a sound is looked at."""

MISREAD = 5e-4
"""Of a sound's amplitude: rounding, and what compression leaves out, are no more than that."""

CORNERS = (0.1, 8.0)
"""Of the band's centre: what lies farther leaves a pulse as it is, or next to nothing of it."""

SHARPNESS, HIGHEST = (0.5, 4.0), 4.0
"""Quality of a resonance, and by what factor one lifts or sinks."""

FARTHEST_LOBES, LOUDEST = 1.5, 0.9
"""Of a second path: farther behind it is another sound, louder it would be the first."""

CLEAR_LOBES = 6.0
"""Nearer to a sound stands what it brings with it, which is no other."""

RARELY = 1e-3
"""What is so much less likely than something else is left out."""

NODES, LEAST_WEIGHT = 64, 1e-5
"""So many frequencies tell a response over a band; of the strongest, what counts to its ends."""

ALONE = 0.5
"""That a colour is the sound's own is as likely as that all have it, before anything is heard."""

_SHIFTS_LOBES = np.linspace(-0.5, 0.5, 9)
_ROUNDS = 15
_STARTS = 2
_STEP = 1e-3
"""Of a lobe, and of what a parameter may be at all: slopes are taken over so much."""

_Response = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.complex128]]
"""From frequencies over the centre's, and rows of parameters from 0 to 1, to a row for each."""

_Templates = Callable[[NDArray[np.float64]], NDArray[np.complex128]]
"""From rows of a lateness, in lobes, and what else a way has to what is read about the crest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """A sound about its crest: from lags to the envelope there, its height, the noise's RMS."""

    at: Callable[[NDArray[np.float64]], NDArray[np.complex128]]
    amplitude: float
    noise: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Way:
    """A kind of way: what it does, and where its parameters are looked for."""

    response: _Response
    starts: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    chi_square: float
    late_lobes: float
    u_late_lobes: float
    evidence: float
    """Its logarithm."""
    degrees_of_freedom: int

    @property
    def holds(self) -> bool:
        left = Goodness(chi_square=self.chi_square, degrees_of_freedom=self.degrees_of_freedom)
        return left.holds


def late_by_shape(
    envelope: NDArray[np.complexfloating],
    shape: EchoShape,
    crest: Peak,
    *,
    alone: float = ALONE,
    false_alarm_rate: float = 1e-9,
) -> tuple[float, float]:
    """Return how late a sound that is no copy of the pulse is against the others.

    Parameters
    ----------
    envelope, shape, false_alarm_rate
        As for :func:`dsp.ping.arrivals.first_arrival`.
    crest : Peak
        Where that envelope is highest in the sound.
    alone : float
        How likely it is, before the others are looked at, that the sound alone went through what
        it did. Else they all did.

    Returns
    -------
    late_s, u_late_s : float
        Of its crest, against what went through nothing; an infinite uncertainty where nothing of
        that is sure.
    """
    sounds = sounds_ahead(envelope, shape, false_alarm_rate=false_alarm_rate).peaks
    reach_s = float(LOOKED_LOBES[-1]) * shape.width_s

    def look(peak: Peak) -> _Look:
        around = functools.partial(without_others, envelope, shape, peak, sounds, reach_s)
        noise = math.sqrt(2 * peak.amplitude**2 / (peak.snr * shape.efficiency))
        return _Look(at=around, amplitude=peak.amplitude, noise=noise)

    sound, others = look(crest), [look(peak) for peak in _strongest(sounds, crest, shape)]
    heard = _Heard.of(sound, shape, noise=sound.noise)
    likely_alone = _likely_alone(sound, others, shape, alone=alone)
    if likely_alone < RARELY:
        return 0.0, 0.0
    (path, *clear), several, filtered = _ways(shape)
    ways = [heard.fitted(path)]
    # Of two paths where one will do, the second would be anywhere.
    ways += [heard.fitted(way) for way in (clear if ways[0].holds else [*clear, several])]
    ways = [way for way in ways if way.holds]
    if not ways or math.isnan(likely_alone):
        return 0.0, math.inf
    evidence = np.array([way.evidence for way in ways])
    most = float(evidence.max())
    rest = (heard.fitted(kind) for kind in filtered)
    if any(way.holds and way.evidence > most + math.log(RARELY) for way in rest):
        return 0.0, math.inf
    likely = np.exp(evidence - most)
    likely *= likely_alone / likely.sum()
    late = np.array([way.late_lobes for way in ways])
    u_late = np.array([way.u_late_lobes for way in ways])
    # Where it may be the others' as well, nothing is taken off: it would be right in neither case.
    mean = float(likely @ late) if likely_alone > 1 - RARELY else 0.0
    square = float(likely @ (u_late**2 + late**2)) - mean**2
    return mean * shape.width_s, math.sqrt(max(square, 0.0)) * shape.width_s


def _likely_alone(
    sound: _Look, others: Sequence[_Look], shape: EchoShape, *, alone: float
) -> float:
    """Return how likely the others are copies, and not as the sound is; NaN where they are neither.

    `alone` where there are none.
    """
    same, told = 0.0, 0
    for other in others:
        noise = math.hypot(other.noise, sound.noise * other.amplitude / sound.amplitude)
        its = _Heard.of(other, shape, noise=noise)
        nothing = np.empty((1, 0))
        as_copy = its.fitted(_Way(response=_flat, starts=nothing))
        as_sound = _fitted(its, its.like(sound), nothing)
        if as_copy.holds or as_sound.holds:
            told += 1
            same += as_sound.evidence - as_copy.evidence
    if others and not told:
        return math.nan
    return alone / (alone + (1 - alone) * math.exp(min(same, 700.0)))


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
class _Heard:
    """A sound about its crest, turned so that its noise is 1 and independent."""

    shape: EchoShape
    white: NDArray[np.complex128]
    node_hz: NDArray[np.float64]
    turn: NDArray[np.complex128]
    own: NDArray[np.complex128]
    cells: int

    @classmethod
    def of(cls, look: _Look, shape: EchoShape, *, noise: float) -> _Heard:
        lag_s = LOOKED_LOBES * shape.width_s
        apart_s = lag_s[:, np.newaxis] - lag_s
        step_hz = float(shape.offset_hz[1])
        power, sides = np.linalg.eigh(turning_sums(apart_s, shape.noise_weights, step_hz=step_hz))
        power = np.maximum(power, 0.0) * noise**2
        misread = (MISREAD * look.amplitude) ** 2
        white = (sides / np.sqrt(power + misread)).conj().T
        node_hz, turn = _read_at_nodes(shape)
        own = white @ look.at(lag_s)
        cells = int(np.sum(power > misread))
        return cls(
            shape=shape, white=white, node_hz=node_hz, turn=white @ turn, own=own, cells=cells
        )

    def fitted(self, way: _Way) -> _Fit:
        """Return how a way fits."""
        return _fitted(self, self.copies(way), way.starts)

    def copies(self, way: _Way) -> _Templates:
        """Return what a copy of the pulse is by such a way."""
        shape = self.shape
        over = (shape.carrier_hz + self.node_hz) / shape.centre_hz
        turned = 2j * np.pi * self.node_hz * shape.width_s

        def templates(at: NDArray[np.float64]) -> NDArray[np.complex128]:
            response = way.response(over, at[:, 1:]) * np.exp(at[:, :1] * turned)
            return np.asarray(response @ self.turn.T)

        return templates

    def like(self, sound: _Look) -> _Templates:
        """Return what another sound is, as it was heard."""
        lag_s, lobe_s = LOOKED_LOBES * self.shape.width_s, self.shape.width_s

        def templates(at: NDArray[np.float64]) -> NDArray[np.complex128]:
            return np.array([self.white @ sound.at(lag_s + late * lobe_s) for late in at[:, 0]])

        return templates


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


def _left(heard: _Heard, templates: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return what templates, each at the strength that fits best, leave."""
    energy = np.einsum("ij,ij->i", templates.conj(), templates).real
    gain = (templates.conj() @ heard.own) / np.maximum(energy, 1e-30)
    return np.asarray(heard.own - gain[:, np.newaxis] * templates)


def _fitted(heard: _Heard, templates: _Templates, starts: NDArray[np.float64]) -> _Fit:
    """Return the best fit from the best few of some starts."""
    shifts = np.repeat(_SHIFTS_LOBES, len(starts))[:, np.newaxis]
    at = np.concatenate([shifts, np.tile(starts, (_SHIFTS_LOBES.size, 1))], axis=1)
    left = _left(heard, templates(at))
    left_by = np.einsum("ij,ij->i", left.conj(), left).real.reshape(_SHIFTS_LOBES.size, -1)
    nearest = left_by.argmin(axis=0)
    best = left_by.min(axis=0).argsort(kind="stable")[:_STARTS]
    rows = nearest[best] * len(starts) + best
    return min(
        (_fitted_from(heard, templates, at[row]) for row in rows), key=lambda fit: fit.chi_square
    )


def _fitted_from(heard: _Heard, templates: _Templates, at: NDArray[np.float64]) -> _Fit:
    """Fit by least squares, damped (Levenberg and Marquardt)."""
    step = _STEP * np.eye(at.size)
    # What else a way has lies anywhere from 0 to 1: a variance of 1/12.
    known = np.diag([1e-9, *[12.0] * (at.size - 1)])
    damping, fell = 1e-3, math.inf
    for _ in range(_ROUNDS):
        left = _left(heard, templates(np.concatenate([at[np.newaxis], at + step, at - step])))
        # Noise of 1 is of two parts, of a half each.
        around = math.sqrt(2) * np.concatenate([left.real, left.imag], axis=1)
        chi_square = float(around[0] @ around[0])
        slopes = (around[1 : at.size + 1] - around[at.size + 1 :]) / (2 * _STEP)
        bend = slopes @ slopes.T + known
        if fell < 0.01:
            break
        fell = 0.0
        while fell <= 0 and damping < 1e4:
            move = np.linalg.solve(bend + damping * np.diag(np.diag(bend)), slopes @ around[0])
            tried = at - move
            tried[1:] = np.minimum(np.maximum(tried[1:], 0.0), 1.0)
            (after,) = _left(heard, templates(tried[np.newaxis]))
            fell = chi_square - 2 * float(np.vdot(after, after).real)
            damping = max(damping / 10, 1e-9) if fell > 0 else damping * 10
        if fell > 0:
            at = tried
    spread = np.linalg.inv(bend)
    _, volume = np.linalg.slogdet(2 * math.pi * spread)
    return _Fit(
        chi_square=chi_square,
        late_lobes=float(at[0]),
        u_late_lobes=math.sqrt(float(spread[0, 0])),
        evidence=float(volume - chi_square) / 2,
        degrees_of_freedom=2 * heard.cells - 2 - at.size,
    )


def _flat(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.ones((len(at), over.size), dtype=np.complex128)


@functools.lru_cache(maxsize=32)
def _ways(shape: EchoShape) -> tuple[tuple[_Way, ...], _Way, tuple[_Way, ...]]:
    """Return the kinds by which a sound comes through with more behind it, and all filters.

    Between them that of two more behind it; the first is that of one.

    Of up to four parameters.
    """
    lobe = shape.width_s * shape.centre_hz
    low, high = _butterworth(1, high=False), _butterworth(1, high=True)
    low_2, high_2 = _second_order(high=False), _second_order(high=True)
    path = _second_path(lobe, dull=False)
    steep = [_butterworth(order, high=False) for order in (3, 4)]
    clear = [(path,), (_second_path(lobe, dull=True),), (_PEAK,)]
    filtered: list[tuple[_Section, ...]] = [
        (one,) for one in (low, high, low_2, high_2, _FROM_THE_SIDE, *steep)
    ]
    filtered += [(low, other) for other in (low, high, low_2, path)]
    filtered += [(high, low_2), (high, path)]
    several = _in_turn((_two_paths(lobe),))
    return tuple(map(_in_turn, clear)), several, tuple(map(_in_turn, filtered))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Section:
    """A part of a way: how many parameters it has, and what it does."""

    parameters: int
    response: _Response


def _in_turn(sections: tuple[_Section, ...]) -> _Way:
    ends = np.cumsum([section.parameters for section in sections])[:-1]

    def response(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
        each = zip(sections, np.split(at, ends, axis=1), strict=True)
        return np.asarray(math.prod(section.response(over, its) for section, its in each))

    parameters = sum(section.parameters for section in sections)
    steps = np.linspace(0.05, 0.95, {1: 10, 2: 8, 3: 5, 4: 4}[parameters])
    grid = np.meshgrid(*[steps] * parameters, indexing="ij")
    starts = np.stack(grid, axis=-1).reshape(-1, parameters)
    return _Way(response=response, starts=starts)


def _butterworth(order: int, *, high: bool) -> _Section:
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))

    def response(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
        turned = 1j * over / _corner(at)
        turned = 1 / turned if high else turned
        return np.asarray(np.prod(1 / (turned[..., np.newaxis] - poles), axis=-1))

    return _Section(parameters=1, response=response)


def _second_order(*, high: bool) -> _Section:
    def response(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
        turned = 1j * over / _corner(at[:, :1])
        turned = 1 / turned if high else turned
        return np.asarray(1 / (1 + turned / _sharpness(at[:, 1:]) + turned**2))

    return _Section(parameters=2, response=response)


def _peak(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
    turned = 1j * over / _corner(at[:, :1])
    width, lift = turned / _sharpness(at[:, 1:2]), HIGHEST ** (2 * at[:, 2:] - 1)
    return np.asarray((1 + lift * width + turned**2) / (1 + width + turned**2))


def _from_the_side(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
    return np.exp(-((over / _corner(at)) ** 2)) + 0j


_PEAK = _Section(parameters=3, response=_peak)
_FROM_THE_SIDE = _Section(parameters=1, response=_from_the_side)


def _second_path(lobe_turns: float, *, dull: bool) -> _Section:
    """Behind the first, in terms of the turns of the band's centre in a lobe."""

    def response(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
        behind = at[:, 1:2] * FARTHEST_LOBES * lobe_turns
        second = LOUDEST * (2 * at[:, :1] - 1) * np.exp(-2j * np.pi * behind * over)
        return np.asarray(1 + (second / (1 + 1j * over / _corner(at[:, 2:])) if dull else second))

    return _Section(parameters=3 if dull else 2, response=response)


def _two_paths(lobe_turns: float) -> _Section:
    """Behind the first, each as one of :func:`_second_path`."""
    one = _second_path(lobe_turns, dull=False)

    def response(over: NDArray[np.float64], at: NDArray[np.float64]) -> NDArray[np.complex128]:
        first, other = (one.response(over, its) for its in np.split(at, 2, axis=1))
        return first + other - 1

    return _Section(parameters=4, response=response)


def _corner(at: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = CORNERS
    return np.asarray(low * (high / low) ** at)


def _sharpness(at: NDArray[np.float64]) -> NDArray[np.float64]:
    low, high = SHARPNESS
    return np.asarray(low * (high / low) ** at)
