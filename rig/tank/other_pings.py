"""Pings of another bench in the same room, as they reach this one's receiver."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from rig.bench.pulse_kinds import PulseKind
from rig.errors import SceneError
from rig.tank.absorption import NEPER_DB, absorption_db_m
from rig.tank.faces import beam, resonance
from rig.tank.sampling import GUARD_SAMPLES, PulseSampler
from rig.tank.scene import Medium, OtherBench, Transducer


class OtherPings:
    """One other bench, ready to be heard.

    It sends by its own clock, so that its pings lie elsewhere in each of this bench's.

    Parameters
    ----------
    bench : OtherBench
    medium : Medium
    face : Transducer
        Of this bench's receiver.
    receiver_m : ndarray, shape (3,)
        Where that is.
    nearest_m : float
        Nothing is louder than it would be from so far away.
    sample_rate_hz : float
        The rate at which the samples really are taken.

    Raises
    ------
    SceneError
        Where its pulse cannot be made at that rate.
    """

    def __init__(
        self,
        bench: OtherBench,
        medium: Medium,
        face: Transducer,
        receiver_m: NDArray[np.float64],
        *,
        nearest_m: float,
        sample_rate_hz: float,
    ) -> None:
        sent: PulseKind = bench.pulse
        try:
            pulses = [pulse.samples for pulse in sent.pulses(sample_rate_hz, False)]
        except ValueError as problem:
            raise SceneError(f"other_bench.pulse: {problem}") from problem
        self._bench, self._rate_hz = bench, sample_rate_hz
        self._sampler = PulseSampler(pulses, sample_rate_hz)
        self._pulses, self._length_s = len(pulses), pulses[0].size / sample_rate_hz
        way = np.array(bench.position_m) - receiver_m
        way_m = max(float(np.linalg.norm(way)), nearest_m)
        self._comes_s = bench.first_s + way_m / medium.sound_speed_m_s
        frequency_hz = self._sampler.frequency_hz
        swallowed = np.exp(-way_m * absorption_db_m(medium, frequency_hz) / NEPER_DB)
        seen = beam(face, frequency_hz, (way / way_m)[np.newaxis], medium.sound_speed_m_s)
        loud = 10 ** (bench.level_db / 20) / way_m
        self._response = loud * swallowed * seen * resonance(face, frequency_hz)

    def heard(
        self, *, from_s: float, up_to_s: float, start: float, is_first: bool
    ) -> NDArray[np.float64]:
        """Return what begins to come between one ping of this bench and the next.

        Parameters
        ----------
        from_s, up_to_s : float
            When this bench's ping leaves, and its next, from its first.
        start : float
            Where this ping leaves, in samples of what is returned.
        is_first : bool
            Whether nothing was heard before: what began to come earlier is then among it.

        Returns
        -------
        ndarray of float64, shape (samples,)
            As long as there is something to hear.
        """
        # A copy begins a guard before the pulse: none is cut where one ping's samples end.
        shift_s = (start - GUARD_SAMPLES) / self._rate_hz
        first = self._number_after(from_s - shift_s - (self._length_s if is_first else 0.0))
        numbers = np.arange(first, self._number_after(up_to_s - shift_s))
        if not numbers.size:
            return np.zeros(0)
        comes_s = self._comes_s + numbers * self._bench.interval_s
        places = start + (comes_s - from_s) * self._rate_hz
        out = np.zeros(max(0, math.ceil(float(places[-1])) + self._sampler.samples))
        for number, place in zip(numbers.tolist(), places, strict=True):
            self._sampler.add(
                out,
                pulse_index=number % self._pulses,
                start=np.array([place]),
                response=self._response,
            )
        return out

    def _number_after(self, time_s: float) -> int:
        """Return the number of its first ping that comes at a time or later."""
        return math.ceil((time_s - self._comes_s) / self._bench.interval_s)
