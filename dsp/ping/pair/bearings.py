"""Where an echo comes from, as two receivers' delays tell it.

Two receivers stand on a line. By how much later one of them hears an echo says how far along
that line its target stands, and nothing about where around the line: a target above the bench
and one on it, as far off and as far along, sound the same. So an angle here is counted from
the plane square to the line through both receivers, and `ahead_m` is the distance from the
line, in whatever direction.

Near the bench rays to both receivers are not parallel, so the place is solved for, exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive, require_within
from dsp.uncertainty import Term

COVERED = 2.0
"""An interval reaches over so many standard deviations to each side."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PairPlaces:
    """Where source and receivers stand, in one plane, from wherever angles are counted.

    Each place is `(across, ahead)` in metres. Angles grow towards growing `across`.

    Attributes
    ----------
    source_m, first_m, second_m : tuple of float
    u_place_m : float
        Standard uncertainty of each receiver's place, across and ahead alike and apart.

    Raises
    ------
    ValueError
        Where both receivers stand in one place or exactly one behind the other, or the
        uncertainty is negative.
    """

    source_m: tuple[float, float] = (0.0, 0.0)
    first_m: tuple[float, float]
    second_m: tuple[float, float]
    u_place_m: float = 0.0

    def __post_init__(self) -> None:
        require_within("u_place_m", self.u_place_m, 0, math.inf, "m")
        if self.first_m[0] == self.second_m[0]:
            raise ValueError(
                f"second_m: found {self.second_m}, no further across than first_m; "
                "give receivers that stand side by side"
            )

    @property
    def spacing_m(self) -> float:
        """From receiver to receiver."""
        return math.dist(self.first_m, self.second_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class Bearing:
    """Where an echo's target stands.

    Attributes
    ----------
    angle_rad : float
        From straight ahead, as seen from where places are counted from.
    u_angle_rad : float
        Standard uncertainty: half of how far the interval reaches to its further side.
    low_rad, high_rad : float
        What covers it with k = 2. It ends at the line through both receivers, so that
        near there it reaches to one side only.
    at_end : bool
        Whether the delay is as long as, or by less than its uncertainty longer than, the
        spacing allows: the target then stands along the line.
    range_m, u_range_m : float
        From where places are counted from.
    across_m, u_across_m, ahead_m, u_ahead_m : float
        The target's place: along the line of the receivers, and from that line, in the plane
        that places are given in. NaN where only an angle was asked for, and the ranges too.
    bound_rad : float
        Cramér–Rao bound on the angle's standard deviation; infinite along the line.
    terms : tuple of Term
        What makes up the uncertainty of the angle's sine, cause by cause.
    """

    angle_rad: float
    u_angle_rad: float
    low_rad: float
    high_rad: float
    at_end: bool
    range_m: float
    u_range_m: float
    across_m: float
    u_across_m: float
    ahead_m: float
    u_ahead_m: float
    bound_rad: float
    terms: tuple[Term, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NoBearing:
    """That no angle can be told, and why, in words."""

    why: str


def bearing(
    delay_s: float,
    later_s: float,
    places: PairPlaces,
    *,
    sound_speed_m_s: float,
    u_delay_s: float = 0.0,
    u_later_s: float = 0.0,
    u_sound_speed_m_s: float = 0.0,
    bound_s: float = 0.0,
) -> Bearing | NoBearing:
    """Tell where the target of an echo stands from when both receivers heard it.

    Parameters
    ----------
    delay_s, u_delay_s : float
        From the pulse's leaving to the first receiver.
    later_s, u_later_s : float
        By how much later the second receiver heard it, freed of the pair's own:
        :func:`dsp.ping.pair.delay_differences.delay_difference`.
    places : PairPlaces
    sound_speed_m_s, u_sound_speed_m_s : float
    bound_s : float
        Cramér–Rao bound on `later_s`.

    Returns
    -------
    Bearing or NoBearing
        None where the delay is longer than the spacing allows by more than its uncertainty
        with k = 2, or the ways are too short for the places.

    Raises
    ------
    ValueError
        Where a delay or a sound speed is not above zero, or an uncertainty is negative.

    Notes
    -----
    Along the line of the receivers and square to it, from the source, the target stands at
    x = r s and z = r √(1 − s²), a receiver at (a, h), and the way out r and back is L. Then
    (L − r)² = r² − 2 a x − 2 h z + a² + h², that is 2 L r − 2 a x = L² − a² − h² + 2 h z. For two
    receivers these are two equations for r and x, linear but for z, and z² = r² − x² is the third.
    They hold along the line too, where an angle has no slope: the sine s
    and its uncertainty are found first, to first order, and turned into angles last.

    References
    ----------
    Geometry. JCGM 100:2008, eq. 10, for the terms; slopes by differences over each
    uncertainty.

    Examples
    --------
    A target 1 m away, 30° to the right; source midway between receivers 60 mm apart.

    >>> pair = PairPlaces(first_m=(-0.03, 0.0), second_m=(0.03, 0.0), u_place_m=0.0005)
    >>> ways = [1 + math.dist((0.5, 0.75**0.5), m) for m in (pair.first_m, pair.second_m)]
    >>> found = bearing(ways[0] / 343, (ways[1] - ways[0]) / 343, pair, sound_speed_m_s=343)
    >>> round(math.degrees(found.angle_rad), 9), round(found.range_m, 9)
    (30.0, 1.0)
    >>> term = found.terms[3]
    >>> round(math.degrees(found.u_angle_rad), 2), term.name, round(term.u, 5)
    (0.79, 'places of the receivers', 0.01179)
    """
    require_positive("delay_s", delay_s, "s")
    require_positive("sound_speed_m_s", sound_speed_m_s, "m/s")
    for name, value in (
        ("u_delay_s", u_delay_s),
        ("u_later_s", u_later_s),
        ("u_sound_speed_m_s", u_sound_speed_m_s),
        ("bound_s", bound_s),
    ):
        require_within(name, value, 0, math.inf)
    u_place_m = places.u_place_m
    inputs = np.array([delay_s, later_s, sound_speed_m_s, *places.first_m, *places.second_m])
    u_inputs = np.array([u_delay_s, u_later_s, u_sound_speed_m_s, *[u_place_m] * 4])
    # The inputs themselves, and each moved to either side by its uncertainty.
    moved = np.concatenate([np.zeros((1, 7)), np.diag(u_inputs), -np.diag(u_inputs)])
    line = _Line(places)
    r_m, sine = line.solved(inputs + moved)
    if not (r_m[0] > 0 and np.isfinite(sine).all()):
        return NoBearing(why="the echo comes sooner than the receivers' places allow")
    by_r, by_sine = ((v[1:8] - v[8:]) / 2 for v in (r_m, sine))
    u_sine = float(np.linalg.norm(by_sine))
    u_r_m = float(np.linalg.norm(by_r))
    ends = _ends(float(sine[0]), u_sine)
    if ends is None:
        return NoBearing(why=_too_long(later_s * sound_speed_m_s, places.spacing_m))
    at = float(r_m[0])
    (across_m, middle), (_, low), (_, high) = (
        (place, line.seen_rad(place)) for place in (line.place_m(at, s) for s in ends)
    )
    across, ahead = across_m
    range_m = math.hypot(across, ahead)
    low, high = min(low, high), max(low, high)
    u_along = max(abs(math.sin(e) - math.sin(middle)) for e in (low, high)) / COVERED
    u_angle_rad = max(high - middle, middle - low) / COVERED
    cosine = math.sqrt(max(0.0, 1 - ends[0] ** 2))
    step_s = u_later_s or 1e-3 * places.spacing_m / sound_speed_m_s
    stepped = line.solved(inputs + np.outer([1, -1], np.eye(7)[1] * step_s))[1]
    slope = abs(float(stepped[0] - stepped[1])) / (2 * step_s)
    return Bearing(
        angle_rad=middle,
        u_angle_rad=u_angle_rad,
        low_rad=low,
        high_rad=high,
        at_end=cosine == 0.0,
        range_m=range_m,
        u_range_m=u_r_m,
        across_m=across,
        u_across_m=math.hypot(math.sin(middle) * u_r_m, range_m * u_along),
        ahead_m=ahead,
        u_ahead_m=math.hypot(
            math.cos(middle) * u_r_m, range_m * abs(math.sin(middle)) * u_angle_rad
        ),
        bound_rad=slope * bound_s / cosine if cosine > 0 else math.inf,
        terms=(
            Term(name="delay", u=abs(float(by_sine[0]))),
            Term(name="difference of the delays", u=abs(float(by_sine[1]))),
            Term(name="sound speed", u=abs(float(by_sine[2]))),
            Term(name="places of the receivers", u=float(np.linalg.norm(by_sine[3:]))),
        ),
    )


class _Line:
    """The line through both receivers, as places are counted from the source along it."""

    def __init__(self, places: PairPlaces) -> None:
        self.source = np.array(places.source_m)
        along = np.array(places.second_m) - np.array(places.first_m)
        along = along / np.linalg.norm(along)
        # From left to right, whichever receiver is called the first, so that ahead is ahead.
        self.along = along if along[0] > 0 else -along
        self.out = np.array([-self.along[1], self.along[0]])

    def solved(
        self, inputs: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return distance from the source and sine along the line, for rows of inputs.

        Each row: delay, how much later, sound speed, and the receivers' four coordinates. A
        sine beyond 1 is one that no place has.
        """
        delay_s, later_s, speed_m_s = inputs[:, :3].T
        l1, l2 = speed_m_s * delay_s, speed_m_s * (delay_s + later_s)
        first, second = inputs[:, 3:5] - self.source, inputs[:, 5:] - self.source
        a1, h1, a2, h2 = (
            first @ self.along,
            first @ self.out,
            second @ self.along,
            second @ self.out,
        )
        # 2 L r − 2 a x = q + 2 h z of either, by Cramer's rule.
        q1, q2 = l1**2 - a1**2 - h1**2, l2**2 - a2**2 - h2**2
        determinant = 2 * (l2 * a1 - l1 * a2)
        r, x = (a1 * q2 - a2 * q1) / determinant, (l1 * q2 - l2 * q1) / determinant
        by_r, by_x = 2 * (a1 * h2 - a2 * h1) / determinant, 2 * (l1 * h2 - l2 * h1) / determinant
        # (r + z by_r)² - (x + z by_x)² = z²; along the line and beyond there is no z.
        square = 1 - by_r**2 + by_x**2
        half = r * by_r - x * by_x
        root = np.sqrt(np.maximum(half**2 + square * (r**2 - x**2), 0))
        z = np.maximum((half + root) / square, 0)
        r, x = r + z * by_r, x + z * by_x
        return r, x / r

    def place_m(self, r_m: float, sine: float) -> tuple[float, float]:
        """Return across and ahead of what stands at a distance and a sine from the source."""
        ahead = math.sqrt(max(0.0, 1 - sine**2))
        across_m, ahead_m = self.source + r_m * (sine * self.along + ahead * self.out)
        return float(across_m), float(ahead_m)

    @staticmethod
    def seen_rad(place_m: tuple[float, float]) -> float:
        """Return the angle of a place from straight ahead."""
        return math.atan2(*place_m)


def _ends(sine: float, u_sine: float) -> tuple[float, float, float] | None:
    """Return a sine and the ends of its interval, all within ±1; None where it is none."""
    reach = COVERED * u_sine
    if abs(sine) > 1 + reach:
        return None
    kept = max(-1.0, min(1.0, sine))
    return kept, max(-1.0, kept - reach), min(1.0, kept + reach)


def _too_long(way_m: float, spacing_m: float) -> str:
    return (
        f"the delay is that of {1e3 * abs(way_m):.0f} mm of way, longer than the spacing of "
        f"{1e3 * spacing_m:.0f} mm allows"
    )
