"""The target's echo picked out of each ping of a sweep."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.history.beam_fits import BeamSweep
from rig.errors import RecordingError
from rig.measure.beam.moved import SteadyPass, Stops
from rig.measure.beam.range_shift import range_shift_m
from rig.run.receiver import Receiver
from rig.run.results import Echo, PingResult


class HeardSweep:
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
                self.clipped += not result.lost
                continue
            place.append(where)
            # The profiles of a long sweep would fill the memory.
            self._pings.append(dataclasses.replace(result, profile=None))
            echoes = result.echoes
            if receiver.plan.pulse.coupling_s and result.heard is not None:
                echoes = result.heard.echoes  # what the speed does to them is known better here
            self._echoes.append(tuple(e for e in echoes if from_m <= e.range_m <= to_m))
        self.place = np.array(place)
        missing = 0 if places is None else len(places) - self.pings
        if isinstance(moved, Stops) and missing > 0:
            raise RecordingError(
                f"the settings name pings up to {moved.pings - 1}, {missing} of which are not "
                "there; name only pings that were recorded"
            )

    def sweep(self) -> BeamSweep:
        """Choose the target's echoes and say how sure their levels and ranges are."""
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
            rows.append((amplitude, threshold, echo.range_m, _u_range_m(ping, echo)))
        amplitudes, limits, ranges_m, u_ranges_m = np.array(rows).T
        return BeamSweep(
            place=self._met_at(expected_m),
            amplitude=amplitudes,
            noise=np.full(amplitudes.size, noise),
            threshold=limits,
            range_m=self._for_speed(ranges_m),
            u_range_m=u_ranges_m,
            turned=isinstance(self._moved, Stops) and self._moved.turned,
        )

    def _met_at(self, range_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return where the target stood as the pulse's middle met it, and not as it left."""
        if isinstance(self._moved, Stops):
            return self.place
        plan = self._receiver.plan
        way_s = np.hypot(range_m, plan.geometry.baseline_m / 2) / self._receiver.sound_speed_m_s
        return np.asarray(self.place + self._moved.speed_m_s * (plan.pulse.duration_s / 2 + way_s))

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
        if (threshold_db := ping.threshold_db) is None:
            return least
        half_m = receiver.plan.geometry.baseline_m / 2
        at = 2 * math.hypot(range_m, half_m) / receiver.sound_speed_m_s / receiver.shape.bin_s
        around = threshold_db[max(int(at) - 1, 0) : int(at) + 3]
        around = around[np.isfinite(around)]
        return float(10 ** (around.max() / 20)) if around.size else least


def _u_range_m(ping: PingResult, echo: Echo) -> float:
    """Return what differs from ping to ping of an echo's range; what all share is left out.

    As its own top tells: off the axis a wide band has lost its upper part, and noise moves what
    is left several times as far as a copy of the pulse.
    """
    if ping.heard is None:
        raise ValueError(f"ping {ping.index}: it is lost; give pings that are heard")
    hits = ping.heard.hits
    at = int(np.argmin(np.abs(hits.range_m - echo.range_m)))
    return math.hypot(float(hits.noise_m[at]), float(hits.beside_m[at]))


def _place_of_each(stops: Stops) -> dict[int, float]:
    return {
        ping: stop.place
        for stop in stops.stops
        for ping in range(stop.first_ping, stop.last_ping + 1)
    }
