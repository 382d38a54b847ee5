"""A beam measured with a target that is moved across it: by steps, by a turntable, in a pass.

The pings come from a recording or from a live front end; all that is added here is
where the target was. :func:`measure_beam` picks the target's echo out of each ping and
hands levels and ranges to :func:`dsp.history.beam_fits.fit_beam`.
"""

from __future__ import annotations

import csv
import dataclasses
import math
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.history import beam_fits
from dsp.history.beam_fits import BeamFit, BeamSetting, BeamSweep
from dsp.physics import beams
from dsp.physics.absorption import absorption_db_m
from dsp.ping import detection
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.errors import PlanError, RecordingError
from rig.run.loop import PingResult
from rig.run.receiver import Echo, Receiver

BANDS = 7
"""At so many frequencies the pattern of a band is worked out."""

_PLACE_COLUMNS = ("position_m", "angle_deg")
_PING_COLUMNS = ("first_ping", "last_ping")


@dataclass(frozen=True, slots=True, kw_only=True)
class SteadyPass:
    """A target drawn past, straight and evenly.

    Attributes
    ----------
    speed_m_s, u_speed_m_s : float
    """

    speed_m_s: float
    u_speed_m_s: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.speed_m_s) and self.speed_m_s > 0):
            raise ValueError(f"speed_m_s: found {self.speed_m_s:g}; give a speed above 0")
        if not (math.isfinite(self.u_speed_m_s) and self.u_speed_m_s >= 0):
            raise ValueError(f"u_speed_m_s: found {self.u_speed_m_s:g}; give 0 or more")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """One setting of a slide or turntable, and the pings that were sent at it."""

    place: float
    first_ping: int
    last_ping: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Stops:
    """A target moved by steps, at rest while pings are sent.

    Attributes
    ----------
    turned : bool
        Whether places are bearings in radians, from a turntable; else metres along a
        straight slide.
    stops : tuple of Stop
    u_zero_m : float
        How surely a slide's zero stands square ahead of the pair.
    """

    turned: bool
    stops: tuple[Stop, ...]
    u_zero_m: float = 0.002

    def __post_init__(self) -> None:
        if not (math.isfinite(self.u_zero_m) and self.u_zero_m > 0):
            raise ValueError(f"u_zero_m: found {self.u_zero_m:g}; give a length above 0")

    @property
    def pings(self) -> int:
        """Up to the last one that belongs to a stop."""
        return max(stop.last_ping for stop in self.stops) + 1


def read_stops(path: str | os.PathLike[str], *, u_zero_m: float = 0.002) -> Stops:
    """Read the settings of a slide or turntable.

    A CSV file, a line for each setting. The first line names the columns: `position_m`
    for a slide or `angle_deg` for a turntable; and, unless each ping has a setting of its
    own, `first_ping` and `last_ping`, counted from 0.

    Raises
    ------
    RecordingError
        The message names the file, the line, what was found and what would do.
    """
    name = os.fspath(path)
    try:
        with open(path, encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except (OSError, UnicodeDecodeError, csv.Error) as problem:
        raise RecordingError(
            f"{name}: cannot be read as settings ({problem}); give a CSV file"
        ) from problem
    columns = list(rows[0]) if rows else []
    kinds = [c for c in _PLACE_COLUMNS if c in columns]
    if len(kinds) != 1:
        raise RecordingError(
            f"{name}: found the columns {', '.join(map(str, columns)) or 'none'}; give one of "
            f"{' and '.join(_PLACE_COLUMNS)}, and a line for each setting"
        )
    has_pings = [c in columns for c in _PING_COLUMNS]
    if any(has_pings) and not all(has_pings):
        raise RecordingError(f"{name}: found one of {' and '.join(_PING_COLUMNS)}; give both")
    turned = kinds[0] == "angle_deg"
    stops = []
    for number, row in enumerate(rows):
        try:
            place = float(row[kinds[0]])
            first, last = (int(row[c]) for c in _PING_COLUMNS) if all(has_pings) else (number,) * 2
        except (TypeError, ValueError) as problem:
            raise RecordingError(
                f"{name}: line {number + 2}: {problem}; give numbers, and whole ones for pings"
            ) from problem
        if not math.isfinite(place) or not 0 <= first <= last or (turned and abs(place) > 90):
            raise RecordingError(
                f"{name}: line {number + 2}: found {kinds[0]} {place:g} for pings {first} to "
                f"{last}; give a place (within ±90° if it is an angle), and pings that count up"
            )
        place = math.radians(place) if turned else place
        stops.append(Stop(place=place, first_ping=first, last_ping=last))
    return Stops(turned=turned, stops=tuple(stops), u_zero_m=u_zero_m)


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamMeasurement:
    """A beam as it was measured.

    Attributes
    ----------
    fit : BeamFit
        With the shape that the plan names; its uncertainties are those of noise and
        scatter alone.
    other : BeamFit or None
        The same with the other shape; None where that cannot be fitted.
    setting : BeamSetting
    moved : str
        How the target was moved: "pass", "slide" or "turntable".
    u_half_power_rad, u_tilt_rad, u_size_m, u_closest_m : float
        Standard uncertainties with all terms.
    terms : tuple of (str, float)
        What makes up `u_half_power_rad`, each in radians.
    closest_time_s : float or None
        From the first ping, of a pass.
    planned_size_m : float
        What the plan says the face measures.
    pings, echoes, missing, left_out : int
        Pings of the sweep; those with the target's echo, those where it stayed below the
        threshold, and those that were lost or clipped.
    cautions : tuple of str
        What speaks against these numbers.
    """

    fit: BeamFit
    other: BeamFit | None
    setting: BeamSetting
    moved: str
    u_half_power_rad: float
    u_tilt_rad: float
    u_size_m: float
    u_closest_m: float
    terms: tuple[tuple[str, float], ...]
    closest_time_s: float | None
    planned_size_m: float
    pings: int
    echoes: int
    missing: int
    left_out: int
    cautions: tuple[str, ...]

    @property
    def near_field_m(self) -> float | None:
        """Range a²/λ of a piston of the fitted radius; None for a line."""
        if self.fit.shape != "piston":
            return None
        return beams.near_field_m(self.fit.size_m, self.setting.wavelength_m)


def ping_by_ping(plan: Plan) -> Plan:
    """Return the plan without stacking: a target that moves would be smeared by it."""
    if plan.receiver.stack == 1:
        return plan
    return dataclasses.replace(plan, receiver=dataclasses.replace(plan.receiver, stack=1))


def measure_beam(
    receiver: Receiver,
    results: Iterable[PingResult],
    moved: SteadyPass | Stops,
    *,
    beside: bool = True,
    from_m: float = 0.0,
    to_m: float = math.inf,
) -> BeamMeasurement:
    """Measure a beam from the pings of one sweep.

    Parameters
    ----------
    receiver : Receiver
        Its plan does not stack: see :func:`ping_by_ping`.
    results : iterable of PingResult
        Of a recording or of a live front end.
    moved : SteadyPass or Stops
    beside : bool
        Whether source and receiver stand along the way, rather than one way square to it.
    from_m, to_m : float
        The target's echo is the strongest between these ranges.

    Raises
    ------
    PlanError
        Where the plan stacks pings.
    RecordingError
        Where the pings do not show a beam; the message says what is missing.
    """
    if receiver.plan.receiver.stack != 1:
        raise PlanError(
            f"receiver.stack: found {receiver.plan.receiver.stack}; give 1: a target that moves "
            "is smeared by stacking"
        )
    heard = _Heard(receiver, results, moved, from_m, to_m)
    setting = setting_of(receiver, beside=beside)
    u_zero_m = moved.u_zero_m if isinstance(moved, Stops) else math.inf
    try:
        sweep = heard.sweep()
        fit = beam_fits.fit_beam(sweep, setting, u_centre_m=u_zero_m)
    except ValueError as problem:
        raise RecordingError(f"the beam cannot be fitted: {problem}") from problem
    if np.abs(fit.angle_rad).min() > fit.half_power_rad:
        raise RecordingError(
            "the beam cannot be fitted: the echoes do not rise and fall as those of a target "
            f"that crosses it, and come from about {fit.closest_m:.3g} m; leave other things "
            "out with --from-m and --to-m"
        )
    other = dataclasses.replace(setting, shape="line" if setting.shape == "piston" else "piston")
    try:
        other_fit = beam_fits.fit_beam(sweep, other, u_centre_m=u_zero_m)
    except ValueError:
        other_fit = None
    measured = _measurement(receiver, moved, heard, setting, fit, other_fit)
    if 2 * measured.u_half_power_rad >= fit.half_power_rad:
        raise RecordingError(
            "the beam cannot be fitted: the echoes hardly weaken along the way, so that the "
            "half-power angle may be any; move the target from outside the cone to outside it"
        )
    return measured


def setting_of(receiver: Receiver, *, beside: bool = True) -> BeamSetting:
    """Return what a plan says of the bench, as the fit needs it."""
    plan, shape = receiver.plan, receiver.shape
    medium = plan.medium
    if plan.timing.band_sampling:
        # The samples show the band folded down; in the air it stands where it was sent.
        frequency_hz, share = np.array([plan.pulse.centre_hz]), np.array([1.0])
    else:
        frequency_hz, share = _bands(shape.carrier_hz + shape.offset_hz, shape.weights)
    absorption = absorption_db_m(
        medium.kind,
        frequency_hz,
        temperature_c=medium.temperature_c,
        humidity_percent=medium.humidity_percent,
        salinity_g_kg=medium.salinity_g_kg,
    )
    return BeamSetting(
        shape=plan.transducer.shape,
        sound_speed_m_s=receiver.sound_speed_m_s,
        frequency_hz=frequency_hz,
        share=share,
        absorption_db_m=absorption,
        baseline_m=plan.geometry.baseline_m,
        beside=beside,
    )


def _bands(
    frequency_hz: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a few frequencies and shares that average as the whole band does.

    Gauss's rule for the band's own weights: right for any pattern that is a polynomial
    of degree 2 :data:`BANDS` − 1 over the band, however long its tails.

    References
    ----------
    G. H. Golub and J. H. Welsch, "Calculation of Gauss quadrature rules", *Math. Comp.*
    23, 1969, pp. 221–230 (from memory).
    """
    middle_hz = float(weights @ frequency_hz)
    scale_hz = float(np.ptp(frequency_hz)) or 1.0
    x = (frequency_hz - middle_hz) / scale_hz
    basis = [np.sqrt(np.maximum(weights, 0.0) / np.maximum(weights, 0.0).sum())]
    count = min(BANDS, int(np.count_nonzero(weights > 0)))
    jacobi = np.zeros((count, count))
    for i in range(count):
        following = x * basis[i]
        for j, row in enumerate(basis):
            jacobi[i, j] = jacobi[j, i] = float(row @ following)
        following = following - np.array(basis).T @ (np.array(basis) @ following)
        if i + 1 < count:
            basis.append(following / np.linalg.norm(following))
    nodes, vectors = np.linalg.eigh(jacobi)
    return middle_hz + scale_hz * nodes, vectors[0] ** 2


def range_shift_m(
    receiver: Receiver, speed_m_s: float, *, speeds: int = 5
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how much too far the plan's pulse shows what recedes.

    A receding target stretches its echo, which moves the compressed peak of a chirp. The
    usual formula holds for many cycles of the envelope in a pulse; here the stretched
    pulse is compressed.

    Parameters
    ----------
    receiver : Receiver
    speed_m_s : float
        The fastest.
    speeds : int

    Returns
    -------
    speed_m_s, shift_m : ndarray of float64, shape (speeds,)
        From 0 on; the shift is odd in speed.
    """
    pulse, shape = pulses_of(receiver.plan)[0], receiver.shape
    sound_speed = receiver.sound_speed_m_s
    # Enough bins to hold twice the pulse's length without folding.
    most = max(256, math.ceil(4 * float(np.ptp(shape.offset_hz)) * pulse.duration_s))
    step = max(1, shape.weights.size // most)
    frequency_hz = (shape.carrier_hz + shape.offset_hz)[::step]
    weights = shape.weights[::step]
    from_middle = np.arange(pulse.samples.size) - (pulse.samples.size - 1) / 2
    turns = -2j * np.pi / pulse.sample_rate_hz * from_middle
    spectrum = np.exp(np.outer(frequency_hz, turns)) @ pulse.samples
    energy = np.maximum(np.abs(spectrum) ** 2, 1e-12 * float(np.max(np.abs(spectrum) ** 2)))
    lag_s = np.linspace(-1.0, 1.0, 257) * shape.width_s
    lags = np.exp(2j * np.pi * np.outer(lag_s, frequency_hz))
    speed = np.linspace(0.0, speed_m_s, speeds)
    shift_m = np.zeros(speeds)
    for i in range(1, speeds):
        stretch = 1 + 2 * speed[i] / sound_speed
        heard = np.exp(np.outer(frequency_hz * stretch, turns)) @ pulse.samples
        compressed = np.abs(lags @ (weights * heard * spectrum.conj() / energy)) ** 2
        top = int(np.clip(np.argmax(compressed), 1, lag_s.size - 2))
        before, at, after = compressed[top - 1 : top + 2]
        part = (before - after) / 2 / (before - 2 * at + after)
        shift_m[i] = sound_speed / 2 * (lag_s[top] + part * (lag_s[1] - lag_s[0]))
    return speed, shift_m


class _Heard:
    """The target's echo in each ping of a sweep, or its absence."""

    def __init__(
        self,
        receiver: Receiver,
        results: Iterable[PingResult],
        moved: SteadyPass | Stops,
        from_m: float,
        to_m: float,
    ) -> None:
        self._receiver = receiver
        self._moved = moved
        places = None if isinstance(moved, SteadyPass) else _place_of_each(moved)
        place: list[float] = []
        self._pings: list[PingResult] = []
        self._echoes: list[tuple[Echo, ...]] = []
        self.left_out = 0
        self.pings = 0
        self.clipped = 0
        for result in results:
            if isinstance(moved, SteadyPass):
                where = moved.speed_m_s * result.sent_s
            elif places is not None and result.index in places:
                where = places[result.index]
            else:
                continue
            self.pings += 1
            if result.lost or result.clipped:
                self.left_out += 1
                self.clipped += not result.lost
                continue
            place.append(where)
            # The profiles of a long sweep would fill the memory.
            self._pings.append(dataclasses.replace(result, profile=None))
            self._echoes.append(tuple(e for e in result.echoes if from_m <= e.range_m <= to_m))
        self.place = np.array(place)
        missing = 0 if places is None else len(places) - self.pings
        if isinstance(moved, Stops) and missing > 0:
            raise RecordingError(
                f"the settings name pings up to {moved.pings - 1}, {missing} of which are not "
                "there; name only pings that were recorded"
            )

    def sweep(self) -> BeamSweep:
        """Choose the target's echoes and say how sure their levels and ranges are."""
        receiver, shape = self._receiver, self._receiver.shape
        chosen = self._chosen()
        found = [e for e in chosen if e is not None]
        if not found:
            raise ValueError("no echo between the given ranges; look at the plan and the recording")
        # The noise of all pings together is better known than that of each.
        noise = float(np.median([self._noise(e) for e in found]))
        rows = []
        expected_m = self._expected_m(chosen)
        for ping, echo, range_m in zip(self._pings, chosen, expected_m, strict=True):
            threshold = self._threshold(ping, float(range_m), noise)
            if echo is None:
                rows.append((math.nan, threshold, math.nan, math.nan))
                continue
            amplitude = 10 ** (echo.strength_db / 20)
            # The peak's power holds some of the noise's own.
            snr_out = max((amplitude / noise) ** 2 - 2, 1.0)
            u_delay_s = detection.delay_uncertainty_s(shape, snr_out)
            u_range_m = receiver.sound_speed_m_s / 2 * math.hypot(u_delay_s, self._jitter_s(ping))
            rows.append((amplitude, threshold, echo.range_m, u_range_m))
        amplitudes, limits, ranges_m, u_ranges_m = np.array(rows).T
        return BeamSweep(
            place=self.place,
            amplitude=amplitudes,
            noise=np.full(amplitudes.size, noise),
            threshold=limits,
            range_m=self._for_speed(ranges_m),
            u_range_m=u_ranges_m,
            turned=isinstance(self._moved, Stops) and self._moved.turned,
        )

    def _for_speed(self, range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Take off what the target's own speed adds to its ranges."""
        if isinstance(self._moved, Stops):
            return range_m
        there = np.isfinite(range_m)
        if np.count_nonzero(there) < 3:
            return range_m
        speeds, shift_m = range_shift_m(self._receiver, self._moved.speed_m_s)
        freed = range_m
        for _ in range(3):
            _, slope = self._way_m(freed[there], there)
            receding = np.clip(self._moved.speed_m_s * slope, -speeds[-1], speeds[-1])
            freed = range_m - np.sign(receding) * np.interp(np.abs(receding), speeds, shift_m)
        return freed

    def _chosen(self) -> list[Echo | None]:
        """Of each ping the echo on the target's way: found from the strongest, then all."""
        strongest = [max(es, key=lambda e: e.strength_db, default=None) for es in self._echoes]
        top_db = max((e.strength_db for e in strongest if e is not None), default=0.0)
        chosen = [e if e is not None and e.strength_db > top_db - 15 else None for e in strongest]
        # What lies further from the way than an echo is wide, is another thing's.
        width_m = self._receiver.shape.width_s * self._receiver.sound_speed_m_s / 2
        for _ in range(3):
            if sum(e is not None for e in chosen) < 3:
                return chosen
            expected_m = self._expected_m(chosen)
            chosen = [
                min(
                    (e for e in es if abs(e.range_m - range_m) < width_m),
                    key=lambda e: abs(e.range_m - range_m),
                    default=None,
                )
                for es, range_m in zip(self._echoes, expected_m.tolist(), strict=True)
            ]
        return chosen

    def _expected_m(self, chosen: Sequence[Echo | None]) -> NDArray[np.float64]:
        """Return where the target should be at each ping, from the echoes chosen so far."""
        there = np.array([e is not None for e in chosen])
        range_m = np.array([e.range_m for e in chosen if e is not None])
        if isinstance(self._moved, Stops) and self._moved.turned:
            return np.full(self.place.size, float(np.median(range_m)))
        return self._way_m(range_m, there)[0]

    def _way_m(
        self, range_m: NDArray[np.float64], there: NDArray[np.bool_]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the range of a straight way at each place, and its slope over place."""
        middle = float(np.mean(self.place[there]))
        x = self.place - middle
        # R² − x² is a straight line in x, and stays one with some echoes wrong: the
        # median of slopes between all pairs does not follow those.
        rest = range_m**2 - x[there] ** 2
        one, two = np.triu_indices(rest.size, 1)
        apart = x[there][two] - x[there][one]
        far = np.abs(apart) > 0.2 * np.ptp(x[there])
        slope = float(np.median((rest[two] - rest[one])[far] / apart[far])) if far.any() else 0.0
        level = float(np.median(rest - slope * x[there]))
        way_m = np.sqrt(np.maximum(x**2 + slope * x + level, 1e-12))
        return way_m, (x + slope / 2) / way_m

    def _noise(self, echo: Echo) -> float:
        """Return the deviation of one quadrature of the noise around an echo."""
        snr_out = 10 ** (echo.snr_db / 10) * self._receiver.shape.efficiency
        return float(10 ** (echo.strength_db / 20) / math.sqrt(snr_out))

    def _threshold(self, ping: PingResult, range_m: float, usual_noise: float) -> float:
        """Return what an echo at a range had to exceed."""
        receiver = self._receiver
        least = usual_noise * math.sqrt(-2 * math.log(receiver.plan.receiver.false_alarm_rate))
        if ping.threshold_db is None:
            return least
        half_m = receiver.plan.geometry.baseline_m / 2
        at = 2 * math.hypot(range_m, half_m) / receiver.sound_speed_m_s / receiver.shape.bin_s
        around = ping.threshold_db[max(int(at) - 1, 0) : int(at) + 3]
        around = around[np.isfinite(around)]
        return float(10 ** (around.max() / 20)) if around.size else least

    def _jitter_s(self, ping: PingResult) -> float:
        """Return how much a ping's own time zero is noisy by; what all share is left out."""
        return 0.0 if ping.time_zero is None else ping.time_zero.u_delay_s


def beam_lines(beam: BeamMeasurement) -> tuple[str, ...]:
    """Put a measured beam into words, each number with its expanded uncertainty, k = 2."""
    fit = beam.fit
    name = "radius" if fit.shape == "piston" else "length"

    def deg(rad: float) -> float:
        return math.degrees(rad)

    lines = [
        f"{beam.echoes} echoes in {beam.pings} pings; {beam.missing} without one, "
        f"{beam.left_out} left out",
        f"half power, out and back, at {deg(fit.half_power_rad):.3f} ± "
        f"{deg(2 * beam.u_half_power_rad):.3f}° from the axis",
        f"axis tilted by {deg(fit.tilt_rad):.2f} ± {deg(2 * beam.u_tilt_rad):.2f}° towards larger "
        "places",
        f"effective {name} {1e3 * fit.size_m:.2f} ± {2e3 * beam.u_size_m:.2f} mm; the plan says "
        f"{1e3 * beam.planned_size_m:.2f} mm",
        f"target nearest at {fit.closest_m:.4f} ± {2 * beam.u_closest_m:.4f} m",
    ]
    if beam.closest_time_s is not None:
        lines[-1] += f", {beam.closest_time_s:.3f} s after the first ping"
    if beam.near_field_m is not None:
        lines.append(f"nearer than {beam.near_field_m:.3f} m the beam is not yet a cone")
    lines.append(f"chi-square {fit.chi_square:.1f} for {fit.degrees_of_freedom} degrees of freedom")
    lines += [f"  half-power angle, from {words}: {deg(u):.4f}°" for words, u in beam.terms]
    lines += [f"caution: {words}" for words in beam.cautions]
    return tuple(lines)


def beam_answer(beam: BeamMeasurement) -> dict[str, Any]:
    """Answer `beam --json`; uncertainties are standard ones."""
    fit = beam.fit
    return {
        "moved": beam.moved,
        "shape": fit.shape,
        "frequency_hz": beam.setting.sound_speed_m_s / beam.setting.wavelength_m,
        "half_power_deg": math.degrees(fit.half_power_rad),
        "u_half_power_deg": math.degrees(beam.u_half_power_rad),
        "tilt_deg": math.degrees(fit.tilt_rad),
        "u_tilt_deg": math.degrees(beam.u_tilt_rad),
        "size_m": fit.size_m,
        "u_size_m": beam.u_size_m,
        "planned_size_m": beam.planned_size_m,
        "closest_range_m": fit.closest_m,
        "u_closest_range_m": beam.u_closest_m,
        "closest_time_s": beam.closest_time_s,
        "near_field_m": beam.near_field_m,
        "chi_square": fit.chi_square,
        "degrees_of_freedom": fit.degrees_of_freedom,
        "scatter_db": fit.scatter_db,
        "pings": beam.pings,
        "echoes_found": beam.echoes,
        "echoes_missing": beam.missing,
        "left_out": beam.left_out,
        "budget": [{"term": words, "u_deg": math.degrees(u)} for words, u in beam.terms],
        "cautions": list(beam.cautions),
        "levels": [
            {
                "angle_deg": math.degrees(angle_rad),
                "level_db": None if math.isnan(level_db) else level_db,
                "u_level_db": None if math.isnan(level_db) else u_db,
                "limit_db": limit_db,
            }
            for angle_rad, level_db, u_db, limit_db in zip(
                fit.angle_rad.tolist(),
                fit.level_db.tolist(),
                fit.u_level_db.tolist(),
                fit.limit_db.tolist(),
                strict=True,
            )
        ],
    }


def _place_of_each(stops: Stops) -> dict[int, float]:
    return {
        ping: stop.place
        for stop in stops.stops
        for ping in range(stop.first_ping, stop.last_ping + 1)
    }


def _measurement(
    receiver: Receiver,
    moved: SteadyPass | Stops,
    heard: _Heard,
    setting: BeamSetting,
    fit: BeamFit,
    other: BeamFit | None,
) -> BeamMeasurement:
    speed_share = receiver.u_sound_speed_m_s / receiver.sound_speed_m_s
    terms = [("noise and scatter of the levels, and of the ranges", fit.u_half_power_rad)]
    # An angle is an offset over a range. An error common to all scales it.
    slope_rad = math.sin(2 * fit.half_power_rad) / 2
    size_shares = [fit.u_size_m / fit.size_m, speed_share]
    if isinstance(moved, SteadyPass):
        kind = "pass"
        share = moved.u_speed_m_s / moved.speed_m_s
        terms.append(("speed of the target", slope_rad * share))
        size_shares.append(share)
    else:
        kind = "turntable" if moved.turned else "slide"
    scale = 0.0
    if kind != "turntable":
        terms.append(("sound speed, through the range", slope_rad * speed_share))
        size_shares[1] = 2 * speed_share  # through the range and through the wavelength
        scale = math.hypot(*(u for _, u in terms[1:])) / slope_rad
    return BeamMeasurement(
        fit=fit,
        other=other,
        setting=setting,
        moved=kind,
        u_half_power_rad=math.hypot(*(u for _, u in terms)),
        u_tilt_rad=math.hypot(fit.u_tilt_rad, fit.tilt_rad * scale),
        u_size_m=fit.size_m * math.hypot(*size_shares),
        u_closest_m=math.hypot(fit.u_closest_m, fit.closest_m * speed_share),
        terms=tuple(terms),
        closest_time_s=fit.centre_m / moved.speed_m_s if isinstance(moved, SteadyPass) else None,
        planned_size_m=receiver.plan.transducer.size_m,
        pings=heard.pings,
        echoes=int(np.count_nonzero(np.isfinite(fit.level_db))),
        missing=int(np.count_nonzero(np.isnan(fit.level_db))),
        left_out=heard.left_out,
        cautions=tuple(_cautions(heard, setting, fit, other)),
    )


def _cautions(
    heard: _Heard, setting: BeamSetting, fit: BeamFit, other: BeamFit | None
) -> Iterable[str]:
    if fit.shape == "piston":
        far_m = beam_fits.far_field_from_m(fit.size_m, setting.wavelength_m)
        if fit.closest_m < far_m:
            yield (
                f"near field: the target passed at {fit.closest_m:.3f} m, and the cone is that of "
                f"the far field from {far_m:.3f} m on; move the target further away"
            )
    beside_rad = math.atan2(setting.baseline_m / 2, fit.closest_m)
    if beside_rad > 0.5 * fit.half_power_rad:
        yield (
            f"each face sees the target {math.degrees(beside_rad):.1f}° beside its own axis; the "
            "angle given is that of one face alone; move the target further away"
        )
    for side, words in ((-1, "smaller"), (1, "larger")):
        on_side = side * fit.angle_rad >= fit.half_power_rad
        if not on_side.any():
            yield (
                f"one side only: no ping reaches the half-power angle towards {words} places; "
                "move the target further that way"
            )
    if heard.clipped:
        yield f"{heard.clipped} clipped pings were left out; lower the level"
    if fit.scatter_db > 0:
        yield (
            f"the levels scatter by {fit.scatter_db:.2f} dB more than noise explains (the target "
            "swings, or the beam is not quite such a disc or line); it is counted in"
        )
    if other is not None and other.chi_square < fit.chi_square - 9:
        yield (
            f"a {other.shape} fits better than the plan's {fit.shape}: chi-square "
            f"{other.chi_square:.0f} against {fit.chi_square:.0f}"
        )
