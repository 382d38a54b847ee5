"""How wide a beam is, which way it points and how large its face acts, from echo levels.

A small target is carried across the beam, or the beam turned across the target. Each
ping gives the target's place on its way, and the echo's amplitude and range, or the
fact that no echo stood above the threshold. All of it is fitted at once: the strength on
the axis, the size of the face and the axis's tilt, and where the range is least.

The fit knows that the target is further off away from the middle of its way, that
source and receiver stand apart, that a wide band smears the pattern, and that noise
lifts a weak peak. High notes have the narrower beam, so that a wide band's hangs on how much
of them the target sends back: the fit learns it as far as the levels tell. It cannot know
whether the way passes above or below the axis: a target that misses the axis everywhere
looks like a weaker one that meets it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from dsp.arguments import read_only, require_positive
from dsp.goodness import goodness, stray_together
from dsp.history.pair_beams import BeamSetting, Sight, sight_of, together, two_way_amplitude
from dsp.physics.beams import half_power_half_angle_rad
from dsp.ping.ranging import range_from_path_m

FEWEST_ECHOES = 5
"""Fewer echoes than this leave nothing to judge the fit by: it has four or five unknowns."""

_NEPER_DB = 20 / math.log(10)
_U_LAW = 2 / math.sqrt(3)
"""Standard uncertainty of the power of the frequency by which a target sends back more. The
steepest is that of a ball small against the wave, 2 (Lord Rayleigh, *The Theory of Sound*,
2nd ed., 1896, §335, from memory); what source and receiver do to a band may go against it."""

_NEAR, _FAR = 0.25, 4.0
"""A valley is looked at from where chi-square is so much more, half a standard deviation away, to
two of these."""

_FARTHEST_LAW = 10.0
"""No body comes near it: there a search ends."""

_SCATTER_RISK = 0.05  # of counting scatter in where there is none


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeamSweep:
    """One sweep of a target through a beam, ping by ping.

    Attributes
    ----------
    place : ndarray of float64, shape (pings,)
        Along the target's way, m; or, where `turned`, the target's bearing as the pair of
        transducers sees it, rad.
    turned : bool
    amplitude : ndarray of float64, shape (pings,)
        Of the echo, re full scale; NaN where none was found.
    noise : ndarray of float64, shape (pings,)
        Standard deviation of the amplitude: of the noise in one quadrature.
    threshold : ndarray of float64, shape (pings,)
        What an echo had to exceed, re full scale.
    range_m, u_range_m : ndarray of float64, shape (pings,)
        Of the echo, from midway between source and receiver, and what noise alone
        makes of it; NaN where none was found.

    Raises
    ------
    ValueError
        Where the arrays differ in length, or noise or threshold is not above zero.
    """

    place: NDArray[np.float64]
    amplitude: NDArray[np.float64]
    noise: NDArray[np.float64]
    threshold: NDArray[np.float64]
    range_m: NDArray[np.float64]
    u_range_m: NDArray[np.float64]
    turned: bool = False

    def __post_init__(self) -> None:
        size = np.asarray(self.place).size
        for name in ("place", "amplitude", "noise", "threshold", "range_m", "u_range_m"):
            values = read_only(getattr(self, name), np.float64)
            if values.shape != (size,):
                raise ValueError(f"{name}: found shape {values.shape}; give ({size},), as `place`")
            object.__setattr__(self, name, values)
        require_positive("noise", self.noise)
        require_positive("threshold", self.threshold)
        require_positive("u_range_m", self.u_range_m[self.found], "m")

    @property
    def found(self) -> NDArray[np.bool_]:
        """Which pings have an echo, shape (pings,)."""
        return np.isfinite(self.amplitude) & np.isfinite(self.range_m)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BeamFit:
    """What a sweep says of a beam; each number with its standard uncertainty.

    Attributes
    ----------
    shape : {"piston", "line"}
    size_m, u_size_m : float
        Radius of a piston, length of a line, that would make this beam.
    half_power_rad, u_half_power_rad : float
        From the axis to where an echo has half its power, out and back, at the band's
        centre.
    tilt_rad, u_tilt_rad : float
        Of the axis, towards growing places: from square to the way, or from the
        turntable's zero.
    closest_m, u_closest_m : float
        Least range from the pair to the way.
    centre_m, u_centre_m : float
        The place on the way at which it is reached; 0 on a turntable.
    strength_db, u_strength_db : float
        On the axis: 20 log₁₀ of the echo's amplitude at 1 m from both faces, without
        absorption; dB re full scale. It is the source level plus the target strength.
    angle_rad : ndarray of float64, shape (pings,)
        Of the target from the fitted axis, negative on the side of smaller places.
    level_db : ndarray of float64, shape (pings,)
        Of each echo, re a target on the pair's axis at the same range; noise's lift taken off; NaN
        where there is none.
    limit_db : ndarray of float64, shape (pings,)
        The threshold, in the same terms.
    u_level_db : ndarray of float64, shape (pings,)
    chi_square : float
        Sum of the squared residuals of levels and ranges over their noise.
    degrees_of_freedom : int
    scatter_db : float
        What the levels must be noisy by, beyond the noise, to explain `chi_square`; 0
        where noise alone explains it at 95 %. It is counted in all uncertainties.
    holds : bool
        Whether what is left over, scatter counted in, is no more than that: neither ranges nor
        levels stand beyond it, nor do neighbours stray together, as they do about a curve that
        is not the beam's. Where not, no number here is to be claimed.
    """

    shape: str
    size_m: float
    u_size_m: float
    half_power_rad: float
    u_half_power_rad: float
    tilt_rad: float
    u_tilt_rad: float
    closest_m: float
    u_closest_m: float
    centre_m: float
    u_centre_m: float
    strength_db: float
    u_strength_db: float
    angle_rad: NDArray[np.float64]
    level_db: NDArray[np.float64]
    limit_db: NDArray[np.float64]
    u_level_db: NDArray[np.float64]
    chi_square: float
    degrees_of_freedom: int
    scatter_db: float
    holds: bool

    def __post_init__(self) -> None:
        for name in ("angle_rad", "level_db", "limit_db", "u_level_db"):
            values = read_only(getattr(self, name), np.float64)
            object.__setattr__(self, name, values)


def fit_beam(
    sweep: BeamSweep,
    setting: BeamSetting,
    *,
    centre_m: float = 0.0,
    u_centre_m: float = math.inf,
) -> BeamFit:
    """Fit a beam to a sweep.

    Parameters
    ----------
    sweep : BeamSweep
    setting : BeamSetting
    centre_m, u_centre_m : float
        What is known of the place on the way that is nearest to the pair; without it, the
        ranges alone must tell. Not used for a turntable.

    Raises
    ------
    ValueError
        Where there are fewer than :data:`FEWEST_ECHOES` echoes, or they show no beam.

    References
    ----------
    J. Tobin, "Estimation of relationships for limited dependent variables",
    *Econometrica* 26, 1958, pp. 24–36: what is known to lie below a threshold counts
    with the chance of its lying there.
    """
    found = sweep.found
    if np.count_nonzero(found) < FEWEST_ECHOES:
        raise ValueError(
            f"sweep: found {np.count_nonzero(found)} echoes; give at least {FEWEST_ECHOES}, "
            "with more pings while the target is in the beam"
        )
    if not sweep.turned and math.isinf(u_centre_m) and np.ptp(sweep.place[found]) == 0:
        raise ValueError("sweep: its echoes all come from one place; move the target across")
    fit = _Fit(sweep, setting, centre_m, u_centre_m)
    solved = fit.solve(fit.first_guess())
    if fit.free < 1:
        raise ValueError(f"sweep: {fit.counted} numbers cannot tell {solved.size} unknowns")
    chi_square = float(np.sum(fit.residuals(solved) ** 2))
    if chi_square > float(scipy.special.chdtri(fit.free, _SCATTER_RISK)):
        for _ in range(3):
            fit.add_scatter(solved)
            solved = fit.solve(solved)
    return fit.answer(solved, chi_square)


class _Fit:
    """The residuals of one sweep, and what is made of their least squares.

    The unknowns are ln amplitude, ln size, tilt, closest range, on a straight way the centre
    and, of a band, the power of the frequency by which the target sends back more.
    """

    def __init__(
        self,
        sweep: BeamSweep,
        setting: BeamSetting,
        centre_m: float,
        u_centre_m: float,
    ) -> None:
        self._sweep, self._setting = sweep, setting
        self._known = None
        if not sweep.turned and math.isfinite(u_centre_m):
            self._known = (centre_m, u_centre_m)
        self._of_band = setting.frequency_hz.size > 1
        self._found = sweep.found
        self._scatter = 0.0  # of an amplitude, over itself

    @property
    def counted(self) -> int:
        """How many measured numbers go in; an echo that is missing is a bound, not one."""
        known = (self._known is not None) + self._of_band
        return 2 * int(np.count_nonzero(self._found)) + known

    @property
    def free(self) -> int:
        return self.counted - (4 if self._sweep.turned else 5) - self._of_band

    def first_guess(self) -> NDArray[np.float64]:
        """Take the arch from the ranges and the beam from a coarse search."""
        sweep, found = self._sweep, self._found
        place, range_m = sweep.place[found], sweep.range_m[found]
        if sweep.turned:
            closest_m, centre_m = float(np.median(range_m)), 0.0
        elif self._known is not None:
            centre_m = self._known[0]
            square = np.median(range_m**2 - (place - centre_m) ** 2)
            closest_m = math.sqrt(max(float(square), 1e-6))
        else:
            # R² − x² is a straight line in x: its slope is −2 times the centre.
            trust = 1 / (2 * range_m * sweep.u_range_m[found])
            middle = float(np.mean(place))
            rows = np.column_stack([np.ones(place.size), place - middle])
            rhs = (range_m**2 - (place - middle) ** 2) * trust
            level, slope = np.linalg.lstsq(rows * trust[:, np.newaxis], rhs, rcond=None)[0]
            centre_m = middle - float(slope) / 2
            closest_m = math.sqrt(max(float(level) - float(slope) ** 2 / 4, 1e-6))
        end = [] if sweep.turned else [centre_m]
        best, best_cost = np.zeros(0), math.inf
        # The middle of the band will do here.
        middle_hz = np.array([float(self._setting.share @ self._setting.frequency_hz)])
        absorption = np.array([float(self._setting.share @ self._setting.absorption_db_m)])
        coarse = dataclasses.replace(
            self._setting, frequency_hz=middle_hz, share=np.ones(1), absorption_db_m=absorption
        )
        weight = 1 / sweep.noise[found]
        bearing = self._bearing_rad(np.array([0.0, 0.0, 0.0, closest_m, centre_m]))
        span = float(np.ptp(bearing[found]))
        if span == 0:
            raise ValueError("sweep: its echoes all come from one direction; move the target")
        scale = self._setting.wavelength_m / max(span, 1e-3)
        tilts = np.linspace(float(bearing[found].min()), float(bearing[found].max()), 9)
        sights = together(
            [self._sight(np.array([0.0, 0.0, tilt, closest_m, *end])) for tilt in tilts]
        )
        # Echoes that are missing stand at most at the threshold; half will do here.
        amplitude = np.where(found, sweep.amplitude, sweep.threshold / 2)
        for size_m in scale * np.geomspace(0.15, 6.0, 16):
            # A row for each tilt.
            shape = _amplitude(coarse, np.array([0.0, math.log(size_m)]), sights)
            seen = shape.compress(found, axis=1)
            gain = np.sum(amplitude[found] * seen * weight**2, axis=1)
            gain /= np.sum((seen * weight) ** 2, axis=1)
            level = gain[:, np.newaxis] * shape
            excess = np.where(found, amplitude - level, np.maximum(level - sweep.threshold, 0))
            cost = np.sum((excess / sweep.noise) ** 2, axis=1)
            row = int(cost.argmin())
            if cost[row] < best_cost:
                best_cost = float(cost[row])
                size_and_tilt = [math.log(size_m), float(tilts[row])]
                best = np.array([math.log(gain[row]), *size_and_tilt, closest_m, *end])
        return np.append(best, 0.0) if self._of_band else best

    def _coloured(self, unknowns: NDArray[np.float64]) -> BeamSetting:
        """Return the setting with each part's share as the target sends it back."""
        if not self._of_band:
            return self._setting
        hz, share = self._setting.frequency_hz, self._setting.share
        # Bounds that no body comes near keep a step of the search from overflowing.
        law = float(np.clip(unknowns[-1], -_FARTHEST_LAW, _FARTHEST_LAW))
        share = share * (hz / float(share @ hz)) ** law
        return dataclasses.replace(self._setting, share=share / share.sum())

    def solve(self, start: NDArray[np.float64]) -> NDArray[np.float64]:
        solved = scipy.optimize.least_squares(
            self.residuals, start, x_scale="jac", method="trf", max_nfev=200
        )
        if not (np.all(np.isfinite(solved.x)) and abs(solved.x[2]) < math.pi / 2):
            raise ValueError("sweep: its levels show no beam; move the target further to each side")
        self._jacobian = np.asarray(solved.jac)
        return np.asarray(solved.x)

    def add_scatter(self, solved: NDArray[np.float64]) -> None:
        """Set the scatter with which the residuals come out as large as they should."""

        def excess(scatter: float) -> float:
            self._scatter = scatter
            return float(np.sum(self.residuals(solved) ** 2)) - self.free

        self._scatter = (
            scipy.optimize.brentq(excess, 0.0, 10.0, xtol=1e-6)
            if excess(10.0) < 0 < excess(0.0)
            else 0.0
        )

    def residuals(self, unknowns: NDArray[np.float64]) -> NDArray[np.float64]:
        sweep, found = self._sweep, self._found
        sight = self._sight(unknowns)
        amplitude = _amplitude(self._coloured(unknowns), unknowns, sight)
        range_m = range_from_path_m(sight.out_m + sight.back_m, self._setting.baseline_m)
        deviation = np.hypot(sweep.noise, self._scatter * amplitude)
        # The highest point of an envelope stands above the echo by the noise square to it
        # in phase, and by as much again for the freedom to choose the delay.
        seen = np.sqrt(amplitude**2 + 2 * sweep.noise**2)
        by_level = (sweep.amplitude - seen)[found] / deviation[found]
        missing = (sweep.threshold - seen)[~found] / deviation[~found]
        by_gap = np.sqrt(np.maximum(-2 * scipy.special.log_ndtr(missing), 0.0))
        by_range = (sweep.range_m - range_m)[found] / sweep.u_range_m[found]
        parts = [by_level, by_gap, by_range]
        if self._known is not None:
            parts.append(np.array([(unknowns[4] - self._known[0]) / self._known[1]]))
        if self._of_band:
            parts.append(unknowns[-1:] / _U_LAW)
        return np.concatenate(parts)

    def _holds(self, solved: NDArray[np.float64]) -> bool:
        left = self.residuals(solved)
        # As of :meth:`residuals`: the levels that were found stand first, by their places.
        levels = left[: np.count_nonzero(self._found)]
        levels = levels[np.argsort(self._sweep.place[self._found], kind="stable")]
        # Scatter that was counted in has to be one: neighbours stray to either side.
        scatters = self._scatter == 0 or not stray_together(levels)
        return scatters and goodness(left, fitted=left.size - self.free).holds

    def answer(self, solved: NDArray[np.float64], chi_square: float) -> BeamFit:
        sweep, setting = self._sweep, self._setting
        u = self._u(solved)
        size_m = math.exp(solved[1])
        half_rad = half_power_half_angle_rad(setting.shape, size_m, setting.wavelength_m)
        # What the same target would sound like on the axis, at the range where it is.
        angle_rad = self._bearing_rad(solved) - float(solved[2])
        sight = self._sight(solved)
        range_m = range_from_path_m(sight.out_m + sight.back_m, setting.baseline_m)
        ahead = sight_of(setting, np.zeros(range_m.size), range_m, 0.0)
        on_axis = two_way_amplitude(
            self._coloured(solved),
            size_m,
            ahead.out_rad,
            ahead.back_rad,
            ahead.out_m + ahead.back_m,
        )
        on_axis = math.exp(solved[0]) * on_axis / (ahead.out_m * ahead.back_m)
        clean = np.sqrt(np.maximum(sweep.amplitude**2 - 2 * sweep.noise**2, 1e-30))
        relative = np.hypot(sweep.noise / np.where(self._found, clean, np.nan), self._scatter)
        return BeamFit(
            shape=setting.shape,
            size_m=size_m,
            u_size_m=size_m * float(u[1]),
            half_power_rad=half_rad,
            # sin θ goes as 1/size, so that dθ = −tan θ · d ln size.
            u_half_power_rad=math.tan(min(half_rad, math.radians(89))) * float(u[1]),
            tilt_rad=float(solved[2]),
            u_tilt_rad=float(u[2]),
            closest_m=float(solved[3]),
            u_closest_m=float(u[3]),
            centre_m=0.0 if sweep.turned else float(solved[4]),
            u_centre_m=0.0 if sweep.turned else float(u[4]),
            strength_db=_NEPER_DB * float(solved[0]),
            u_strength_db=_NEPER_DB * float(u[0]),
            angle_rad=angle_rad,
            level_db=20 * np.log10(np.where(self._found, clean, np.nan) / on_axis),
            limit_db=20 * np.log10(sweep.threshold / on_axis),
            u_level_db=_NEPER_DB * relative,
            chi_square=chi_square,
            degrees_of_freedom=self.free,
            scatter_db=_NEPER_DB * self._scatter,
            holds=self._holds(solved),
        )

    def _u(self, solved: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return each unknown's standard uncertainty, shape (unknowns,).

        Of a narrow band a target's law of frequency and the beam's size change levels alike, along
        a valley that bends: what the law leaves open is read off the valley itself, where it leaves
        up to two standard deviations, and not off the slopes at its lowest place (a profile of
        the likelihood: Y. Pawitan, *In All Likelihood*, 2001, ch. 3, from memory).
        """
        bend = self._jacobian.T @ self._jacobian
        u: NDArray[np.float64] = np.sqrt(np.maximum(np.diag(np.linalg.pinv(bend)), 0.0))
        if not self._of_band:
            return u
        held = np.sqrt(np.maximum(np.diag(np.linalg.pinv(bend[:-1, :-1])), 0.0))
        least = float(np.sum(self.residuals(solved) ** 2))
        by_law: NDArray[np.float64] = np.zeros(solved.size)
        for sign in (-1, 1):
            at, step, more = solved, float(u[-1]), 0.0
            while more < _FAR and abs(at[-1]) < _FARTHEST_LAW and step > 0:
                law = float(np.clip(solved[-1] + sign * step, -_FARTHEST_LAW, _FARTHEST_LAW))
                at = self._with_law(at, law)
                more = float(np.sum(self.residuals(at) ** 2)) - least
                if _NEAR < more < 2 * _FAR:  # what leaves more has left the valley
                    by_law = np.maximum(by_law, np.abs(at - solved) / math.sqrt(more))
                step *= 2
        return np.asarray(np.maximum(u, np.hypot(np.append(held, 0.0), by_law)))

    def _with_law(self, start: NDArray[np.float64], law: float) -> NDArray[np.float64]:
        """Return the unknowns that fit best where the target sends back by such a law."""

        def residuals(others: NDArray[np.float64]) -> NDArray[np.float64]:
            left: NDArray[np.float64] = self.residuals(np.append(others, law))
            return left

        solved = scipy.optimize.least_squares(
            residuals, start[:-1], x_scale="jac", method="trf", max_nfev=50
        )
        return np.asarray(np.append(solved.x, law), dtype=np.float64)

    def _bearing_rad(self, unknowns: NDArray[np.float64]) -> NDArray[np.float64]:
        place = self._sweep.place
        if self._sweep.turned:
            return place
        return np.asarray(np.arctan2(place - unknowns[4], unknowns[3]))

    def _sight(self, unknowns: NDArray[np.float64]) -> Sight:
        closest_m, tilt_rad = float(unknowns[3]), float(unknowns[2])
        centre_m = 0.0 if self._sweep.turned else float(unknowns[4])
        if self._sweep.turned:
            across = closest_m * np.sin(self._sweep.place)
            ahead = closest_m * np.cos(self._sweep.place)
        else:
            across = self._sweep.place - centre_m
            ahead = np.full(across.size, closest_m)
        return sight_of(self._setting, across, ahead, tilt_rad)


def _amplitude(
    setting: BeamSetting, unknowns: NDArray[np.float64], sight: Sight
) -> NDArray[np.float64]:
    path_m = sight.out_m + sight.back_m
    # Bounds that no bench comes near keep a step of the search from overflowing, or from nothing.
    size_m, strength = math.exp(np.clip(unknowns[1], -50.0, 5.0)), math.exp(min(unknowns[0], 50.0))
    heard = two_way_amplitude(setting, size_m, sight.out_rad, sight.back_rad, path_m)
    return np.asarray(strength * heard / (sight.out_m * sight.back_m))
