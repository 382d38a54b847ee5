"""The pulse as it comes out of the transducers, taken from a sound that stands clear."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.equalising import Replica, equalisation, measured_replica
from dsp.ping.pulse.peaks import crest_near
from dsp.ping.pulse.pulses import Pulse
from rig.bench.plan import Plan
from rig.bench.stored_calibration import StoredReplica
from rig.bench.waveforms import pulses_of
from rig.measure.calibrate.echoes import HeardTarget
from rig.measure.calibrate.runs import HOLD_S, Start, lined_up, magnitude_at, noise_rms_of

NEIGHBOUR, CLOSE_NEIGHBOUR = 0.2, 0.7
"""A sound of less than this share of an echo's amplitude is taken to be the transducers'
own answer and no other echo; the second, within three widths of an echo. A coloured
pulse is no exact copy of the one that was sent, and leaves such companions."""

SPARE_DB = 10.0
"""An equalised echo of the kind that was listened to must stand this far above the
detection threshold in a single ping."""

MOST_COST_DB = 20.0
"""Unless told otherwise no more is paid. Deeper down lie the clicks of a pulse's ends,
which other sounds than the one that was listened to have in other measure: what is lifted
there shows as echoes a pulse's length away."""


def replica_of(
    plan: Plan,
    first: Start,
    heard: Sequence[HeardTarget],
    speed_m_s: float,
    notes: list[str],
    *,
    most_cost_db: float | None,
) -> StoredReplica | None:
    """Take the pulse from the clearest known echo that stands alone, or the direct sound."""
    sources = sorted(
        (
            _Source(
                name="echo",
                start=h.start,
                delay_s=h.delay_s,
                amplitude=10 ** (h.echo.strength_db / 20),
                snr_db=h.echo.snr_db,
            )
            for h in heard
        ),
        key=lambda s: -s.snr_db,
    )
    direct = _direct_source(first)
    if direct is not None:
        sources.append(direct)
    for source in sources:
        gate_s = source.gate_s()
        if gate_s is None:
            continue
        replicas = _replicas(source, gate_s)
        spare_db = most_cost_db
        if spare_db is None:
            spare_db = _spare_db(source, plan)
        found = equalisation(replicas[0].pulse, most_cost_db=max(spare_db, 0.1))
        return StoredReplica(
            source=source.name,
            replicas=replicas,
            snr_db=source.snr_db,
            floor=found.floor,
            band_hz=found.band_hz,
            resolution_m=found.width_s * speed_m_s / 2,
            plain_resolution_m=found.plain_width_s * speed_m_s / 2,
            noise_cost_db=found.noise_cost_db,
        )
    notes.append("no sound stood far enough from others to take the pulse from it")
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Source:
    """A sound from which the pulse may be taken."""

    name: str
    start: Start
    delay_s: float
    amplitude: float
    snr_db: float

    def gate_s(self) -> tuple[float, float] | None:
        """Return how much of the answer stands clear, before and after; None if too little."""
        width_s = self.start.receiver.shape.width_s
        others = [
            (e.delay_s, 10 ** (e.strength_db / 20)) for e in self.start.run.measurement.echoes
        ]
        others.append((self.start.direct_s, magnitude_at(self.start, self.start.direct_s)))
        loud = []
        for delay_s, amplitude in others:
            apart_s = delay_s - self.delay_s
            share = CLOSE_NEIGHBOUR if abs(apart_s) < 3 * width_s else NEIGHBOUR
            if amplitude > share * self.amplitude and abs(apart_s) > width_s / 2:
                loud.append(apart_s)
        before_s = min([4 * width_s, HOLD_S / 2, *(-d / 2 for d in loud if d < 0)])
        after_s = min([12 * width_s, *(d / 2 for d in loud if d > 0)])
        if before_s < width_s or after_s < 1.5 * width_s:
            return None
        return before_s, after_s


def _direct_source(start: Start) -> _Source | None:
    """Return the direct sound as a source, where it is what the pings are timed by."""
    if start.receiver.plan.geometry.time_zero != "direct" or start.run.measurement.profile is None:
        return None
    amplitude = magnitude_at(start, start.direct_s)
    shape, pings = (
        start.receiver.shape,
        start.run.measurement.pings - start.run.measurement.lost_pings,
    )
    noise = noise_rms_of(start) * shape.noise_gain / math.sqrt(pings)
    if amplitude <= 0 or noise <= 0:
        return None
    return _Source(
        name="direct",
        start=start,
        delay_s=start.direct_s,
        amplitude=amplitude,
        snr_db=20 * math.log10(amplitude / noise) + 10 * math.log10(2),
    )


def _replicas(source: _Source, gate_s: tuple[float, float]) -> tuple[Replica, ...]:
    """Take each of the plan's pulses out of the run's pings."""
    start = source.start
    found = []
    for index, pulse in enumerate(pulses_of(start.receiver.plan)):
        heard, noise_rms = lined_up(start, index)
        replica = measured_replica(
            heard,
            pulse,
            delay_s=HOLD_S + source.delay_s,
            before_s=gate_s[0],
            after_s=gate_s[1],
            noise_rms=noise_rms,
        )
        found.append(_placed_alike(replica, pulse))
    return tuple(found)


def _placed_alike(replica: Replica, pulse: Pulse) -> Replica:
    """Return the replica with its instant where the filter that finds the marks has it.

    A coloured pulse has no one instant: each filter places it by its own part of the
    band. Time zero and echoes must go by the same.
    """
    rate, room = pulse.sample_rate_hz, pulse.samples.size
    samples = replica.pulse.samples
    block = np.concatenate([np.zeros(room), samples, np.zeros(2 * room)]).astype(np.float32)
    compress = PulseCompressor(pulse, block.size, weighting="hann")
    envelope = compress(block)
    place, _ = crest_near(envelope, compress.shape, 0, envelope.size)
    place_s = place * compress.shape.bin_s
    return dataclasses.replace(replica, lead_s=place_s - room / rate)


def _spare_db(source: _Source, plan: Plan) -> float:
    """Return how much of one ping's SNR can be given away."""
    pings = source.start.run.measurement.pings - source.start.run.measurement.lost_pings
    single_db = source.snr_db - 10 * math.log10(pings)
    threshold_db = 10 * math.log10(-2 * math.log(plan.receiver.false_alarm_rate))
    return float(np.clip(single_db - threshold_db - SPARE_DB, 1.0, MOST_COST_DB))
