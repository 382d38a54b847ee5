"""A bench as echoes go through it: beam, pulse and medium."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.physics.absorption import absorption_db_m
from dsp.physics.beams import beam_amplitude
from dsp.ping.ranging import path_from_range_m
from dsp.ping.search.search import lead_bins
from rig.bench.capture import LEAD_S, StreamInfo
from rig.bench.plan import Plan
from rig.run.receiver import Receiver


class Bench:
    """A plan's beam, pulse and medium, as echoes go through them."""

    def __init__(self, plan: Plan, heard: Receiver) -> None:
        if plan.receiver.weighting == "equalised":
            plan = dataclasses.replace(
                plan, receiver=dataclasses.replace(plan.receiver, weighting="none")
            )
        info = dataclasses.replace(
            heard.info, sample_rate_hz=plan.timing.sample_rate_hz, step=0.0, knows_leaving=True
        )
        self.plan = plan
        self.info: StreamInfo = info
        self.receiver = Receiver(plan, info)
        self.coupling_s = plan.pulse.coupling_s
        whole = self.receiver.shapes
        # As far as echoes are looked for, and some noise to tell them from; no farther.
        room_s = plan.timing.ping_interval_s - LEAD_S - plan.pulse.duration_s
        needed = self.receiver.search.searched_bins(whole[0])
        self.bins = min(int(room_s / whole[0].bin_s) + 1, needed)
        self.lead = lead_bins(whole[0])
        self.shapes = tuple(shape.for_bins(self.lead + self.bins) for shape in whole)
        shape = self.shapes[0]
        self._frequency_hz = shape.carrier_hz + shape.offset_hz
        medium = plan.medium
        self._nepers_m = absorption_db_m(medium.kind, self._frequency_hz, **medium.state) * (
            math.log(10) / 20
        )

    def spread(self, range_m: ArrayLike, angle_rad: ArrayLike) -> NDArray[np.float64]:
        """Amplitude out and back over the band, from 1 m on the axis, shape (…, band).

        Spreading, absorption and the beam.
        """
        r = np.asarray(range_m, dtype=np.float64)[..., np.newaxis]
        face, c = self.plan.transducer, self.receiver.sound_speed_m_s
        angle = np.asarray(angle_rad, dtype=np.float64)[..., np.newaxis]
        beam = beam_amplitude(face.shape, face.size_m, c / self._frequency_hz, angle, ways=2)
        return np.asarray(beam * np.exp(-2 * self._nepers_m * r) / r**2)

    def absorbed(self, range_m: float) -> NDArray[np.float64]:
        """Amplitude that is left of each frequency after the way out and back."""
        return np.asarray(np.exp(-2 * self._nepers_m * range_m))

    def amplitude(self, response: NDArray[np.float64]) -> NDArray[np.float64]:
        """Height of a compressed echo of which each frequency has been through a response."""
        return np.asarray(np.abs(response @ self.shapes[0].weights))

    def delay_s(self, range_m: ArrayLike) -> NDArray[np.float64]:
        """Delay of an echo from a range."""
        path_m = path_from_range_m(range_m, self.plan.geometry.baseline_m)
        return np.asarray(path_m / self.receiver.sound_speed_m_s)

    def met_s(self, sent_s: NDArray[np.float64], range_m: float) -> NDArray[np.float64]:
        """When the middle of the pulse meets a target at about a range."""
        return sent_s + self.plan.pulse.duration_s / 2 + float(self.delay_s(range_m)) / 2
