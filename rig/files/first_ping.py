"""Where the first ping of a sound file stands, and whether it can be that.

The first ping's mark is the first sound that the plan's pulse finds and that comes again in the
pings that follow.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.ping.first_sound.arrivals import first_arrival, in_doubt
from dsp.ping.first_sound.other_sweep import sweeps_otherwise
from dsp.ping.first_sound.train_start import begun_alone, train_begun
from dsp.ping.samples.opening_filter import OpeningFilter
from rig.bench.believed_speed import believed_speed_m_s
from rig.bench.capture import LEAD_S, MOST_DRIFT, StreamInfo
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.errors import RecordingError
from rig.files.sound_samples import MOST_AT_ONCE, STEP, loudest, read_samples

_MOST_LOOKS = 3
"""So many stretches of its own are searched for where a train begins. Chosen: one shows what
stands ahead of the sound that was found, the next that nothing does."""

_PINGS_THAT_FOLLOW = (7, 3, 1, 0)
"""A sound is a ping's if it comes again in most of so many that follow; of fewer where there
are no more. Where none does, as in a file of one ping, it is the first sound."""

_AS_LOUD = 4.0
"""A ping's loudest may be so much louder than another's: 12 dB."""

_FLANK_LOBES = 2.0
"""So much of what is not in the file is looked at beside it: a pulse at its very start then has
a rising side, and its top is between bins. Few enough that noise is weighed by noise."""

_WEAKEST_DB = -80.0
"""Relative to the file's loudest sample: what is weaker is rounding, not a pulse."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Begun:
    """Where the first pulse starts, and what makes that doubtful, in words."""

    first_sample: float
    doubt: str


class FirstPing:
    """Looks for the plan's pulse in the channel that holds the marks.

    Attributes
    ----------
    comes_again : bool
        Whether the first sound that was found comes again ping after ping.
    """

    def __init__(self, file: Any, path: Path, plan: Plan, info: StreamInfo) -> None:
        self._file, self._path = file, path
        self._pulses = pulses_of(plan)
        self._rate_hz = info.sample_rate_hz
        self._pulse = plan.pulse
        self._channel = info.microphone if info.loopback is None else info.loopback
        self._lead = round(LEAD_S * info.sample_rate_hz) + self._pulses[0].samples.size
        self._interval = plan.interval_samples
        self._way_s = plan.geometry.longest_way_s
        self._beyond = (last_echo_s(plan) - plan.pulse.duration_s) * info.sample_rate_hz
        self._step = min(plan.interval_samples, MOST_AT_ONCE)
        self._stretch = self._lead + self._step + self._pulses[0].samples.size
        self._filter = OpeningFilter(self._pulses, self._stretch)
        self._first_peak, self.comes_again = 0.0, False
        self._rounding_step = STEP.get(file.subtype, 0.0)
        self._weakest = loudest(file, path, self._channel) * 10 ** (_WEAKEST_DB / 20)

    def first(self) -> float:
        """Return where the first pulse starts, in samples.

        The file is gone through in stretches until one holds a sound that comes again ping
        after ping; then the stretch about it is searched once more, so that the pulse's side
        lobes at a stretch's end, or noise, are weighed against the pulse itself. What hum leaves
        where a stretch breaks off comes again, too, and is not there in another stretch. Where
        none comes again, as in a file of one ping, it is the first sound.
        """
        for follow in _PINGS_THAT_FOLLOW:
            # The lead is ahead of the file, so that a pulse at its very start has a flank.
            starts = range(-self._lead, self._file.frames, self._step)
            begun = (found for start in starts if (found := self._begun(start, follow)))
            unsure = None
            for seen in begun:
                found = self._stands(seen, follow)
                if found is not None:
                    break
                unsure = unsure or seen
            else:
                found = unsure
            if found is None:
                continue
            if found.doubt:
                raise RecordingError(
                    f"{self._path}: {found.doubt}; give a recording with a louder direct "
                    "sound, of more pings, or with a loopback wire"
                )
            self._first_peak = self._peak(round(found.first_sample), 0)
            self.comes_again = follow > 0
            return found.first_sample
        raise RecordingError(
            f"{self._path}: the plan's pulse is not in channel {self._channel + 1}; "
            "give the plan that it was sent with, or a louder recording"
        )

    def left_out(self, first_sample: float) -> str:
        """Say, in words, what comes again ahead of the first ping and does not keep its beat.

        So do the pings ahead of a slip. One alone is not told from a knock.
        """
        cycle = self._interval * len(self._pulses)
        for start in range(-self._lead, round(first_sample) - cycle, self._step):
            seen = self._begun(start, 1)
            found = None if seen is None else self._stands(seen, 1)
            if found is not None and found.first_sample < first_sample - self._interval / 2:
                return (
                    f"pings seem to be heard from {max(found.first_sample, 0) / self._rate_hz:.2f} "
                    f"s on, and keep one beat with those that follow from "
                    f"{first_sample / self._rate_hz:.2f} s on only: those before are left out; the "
                    "stream may have slipped"
                )
        return ""

    def _stands(self, found: _Begun, follow: int) -> _Begun | None:
        """Return where a train begins in a stretch of its own; None where it does not stand still.

        Each stretch that shows another sound first is searched about that one.
        """
        last = self._file.frames - 1 - follow * self._interval * len(self._pulses)
        last = last if follow else self._file.frames
        still = self._filter.shape().width_s / 2 * self._rate_hz
        for looks in range(_MOST_LOOKS):
            near = round(found.first_sample) - self._lead
            again = self._begun(min(near, last), follow)
            if again is None:
                return None
            if abs(again.first_sample - found.first_sample) < still:
                # What makes it doubtful stands in a stretch that begins sooner, too.
                sooner = self._begun(min(near - self._lead, last), follow) if again.doubt else None
                if sooner is None or abs(sooner.first_sample - again.first_sample) > still:
                    return again
                return again if sooner.doubt else sooner
            if looks and not found.doubt and found.first_sample < again.first_sample:
                # What one look about it takes for the first, and the next does not, is open.
                if again.doubt:
                    return again
                if self._is_there(near, found):
                    ahead_ms = 1e3 * (again.first_sample - found.first_sample) / self._rate_hz
                    doubt = (
                        f"what stands {ahead_ms:.2f} ms ahead of a strong sound may be the first"
                    )
                    return dataclasses.replace(again, doubt=doubt)
            found = again
        return None

    def _is_there(self, start: int, found: _Begun) -> bool:
        """Say whether a sound that was found in another stretch stands in this one, too.

        What hum leaves where a stretch breaks off is gone, or less than half.
        """
        shape = self._filter.shape()
        half = math.ceil(shape.width_s / shape.bin_s / 2)

        def height(begin: int) -> float:
            place = round((found.first_sample - begin) / self._rate_hz / shape.bin_s)
            about = np.abs(self._envelope(begin, 0)[max(place - half, 0) : place + half + 1])
            return float(about.max(initial=0.0))

        return height(start) > height(start - self._lead) / 2

    def _begun(self, start: int, follow: int) -> _Begun | None:
        """Find where a train of more than so many pings begins, within a step from a sample on."""
        cycle = self._interval * len(self._pulses)
        if follow and start + follow * cycle >= self._file.frames:
            return None
        shape = self._filter.shape()
        held = self._held(start)
        envelope = self._envelope(start, 0)[held]
        if envelope.size == 0 or np.abs(envelope).max() < self._weakest:
            return None
        if follow == 0:
            train = begun_alone(envelope, shape, way_s=self._way_s)
        else:
            train = train_begun(
                envelope,
                (self._envelope(start + k * cycle, 0)[held] for k in range(1, follow + 1)),
                shape,
                drift_bins=MOST_DRIFT * cycle / (shape.bin_s * self._rate_hz),
                stop_s=(self._lead + self._step) / self._rate_hz - held.start * shape.bin_s,
                # Rounding to even steps is noise of step/√12 (W. R. Bennett 1948).
                least_noise=self._rounding_step / math.sqrt(12) * shape.noise_gain,
                way_s=self._way_s,
            )
        if train is None or train.first.amplitude < self._weakest:
            return None
        first = train.first
        # One code of a pair comes again, too, when it is compressed by the other.
        place, reach = round(first.delay_s / shape.bin_s), math.ceil(shape.reach_s / shape.bin_s)
        around = slice(max(place - reach, 0), place + reach + 1)
        if any(
            np.abs(self._envelope(start, turn)[held][around]).max() > np.abs(envelope[around]).max()
            for turn in range(1, len(self._pulses))
        ):
            return None
        return _Begun(
            first_sample=start + (held.start * shape.bin_s + first.delay_s) * self._rate_hz,
            doubt="" if train.ahead is None else in_doubt(first, train.ahead),
        )

    def _held(self, start: int) -> slice:
        """Return the bins of a stretch in which a pulse lies within the file, and a flank.

        Beyond is no quiet by which noise may be weighed: all noise within would stand out of it.
        """
        shape = self._filter.shape()
        bin_samples = shape.bin_s * self._rate_hz
        flank = _FLANK_LOBES * shape.width_s * self._rate_hz
        last = self._file.frames - self._pulses[0].samples.size + flank - start
        return slice(
            max(math.floor((-flank - start) / bin_samples), 0),
            max(math.ceil(last / bin_samples) + 1, 0),
        )

    def refuse_the_middle(self, first_sample: float) -> None:
        """Refuse a file whose first sound that comes again may be an echo.

        So it is where a file begins, or slips, between a direct sound and its echoes. The direct
        sound then comes later: louder, and too late for an echo from within the plan's ranges.

        Raises
        ------
        RecordingError
            Where such a sound comes again, and what may be the one before it was heard ahead of
            the first, or is not in the file.
        """
        cycle = self._interval * len(self._pulses)
        near = 2 * self._filter.shape().width_s * self._rate_hz + MOST_DRIFT * cycle
        due = first_sample + cycle
        beyond = due - self._interval + self._beyond + near
        if beyond >= due - near:
            return
        # In a file of one ping no pulse is there when the next is due, and noise is no sound.
        own = max(self._loudest(at - near, at + near)[0] for at in (first_sample, due))
        louder, place = self._loudest(beyond, due - near)
        if louder <= own:
            return
        again, _ = self._loudest(place + cycle - near, place + cycle + near)
        before, _ = self._loudest(first_sample - self._interval, first_sample - near)
        is_in_the_file = place >= cycle
        if again < louder / _AS_LOUD or (is_in_the_file and before < louder / _AS_LOUD):
            return
        after_ms = 1e3 * (place - first_sample) / self._rate_hz
        raise RecordingError(
            f"{self._path}: seems to begin, or to slip, in the middle of a ping: a sound "
            f"{20 * math.log10(louder / own):.0f} dB louder than the first comes {after_ms:.1f} ms "
            "later, from beyond the plan's ranges; give a recording that begins ahead of its "
            f"first ping, as this one does after {place / self._rate_hz - LEAD_S:.3f} s, or a "
            "range_stop_m that reaches that sound"
        )

    def refuse_another_sweep(self, first_sample: float) -> None:
        """Refuse a file whose first sound is far rather a chirp of another sweep than the plan's.

        Raises
        ------
        RecordingError
        """
        pulse, start = self._pulse, round(first_sample) - self._lead
        if pulse.coupling_s and sweeps_otherwise(
            self._filter.plain_envelope(self._samples(start)),
            self._filter.plain[0].shape,
            (first_sample - start) / self._rate_hz,
            duration_s=pulse.duration_s,
            sweep_s_per_hz=pulse.coupling_s / pulse.centre_hz,
        ):
            raise RecordingError(
                f"{self._path}: its first sound is no {pulse.words} of "
                f"{1e3 * pulse.duration_s:g} ms: it sweeps otherwise; give the plan that it was "
                "sent with"
            )

    def _loudest(self, begin: float, end: float) -> tuple[float, float]:
        """Return how loud the pulse is at its loudest between two samples, and where it is so."""
        start = max(round(begin), round(end) - self._step)
        bin_samples = self._filter.shape().bin_s * self._rate_hz
        envelope = np.abs(self._envelope(start, 0)[: math.ceil((end - start) / bin_samples) + 1])
        top = int(envelope.argmax())
        return float(envelope[top]), start + top * bin_samples

    def is_sounding(self, mark_sample: float, pulse_index: int) -> bool:
        """Whether that pulse stands out anywhere in the ping whose mark is due there.

        It is held to the loudest of the first ping as well: where echoes come thick,
        none of them need stand out from the rest.
        """
        start = round(mark_sample) - self._lead
        envelope = self._envelope(start, pulse_index)[self._held(start)]
        loudest = float(np.abs(envelope).max(initial=0.0))
        if loudest > self._first_peak / _AS_LOUD:
            return True
        first = first_arrival(envelope, self._filter.shape(pulse_index))
        return first is not None and min(loudest, first.amplitude) >= self._weakest

    def _peak(self, start: int, pulse_index: int) -> float:
        return float(np.abs(self._envelope(start, pulse_index)).max())

    def _envelope(self, start: int, pulse_index: int) -> NDArray[np.complex64]:
        """Compress a stretch of the marks' channel; an echo of amplitude 1 gives 1."""
        return self._filter.envelope(self._samples(start), pulse_index)

    def _samples(self, start: int) -> NDArray[np.float32]:
        """Read a stretch of the marks' channel."""
        channels = read_samples(self._file, self._path, start, self._stretch)
        samples: NDArray[np.float32] = channels[self._channel]
        return samples


def last_echo_s(plan: Plan) -> float:
    """From the mark to the end of an echo from the plan's farthest range."""
    geometry = plan.geometry
    path_m = 2 * math.hypot(plan.receiver.range_stop_m, geometry.baseline_m / 2)
    if geometry.time_zero == "direct":
        path_m -= geometry.baseline_m
    return path_m / believed_speed_m_s(plan.medium) + plan.pulse.duration_s
