"""Points in focus: where they stand, how surely, and the speed at which they are sharpest.

A point's place is where its echoes add up highest. How surely is read off the echoes
themselves: each ping pulls the place its own way, and how far these pulls scatter, over how
sharply the sum falls off, is the uncertainty, whatever made them scatter.

References
----------
P. J. Huber, "The behavior of maximum likelihood estimates under nonstandard conditions",
*Proc. Fifth Berkeley Symp.* 1, 1967, pp. 221–233 (the scatter of pulls over the curvature);
W. K. Newey and K. D. West, *Econometrica* 55, 1987, pp. 703–708 (pulls that go together from
ping to ping). Both cited from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.history.focusing import StraightWay, along_arch

FEWEST_PINGS = 8
"""With three numbers to fit, fewer pings leave nothing to judge a point by."""

_STARTS = (np.arange(-10, 11, 5), np.arange(-30, 31, 5), np.arange(-60, 61, 5))
"""From the highest of these the top of a changing speed is climbed: in steps of the scale of time,
speed and change, of which ten are a top's width."""

_TURNS_FAR = 60  # of Newton's way, where the top may be many widths off
_LONGEST = 2.0  # steps of the scale at once


@dataclass(frozen=True, slots=True, kw_only=True)
class FocusedPoint:
    """A point as it came into focus; `u_…` are standard uncertainties by the echoes' scatter.

    Attributes
    ----------
    time_s, u_time_s : float
        When it was square ahead, from the first ping's leaving.
    range_m, u_range_m : float
        The nearest that it came.
    speed_m_s, u_speed_m_s : float
        Along the way; an uncertainty of 0 where it was given.
    amplitude : float
        Mean over the pings, re full scale.
    share : float
        Of the echoes' energy along its arch, what is in step: about 1 for a lone point, and
        1/pings for noise.
    pings : int
        That were added up.
    """

    time_s: float
    u_time_s: float
    range_m: float
    u_range_m: float
    speed_m_s: float
    u_speed_m_s: float
    amplitude: float
    share: float
    pings: int

    @property
    def along_m(self) -> float:
        """Where it stands along the way, from where the pair stood as the first ping left."""
        return self.time_s * self.speed_m_s

    @property
    def u_along_m(self) -> float:
        """Standard uncertainty of that: by its time and by the speed."""
        return math.hypot(self.u_time_s * self.speed_m_s, self.time_s * self.u_speed_m_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeOfSpeed:
    """A point in focus on a way whose speed changes evenly, beside it on one of even speed.

    Attributes
    ----------
    change_m_s2, u_change_m_s2 : float
        By so much each second, and its standard uncertainty by the echoes' scatter.
    speed_off_m_s : float
        By so much, at the most, the speed is another than the even one while the point is seen.
    time_off_s, range_off_m : float
        By so much the point stands elsewhere.
    """

    change_m_s2: float
    u_change_m_s2: float
    speed_off_m_s: float
    time_off_s: float
    range_off_m: float


def fit_point(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    *,
    time_s: float,
    range_m: float,
    range_scale_m: float,
    fit_speed: bool = False,
) -> FocusedPoint | None:
    """Find where a point's echoes add up highest, and how surely.

    Parameters
    ----------
    profiles : ndarray of complex, shape (pings, bins)
        As for :func:`dsp.history.focusing.focused`.
    way : StraightWay
        With the speed, or one within a lobe of it.
    time_s, range_m : float
        Within a width of where it stands.
    range_scale_m : float
        Width of an echo in range.
    fit_speed : bool
        Whether the speed is found as well.

    Returns
    -------
    FocusedPoint or None
        None where there is no top near by, or too few pings saw it.
    """
    place = np.array([time_s, range_m, way.speed_m_s])[: 3 if fit_speed else 2]
    scale_m, climbed = range_scale_m, 0
    while climbed < 2:
        ping, weight = _seen(profiles.shape[0], way, place)
        if ping.size < FEWEST_PINGS:
            return None
        scale = _scales(way, place, ping, scale_m)
        found = _top(profiles, way, ping, weight, place, scale)
        if found is not None:
            place, climbed = found, climbed + 1
        # From far off an echo's width leads there; how sharp the top is goes by the finer of both.
        finer_m = min(range_scale_m, _depth_m(way, float(place[1]), ping, float(place[0])))
        if found is None and finer_m >= scale_m:
            return None
        scale_m = finer_m
    echoes, slopes, bend = _derivatives(profiles, way, ping, weight, place, scale)
    u = np.sqrt(_variances(echoes, slopes, bend)) * scale
    total = abs(echoes.sum())
    even = float(np.sum(weight**2) * np.sum(np.abs(echoes / weight) ** 2))
    return FocusedPoint(
        time_s=float(place[0]),
        u_time_s=float(u[0]),
        range_m=float(place[1]),
        u_range_m=float(u[1]),
        speed_m_s=float(place[2]) if fit_speed else way.speed_m_s,
        u_speed_m_s=float(u[2]) if fit_speed else 0.0,
        amplitude=float(total / weight.sum()),
        share=float(total**2 / even),
        pings=int(ping.size),
    )


def change_of_speed(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    point: FocusedPoint,
    *,
    range_scale_m: float,
) -> ChangeOfSpeed | None:
    """Ask whether a point is sharper on a way whose speed changes evenly.

    Parameters
    ----------
    profiles : ndarray of complex, shape (pings, bins)
    way : StraightWay
    point : FocusedPoint
        In focus at an even speed: by :func:`fit_point`, with its speed.
    range_scale_m : float
        Width of an echo in range.

    Returns
    -------
    ChangeOfSpeed or None
        None where there is no top.
    """
    its = way.at_speed(point.speed_m_s)
    even = np.array([point.time_s, point.range_m, point.speed_m_s, 0.0])
    ping, weight = _seen(profiles.shape[0], its, even)
    scale = _scales(its, even, ping, range_scale_m)
    # Whoever gains speed is behind at both ends: nearly the same as to be later all the way.
    to_go_s = even[0] - ping * its.interval_s
    ahead_m = its.speed_m_s * to_go_s
    heard = weight * np.abs(_echoes(profiles, its, ping, even[np.newaxis, :3])[0])
    pull = heard * (ahead_m / np.hypot(even[1], ahead_m)) ** 2
    later_s = (pull @ to_go_s**2) / pull.sum() / (2 * its.speed_m_s)
    later, faster, change = (steps.ravel() for steps in np.meshgrid(*_STARTS, indexing="ij"))
    starts = even + np.outer(change * scale[3], [later_s, 0.0, 0.0, 1.0])
    starts[:, 0] += later * scale[0]
    starts[:, 2] += faster * scale[2]
    starts = starts[starts[:, 2] > 0]
    high = np.abs((weight * _echoes(profiles, its, ping, starts)).sum(axis=-1))
    begin = starts[np.argmax(high)]
    found = _top(profiles, its, ping, weight, begin, scale, turns=_TURNS_FAR, reach=math.inf)
    if found is None:
        return None
    echoes, slopes, bend = _derivatives(profiles, its, ping, weight, found, scale)
    u = np.sqrt(_variances(echoes, slopes, bend)) * scale
    off = np.abs(found - even)
    return ChangeOfSpeed(
        change_m_s2=float(found[3]),
        u_change_m_s2=float(u[3]),
        speed_off_m_s=float(off[2] + off[3] * np.abs(to_go_s).max()),
        time_off_s=float(off[0]),
        range_off_m=float(off[1]),
    )


def sharpness(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    speed_m_s: ArrayLike,
    *,
    time_s: float,
    range_m: float,
    slack_s: float = 0.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """How high a point stands when it is focused at other speeds.

    Parameters
    ----------
    profiles : ndarray of complex, shape (pings, bins)
    way : StraightWay
        Its speed says which pings are added up: the same at all speeds tried.
    speed_m_s : array_like, shape (speeds,)
    time_s, range_m : float
        When the point is square ahead, and how far away it then is.
    slack_s : float
        It may be so much earlier or later.

    Returns
    -------
    sharp : ndarray of float64, shape (speeds,)
        Of the echoes' energy, what is in step: as `share` of :class:`FocusedPoint`.
    time_s : ndarray of float64, shape (speeds,)
        When it is square ahead where that is highest.
    """
    ping, weight = _seen(profiles.shape[0], way, np.array([time_s, range_m]))
    # A focus is so long in time: looked for at three places of it.
    step_s = 0.3 * _width_m(way, range_m, ping, time_s) / way.speed_m_s
    count = min(math.ceil(slack_s / step_s), 40) if slack_s else 0
    times_s = time_s + np.arange(-count, count + 1) * step_s
    speeds = np.atleast_1d(np.asarray(speed_m_s, dtype=float))
    sharp, at_s = np.zeros(speeds.size), np.zeros(speeds.size)
    for i, speed in enumerate(speeds.tolist()):
        its = way.at_speed(speed)
        ahead_m = speed * (times_s[:, np.newaxis] - ping * way.interval_s)
        delay_s, shown_s, _ = its.delays_s(ahead_m, range_m)
        echoes = along_arch(profiles, ping, shown_s, delay_s, its)
        power = np.abs(echoes @ weight) ** 2
        best = int(np.argmax(power))
        energy = float(np.sum(weight**2) * np.sum(np.abs(echoes[best]) ** 2))
        sharp[i], at_s[i] = power[best] / max(energy, 1e-300), times_s[best]
    return sharp, at_s


def speed_lobe(way: StraightWay, range_m: float, aperture_m: float) -> float:
    """By which share of itself a speed is to be wrong for a point to lose its focus.

    The path to the ends of the aperture is then wrong by half a wave: what lies there adds
    up against the middle.

    Parameters
    ----------
    way : StraightWay
    range_m : float
    aperture_m : float
        Length of way over which the point was heard.
    """
    half_m = aperture_m / 2
    return way.wavelength_m / 4 * math.hypot(range_m, half_m) / half_m**2


def _seen(
    pings: int, way: StraightWay, place: NDArray[np.float64]
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return the pings that see a place, and how much each counts for in its fit.

    Towards the edge of the beam there is more noise than echo: there they count for less, as
    cos² falls, which is about as a disc's beam falls to its first null, out and back.
    """
    ping = np.arange(pings)
    speed = float(place[2]) if place.size > 2 else way.speed_m_s
    its = way.at_speed(speed)
    ahead_m = speed * (place[0] - ping * way.interval_s)
    _, _, aside_m = its.delays_s(ahead_m, float(place[1]))
    share = aside_m / (place[1] * math.tan(way.half_angle_rad))
    seen = np.flatnonzero(np.abs(share) < 1)
    return seen, np.cos(np.pi / 2 * share[seen]) ** 2


def _width_m(way: StraightWay, range_m: float, ping: NDArray[np.int64], time_s: float) -> float:
    """Return about how wide a focus is along the way: λ over twice the sines' span."""
    ends_m = way.speed_m_s * (time_s - ping[[0, -1]] * way.interval_s)
    sines = ends_m / np.hypot(range_m, ends_m)
    return way.wavelength_m / 2 / max(float(np.ptp(sines)), 1e-3)


def _depth_m(way: StraightWay, range_m: float, ping: NDArray[np.int64], time_s: float) -> float:
    """Return about how deep a focus is in range by its arch's bend: λ over twice its cosines' span.

    A long tone's echo is much wider, and tells less of its range than the bend does.
    """
    ahead_m = way.speed_m_s * (time_s - ping * way.interval_s)
    cosines = range_m / np.hypot(range_m, ahead_m)
    return way.wavelength_m / 2 / max(float(np.ptp(cosines)), 1e-6)


def _scales(
    way: StraightWay, place: NDArray[np.float64], ping: NDArray[np.int64], range_scale_m: float
) -> NDArray[np.float64]:
    """Return a tenth of what each number may be wrong by before the focus is lost."""
    aperture_m = max(ping.size - 1, 1) * way.spacing_m
    width_m = _width_m(way, float(place[1]), ping, float(place[0]))
    lobe = speed_lobe(way, float(place[1]), aperture_m)
    scales = [
        0.1 * width_m / way.speed_m_s,
        0.1 * range_scale_m,
        0.1 * way.speed_m_s * lobe,
        # Halfway out along the aperture the speed is then wrong by a lobe.
        0.4 * way.speed_m_s**2 * lobe / aperture_m,
    ]
    return np.array(scales[: place.size])


def _echoes(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    ping: NDArray[np.int64],
    places: NDArray[np.float64],
) -> NDArray[np.complex128]:
    """Read the echoes of several places, shape (places, 2 to 4), off the same pings."""
    rows = []
    for place in places:
        its = way.at_speed(float(place[2])) if place.size > 2 else way
        to_go_s = place[0] - ping * way.interval_s
        ahead_m = its.speed_m_s * to_go_s
        if place.size > 3:
            ahead_m -= place[3] * to_go_s**2 / 2
        nearest_m = max(float(place[1]), 1e-6)
        delay_s, shown_s, _ = its.delays_s(ahead_m, nearest_m)
        # A step in range is waves long; what it turns all echoes by alike is left out.
        square_s = its.path_m(0.0, nearest_m) / its.sound_speed_m_s
        rows.append(along_arch(profiles, ping, shown_s, delay_s - square_s, its))
    return np.array(rows)


def _derivatives(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    ping: NDArray[np.int64],
    weight: NDArray[np.float64],
    place: NDArray[np.float64],
    scale: NDArray[np.float64],
) -> tuple[NDArray[np.complex128], NDArray[np.complex128], NDArray[np.float64]]:
    """Return a place's echoes, their slopes (numbers, pings), and the bend of the power.

    By differences of one step of the scale.
    """
    size = place.size
    pairs = [(i, j) for i in range(size) for j in range(i)]
    steps = [np.zeros(size)]
    for i in range(size):
        steps += [sign * np.eye(size)[i] for sign in (1, -1)]
    for i, j in pairs:
        steps += [a * np.eye(size)[i] + b * np.eye(size)[j] for a in (1, -1) for b in (1, -1)]
    echoes = weight * _echoes(profiles, way, ping, place + np.array(steps) * scale)
    power = np.abs(echoes.sum(axis=-1)) ** 2
    bend = np.zeros((size, size))
    for i in range(size):
        bend[i, i] = power[1 + 2 * i] - 2 * power[0] + power[2 + 2 * i]
    for n, (i, j) in enumerate(pairs):
        up, down, over, back = power[1 + 2 * size + 4 * n :][:4]
        bend[i, j] = bend[j, i] = (up - down - over + back) / 4
    slopes = (echoes[1 : 1 + 2 * size : 2] - echoes[2 : 2 + 2 * size : 2]) / 2
    return echoes[0], slopes, bend


def _top(
    profiles: NDArray[np.complexfloating],
    way: StraightWay,
    ping: NDArray[np.int64],
    weight: NDArray[np.float64],
    start: NDArray[np.float64],
    scale: NDArray[np.float64],
    *,
    turns: int = 12,
    reach: float = 40,
) -> NDArray[np.float64] | None:
    """Climb to the top by Newton's way; None where it leads nowhere.

    It takes three or four turns. Ten steps of the scale are a width: whoever ends farther off
    than `reach` has climbed another hill.
    """
    place = start
    for _ in range(turns):
        echoes, slopes, bend = _derivatives(profiles, way, ping, weight, place, scale)
        slope = 2 * np.real(np.conj(echoes.sum()) * slopes.sum(axis=1))
        values, vectors = np.linalg.eigh(bend)
        # Uphill also where the sum is not yet bent downwards.
        bent = -np.maximum(np.abs(values), 1e-12 * np.abs(values).max() + 1e-300)
        step = -vectors @ ((vectors.T @ slope) / bent)
        step *= min(1.0, _LONGEST / float(np.abs(step).max() + 1e-300))
        place = place + step * scale
        if place[1] <= 0 or (place.size > 2 and place[2] <= 0):
            return None
        if np.abs(step).max() < 1e-3:
            break
    far = np.abs(place - start) / scale
    return None if far.max() > reach or values.max() >= 0 else place


def _variances(
    echoes: NDArray[np.complex128],
    slopes: NDArray[np.complex128],
    bend: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the variances of the numbers, in steps of the scale."""
    total = echoes.sum()
    # What turns all echoes alike moves nothing.
    common = slopes.sum(axis=1) / total
    pulls = 2 * np.real(np.conj(total) * (slopes - common[:, np.newaxis] * echoes))
    alone = pulls @ pulls.T
    together = alone.copy()
    reach = echoes.size // 10
    for lag in range(1, reach + 1):
        product = pulls[:, lag:] @ pulls[:, :-lag].T
        together += (1 - lag / (reach + 1)) * (product + product.T)
    inverse = np.linalg.inv(bend)
    # Pulls that alternate are not counted for less than each by itself.
    variances = [np.diag(inverse @ scatter @ inverse) for scatter in (alone, together)]
    fitted = slopes.shape[0] + 1
    return np.asarray(np.maximum(*variances) * echoes.size / (echoes.size - fitted))
