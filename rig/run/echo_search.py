"""Searching a profile for its echoes, within the ranges that a plan asks for."""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
from collections.abc import Sequence
from functools import partial

import numpy as np
from numpy.typing import NDArray

from dsp.ping import ranging
from dsp.ping.noise.noise import WIDE_CELLS, fewest_bins
from dsp.ping.noise.noise_grid import MOST_SPACINGS
from dsp.ping.noise.turns import Sounds, among_lobes_of_unlike, hidden_by_unlike
from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.peaks import Peak, crest_near
from dsp.ping.pulse.profiles import EchoProfile, Threshold, highest_near
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.pulse.stretched import among_stretched_lobes
from dsp.ping.search.search import Found, found_each
from dsp.uncertainty import Budget
from rig.bench.front_end_names import BOARDS
from rig.run.budget import SECOND, RangeModel
from rig.run.marks import bins_looked_at
from rig.run.pair import Pair
from rig.run.results import Echo, Side, TimeZero

PARTNER_RATE = 1e-3
"""False alarms for each independent bin, of what an echo's partner is looked for among at the
second receiver: it is near the echo or nowhere."""


class EchoSearch:
    """Finds the echoes in one stream's profiles.

    Parameters
    ----------
    range_model : RangeModel
    pulses : sequence of Pulse
        That take turns, as they are sent.
    pulse_shapes : sequence of EchoShape
        What an echo of each looks like.
    shape : EchoShape
        What an echo of the plan's pulse, or of its pair of pulses, looks like.
    pair : Pair or None
        Of the plan's two receivers; None where it has one.
    last_echo_s : float
        From the pulse's leaving to the end of an echo from the plan's farthest range.
    """

    def __init__(
        self,
        range_model: RangeModel,
        *,
        pulses: Sequence[Pulse],
        pulse_shapes: Sequence[EchoShape],
        shape: EchoShape,
        pair: Pair | None,
        last_echo_s: float,
    ) -> None:
        self._ranges = range_model
        self._plan, self._info = range_model.plan, range_model.info
        self._sound_speed_m_s = range_model.sound_speed_m_s
        self._shape, self._pair = shape, pair
        self._last_echo_s = last_echo_s
        self._pulses, self._pulse_shapes = pulses, pulse_shapes

    def echoes(
        self,
        profile: EchoProfile,
        time_zero: TimeZero,
        *,
        false_alarm_rate: float | None = None,
    ) -> tuple[tuple[Echo, ...], Threshold]:
        """Find a profile's echoes within the plan's ranges.

        Parameters
        ----------
        profile : EchoProfile
        time_zero : TimeZero
        false_alarm_rate : float, optional
            The plan's, unless another is given.

        Returns
        -------
        echoes : tuple of Echo
            Nearest first.
        threshold : callable
            Gives what a bin had to exceed, dB re full scale.
        """
        rate = (
            self._plan.receiver.false_alarm_rate if false_alarm_rate is None else false_alarm_rate
        )
        found = self.found(profile, time_zero, rates=self.listing_rates(rate))
        peaks = found.at(0)
        (sides,) = self.sides_each([(profile, time_zero, found, peaks)])
        echoes = tuple(
            self.echo(peak, time_zero, shape=profile.shape, side=side)
            for peak, side in zip(peaks, sides, strict=True)
        )
        return echoes, threshold_in_db(found, profile)

    def listing_rates(self, false_alarm_rate: float) -> tuple[float, ...]:
        """Return the rates to search a profile at, for what is listed at the first of them.

        What is too faint to be listed tells, of two receivers, which echo is whose.
        """
        if self._pair is None:
            return (false_alarm_rate,)
        return false_alarm_rate, max(false_alarm_rate, PARTNER_RATE)

    def found(
        self, profile: EchoProfile, time_zero: TimeZero, *, rates: tuple[float, ...]
    ) -> Found:
        """Search a profile once within the plan's ranges, and sift at several false-alarm rates.

        Of a device that hands on edge times the amplitude and the SNR are NaN.
        """
        (found,) = self.found_each([(profile, time_zero)], rates=rates)
        return found

    def sides_each(
        self, pings: Sequence[tuple[EchoProfile, TimeZero, Found, Sequence[Peak]]]
    ) -> list[tuple[Side | None, ...]]:
        """Tell where across the axis some echoes stand, by what the second receiver heard.

        Parameters
        ----------
        pings : sequence of EchoProfile, TimeZero, Found, peaks
            What was found in each, and those of the peaks that are asked about.

        Returns
        -------
        list of tuple
            A side for each of the peaks; None for all where there is no second receiver.
        """
        pair = self._pair
        beside = [
            (profile.beside, zero)
            for profile, zero, _, peaks in pings
            if profile.beside is not None and peaks
        ]
        if pair is None or not beside:
            return [(None,) * len(peaks) for *_, peaks in pings]
        heard = iter(self.found_each(beside, rates=(PARTNER_RATE,), later_s=pair.longest_s))
        sides: list[tuple[Side | None, ...]] = []
        for profile, zero, found, peaks in pings:
            if profile.beside is None or not peaks:
                sides.append((None,) * len(peaks))
                continue
            second = next(heard)
            sides.append(
                pair.sides(
                    peaks,
                    [*found.before, *found.peaks],
                    [*second.before, *second.peaks],
                    self._shape_of(profile),
                    u_mark_s=zero.u_delay_s,
                )
            )
        return sides

    def found_each(
        self,
        placed: Sequence[tuple[EchoProfile, TimeZero]],
        *,
        rates: tuple[float, ...],
        later_s: float = 0.0,
    ) -> list[Found]:
        """Search several profiles at once, each as :meth:`found` does.

        By as much as `later_s` an echo may come sooner or later than the plan's ranges say.
        """
        if self._info.edge_step_s is not None:
            step_s = self._info.edge_step_s
            return [self._edge(p, self._shape_of(p), len(rates), step_s) for p, _ in placed]
        alike: dict[tuple[EchoShape, int, int], list[int]] = {}
        for number, (profile, _) in enumerate(placed):
            shape = self._shape_of(profile)
            bins = self.bins_searched(profile, more=math.ceil(later_s / shape.bin_s))
            alike.setdefault((shape, bins, profile.ahead.size), []).append(number)
        found: dict[int, Found] = {}
        for (shape, bins, _), numbers in alike.items():
            some = [placed[number] for number in numbers]
            each = found_each(
                np.array([profile.envelope[:bins] for profile, _ in some]),
                shape,
                ahead=np.array([profile.ahead for profile, _ in some]),
                rates=rates,
                start_s=[
                    max(self._listed_from_s(time_zero, shape) - later_s, 0.0)
                    for _, time_zero in some
                ],
                stop_s=self._reach_s[1] + later_s,
                # Rounding to even steps is noise of step/√12 (W. R. Bennett 1948). Without a
                # noise of its own it is the same in each ping: stacking does not lower it.
                least_noise=self._info.step / math.sqrt(12) * shape.noise_gain,
            )
            found.update(zip(numbers, each, strict=True))
        return [
            self._without_unsure(
                self._without_unlike(
                    self._without_stretched_lobes(found[number], time_zero.stretch), profile
                ),
                profile,
            )
            for number, (profile, time_zero) in enumerate(placed)
        ]

    def _without_stretched_lobes(self, found: Found, stretch: float) -> Found:
        """Leave out what may be a side lobe of a stronger sound, where all of them are stretched.

        A chirp's go where it goes.
        """
        if not stretch or not found.peaks or self._plan.pulse.coupling_s:
            return found
        every = [*found.before, *found.peaks]
        delay_s = np.array([peak.delay_s for peak in found.peaks])
        amplitude = np.array([peak.amplitude for peak in found.peaks])
        hidden = np.zeros(delay_s.size, dtype=bool)
        for peak in every:
            hidden |= among_stretched_lobes(
                self._pulses,
                stretch,
                delay_s - peak.delay_s,
                amplitude / peak.amplitude,
                snr=peak.snr,
                false_alarm_rate=self._plan.receiver.false_alarm_rate,
            )
        return _less(found, hidden)

    def _without_unlike(self, found: Found, profile: EchoProfile) -> Found:
        """Leave out, of a pair's average, what may come of its two pulses' being changed unlike."""
        if profile.unlike is None or profile.pulse_index is not None or not found.peaks:
            return found
        one, other = self._pulse_shapes
        rate = self._plan.receiver.false_alarm_rate
        echoes, sounds = _sounds(found.peaks), _sounds([*found.before, *found.peaks])
        hidden = hidden_by_unlike(profile.unlike, one, other, echoes, false_alarm_rate=rate)
        hidden |= among_lobes_of_unlike(
            profile.unlike, one, other, sounds, echoes, false_alarm_rate=rate
        )
        return _less(found, hidden)

    def _without_unsure(self, found: Found, profile: EchoProfile) -> Found:
        """Leave out what may come of what an input cut off, and raise what had to be exceeded."""
        unsure = profile.unsure
        if unsure is None:
            return found
        # As rarely as noise stands above its own threshold.
        above = math.sqrt(-math.log(self._plan.receiver.false_alarm_rate)) * unsure
        lobe_bins = math.ceil(self._shape_of(profile).width_s / profile.bin_s)
        above = highest_near(above, lobe_bins)
        found = dataclasses.replace(found, threshold=partial(_raised, found.threshold, above))
        if not found.peaks:
            return found
        echoes = _sounds(found.peaks)
        place = np.rint(echoes.delay_s / profile.bin_s).astype(int).clip(0, above.size - 1)
        return _less(found, echoes.amplitude < above[place])

    def _shape_of(self, profile: EchoProfile) -> EchoShape:
        return self._shape if profile.shape is None else profile.shape

    def _listed_from_s(self, time_zero: TimeZero, shape: EchoShape) -> float:
        """Return from which delay on a sound is an echo: the direct one is none."""
        after_direct_s = self._plan.geometry.baseline_m / self._sound_speed_m_s + shape.width_s
        if time_zero.method == "calibration":
            # By a stored latency it stands where it should only as well as that is known.
            after_direct_s += 5 * time_zero.u_delay_s
        return max(self._reach_s[0], after_direct_s)

    def bins_searched(self, profile: EchoProfile, *, more: int = 0) -> int:
        """Return how many of a profile's bins are searched: as far as it goes, or some more."""
        if self._info.edge_step_s is not None:
            return profile.envelope.size
        return min(profile.envelope.size, self.searched_bins(self._shape_of(profile)) + more)

    def searched_bins(self, shape: EchoShape) -> int:
        """Return how far a profile is searched: to the last echo, with noise to tell it from."""
        last = math.ceil(self._last_echo_s / shape.bin_s) + 1
        if self._info.front_end in BOARDS:
            return bins_looked_at(shape, last)
        return max(last, fewest_bins(shape, cells=WIDE_CELLS + MOST_SPACINGS))

    @functools.cached_property
    def _reach_s(self) -> tuple[float, float]:
        """Delays of the nearest and the farthest echo that the plan asks for."""
        asked = self._plan.receiver
        path_m = ranging.path_from_range_m(
            [asked.range_start_m, asked.range_stop_m], self._plan.geometry.baseline_m
        )
        start_s, stop_s = path_m / self._sound_speed_m_s
        return float(start_s), float(stop_s)

    def _edge(self, profile: EchoProfile, shape: EchoShape, rates: int, step_s: float) -> Found:
        """Return where a device's edge times stand; they have no strength and no noise."""
        magnitude = np.abs(profile.envelope)
        nearest = int(magnitude.argmax())
        nothing = partial(np.full, magnitude.size, np.nan)
        none = Found(peaks=(), passes=np.empty((rates, 0), dtype=bool), threshold=nothing)
        if magnitude[nearest] < 0.5:  # pings that do not agree, or heard nothing
            return none
        place, _ = crest_near(profile.envelope, shape, nearest, 0)
        delay_s = place * shape.bin_s
        if not self._reach_s[0] <= delay_s <= self._reach_s[1]:
            return none
        # Rounded to a step, every time within it is as likely: JCGM 100:2008, 4.3.7.
        peak = Peak(
            delay_s=delay_s,
            u_delay_s=step_s / math.sqrt(12),
            amplitude=math.nan,
            phase_rad=0.0,
            snr=math.nan,
        )
        return Found(peaks=(peak,), passes=np.ones((rates, 1), dtype=bool), threshold=nothing)

    def echo(
        self,
        peak: Peak,
        time_zero: TimeZero,
        *,
        shape: EchoShape | None = None,
        side: Side | None = None,
    ) -> Echo:
        """Return the echo that a peak is, with how sure it is.

        Parameters
        ----------
        peak : Peak
        time_zero : TimeZero
            Of the ping.
        shape : EchoShape, optional
            Of an echo in the profile that it was found in; the plan's unless given.
        side : Side, optional
            As :meth:`sides_each` tells it.
        """
        shape = self._shape if shape is None else shape
        geometry, speed = self._plan.geometry, self._sound_speed_m_s
        path_m = speed * peak.delay_s
        range_m = 0.0
        bound_s = 1 / (math.sqrt(peak.snr) * shape.pulse_rms_bandwidth_rad_s)
        budget, more_within_m = None, None
        # A path no longer than the baseline has no range, and a range of 0 no first order.
        if path_m > geometry.baseline_m:
            budget = self._ranges.budget(
                delay_s=peak.delay_s,
                u_delay_s=peak.u_delay_s,
                u_mark_s=time_zero.u_delay_s,
                u_shape_s=time_zero.u_shape_s,
                direct=time_zero.method == "direct",
            )
            range_m = budget.value
            if peak.u_second_s > 0:
                u_second_m = path_m / (4 * range_m) * speed * peak.u_second_s
                budget = Budget(
                    value=range_m,
                    names=(*budget.names, SECOND),
                    u=(*budget.u, u_second_m),
                )
                more_within_m = 2 * u_second_m
        return Echo(
            range_m=range_m,
            path_m=path_m,
            delay_s=peak.delay_s,
            u_range_m=math.inf if budget is None else budget.combined,
            strength_db=20 * math.log10(peak.amplitude),
            snr_db=10 * math.log10(peak.snr),
            bound_m=path_m / (4 * range_m) * speed * bound_s if range_m > 0 else math.inf,
            budget=budget,
            side=side,
            more_within_m=more_within_m,
        )


def _sounds(peaks: Sequence[Peak]) -> Sounds:
    """Return where some peaks stand, and how strong."""
    columns = np.array([(peak.delay_s, peak.amplitude, peak.snr) for peak in peaks]).T
    return Sounds(delay_s=columns[0], amplitude=columns[1], snr=columns[2])


def _less(found: Found, hidden: NDArray[np.bool_]) -> Found:
    """Return a search's answer without some of its peaks."""
    kept = tuple(itertools.compress(found.peaks, (~hidden).tolist()))
    return dataclasses.replace(found, peaks=kept, passes=found.passes[:, ~hidden])


def threshold_in_db(found: Found, profile: EchoProfile) -> Threshold:
    """Return what gives a search's threshold over a profile's bins; NaN where it did not look."""
    return partial(_in_db, found.threshold, profile.envelope.size)


def _raised(threshold: Threshold, above: NDArray[np.float32]) -> NDArray[np.float64]:
    looked_at = threshold()
    return np.maximum(looked_at, above[: looked_at.size])


def _in_db(threshold: Threshold, bins: int) -> NDArray[np.float64]:
    looked_at = threshold()
    whole = np.full(bins, np.nan)
    whole[: looked_at.size] = 20 * np.log10(np.maximum(looked_at, 1e-10))
    return whole
