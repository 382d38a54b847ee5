"""From a block of samples to a profile, as a plan asks.

A :class:`Receiver` is planned once for a stream: its replicas, the sound speed
and how sure it is. Its methods are then pure: the same block gives the same
numbers, live or replayed.
"""

from __future__ import annotations

import dataclasses
import functools
import itertools
import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.physics import medium
from dsp.physics.beams import half_power_half_angle_rad
from dsp.ping import ranging
from dsp.ping.first_sound.went_through import ALONE, late_by_shape
from dsp.ping.noise.noise import fewest_bins
from dsp.ping.noise.turns import in_the_other
from dsp.ping.pulse.compression import PulseCompressor, energy_band_hz
from dsp.ping.pulse.echo_shape import EchoShape, mean_shape
from dsp.ping.pulse.peaks import Peak, crest_near
from dsp.ping.pulse.profiles import EchoProfile
from dsp.ping.pulse.pulses import Pulse
from dsp.ping.samples.holes import has_holes
from dsp.ping.search.search import lead_bins
from rig.bench.believed_speed import believed_speed
from rig.bench.capture import LEAD_S, LOSS, CaptureBlock, StreamInfo
from rig.bench.front_end_names import BOARDS
from rig.bench.plan import Plan
from rig.bench.stored_calibration import Calibration, StoredReplica
from rig.bench.waveforms import pulses_of
from rig.errors import CalibrationError, PlanError
from rig.run.budget import RangeModel
from rig.run.compressors import compressor_for
from rig.run.echo_search import EchoSearch
from rig.run.marks import MarkSearch
from rig.run.pair import Pair
from rig.run.results import MarkBias, TimeZero
from rig.run.spectra import Spectra


class Receiver:
    """What is done with each block of one stream.

    Parameters
    ----------
    plan : Plan
        Its sample rate gives way to the stream's own.
    info : StreamInfo
    calibration : Calibration, optional
        Of this bench, checked. A sound speed that was measured stands in for the
        formula's, which only carries it on to the plan's temperature.

    Attributes
    ----------
    plan : Plan
        At the stream's rate.
    info : StreamInfo
    calibration : Calibration or None
    sound_speed_m_s, u_sound_speed_m_s : float
        Of the plan's medium, at the sensor.
    u_drift_m_s : float
        How far it may stand from its mean in any ping, as the plan knows its temperature and
        what else it hangs on.
    marks : MarkSearch
        Finds the time-zero mark of a block.
    pair : Pair or None
        Of the plan's two receivers; None where it has one.

    Raises
    ------
    PlanError
        Where the stream cannot be used with the plan: no such loopback channel,
        or a rate that is too low for the pulse.
    CalibrationError
        Where the plan needs a calibration and there is none, or it lacks what is needed.
    """

    def __init__(
        self, plan: Plan, info: StreamInfo, *, calibration: Calibration | None = None
    ) -> None:
        try:
            self.plan = plan = plan.at_rate(info.sample_rate_hz)
        except ValueError as problem:
            raise PlanError(f"plan: {problem}") from problem
        if plan.geometry.time_zero == "loopback" and info.loopback is None:
            raise PlanError(
                f'geometry.time_zero: found "loopback", but {info.device} gives '
                f"{info.channels} channel(s) and no loopback; wire the sent pulse to channel "
                f'{plan.geometry.loopback_channel}, or give "direct"'
            )
        if plan.geometry.second is not None and info.second is None:
            raise PlanError(
                f"geometry.second_channel: found {plan.geometry.second_channel}, but {info.device} "
                "has no second receiver; leave second_channel and second_spacing_m out"
            )
        self.info = info
        self.calibration = calibration
        self._check_leaving_known()
        self._sent = pulses = pulses_of(plan)
        weighting = plan.receiver.weighting
        self._leads_s = (0.0,) * len(pulses)
        if weighting == "equalised":
            replica = self._stored_replica()
            self._leads_s = tuple(r.lead_s for r in replica.replicas)
            self._compressors = tuple(
                PulseCompressor(
                    r.pulse,
                    plan.interval_samples,
                    weighting=weighting,
                    floor=replica.floor,
                    band_hz=replica.band_hz,
                )
                for r in replica.replicas
            )
        else:
            bands = [energy_band_hz(p) for p in pulses]
            # Pulses that take turns are compressed on one grid, so that they add up.
            band_hz = (min(b[0] for b in bands), max(b[1] for b in bands))
            self._compressors = tuple(
                compressor_for(p, plan.interval_samples, weighting=weighting, band_hz=band_hz)
                for p in pulses
            )
        self._spectra = Spectra(self._compressors, channels=2 if info.second is None else 3)
        self.marks = MarkSearch(
            plan, info, pulses, self._spectra, fft_samples=self._compressors[0].fft_samples
        )
        self._check_room_for_noise()
        believed = believed_speed(
            plan.medium, None if calibration is None else calibration.sound_speed
        )
        self.sound_speed_m_s = believed.speed_m_s
        self.u_sound_speed_m_s = believed.u_speed_m_s
        self.u_drift_m_s = believed.u_drift_m_s
        self.pair = None
        if plan.geometry.second is not None:
            self.pair = Pair(
                plan,
                sound_speed_m_s=self.sound_speed_m_s,
                u_sound_speed_m_s=self.u_sound_speed_m_s,
                stored=None if calibration is None else calibration.second,
            )
        face, wavelength_m = plan.transducer, self.sound_speed_m_s / plan.pulse.centre_hz
        self.range_model = RangeModel(
            plan=plan,
            info=info,
            sound_speed_m_s=self.sound_speed_m_s,
            speed_terms_m_s=believed.terms_m_s,
            speed_per_c_m_s=medium.sound_speed_slopes(plan.medium.kind, **plan.medium.state)[
                "temperature"
            ],
            half_angle_rad=half_power_half_angle_rad(face.shape, face.size_m, wavelength_m),
        )

    def _check_leaving_known(self) -> None:
        if self.plan.geometry.time_zero != "calibration" or self.info.knows_leaving:
            return
        found = f'geometry.time_zero: found "calibration", but {self.info.device} cannot say '
        remedy = 'run `echobench calibrate` on it, or give "direct"'
        if self.calibration is None:
            raise CalibrationError(
                f"{found}when a pulse leaves, and no calibration is at hand; {remedy}"
            )
        if self.calibration.time_zero is None:
            raise CalibrationError(f"{found}it, and the calibration could not either; {remedy}")

    def _stored_replica(self) -> StoredReplica:
        """Return the pulses as they were heard, for an equalised compression."""
        found = 'receiver.weighting: found "equalised", which needs the pulse as it was heard'
        if self.calibration is None:
            raise CalibrationError(f'{found}; run `echobench calibrate`, or give "none" or "hann"')
        replica = self.calibration.replica
        if replica is None:
            raise CalibrationError(
                f"{found}, and the calibration has none; calibrate again with an echo that stands "
                "clear of others"
            )
        geometry = self.plan.geometry
        latest_m = (LEAD_S - max(r.lead_s for r in replica.replicas)) * 300
        if geometry.time_zero == "direct" and geometry.baseline_m > latest_m:
            raise PlanError(
                f"geometry.baseline_m: found {geometry.baseline_m:g}; give at most {latest_m:.2g} "
                'with receiver.weighting = "equalised", or time_zero = "loopback"'
            )
        return replica

    @functools.cached_property
    def search(self) -> EchoSearch:
        """Finds the echoes in the stream's profiles."""
        return EchoSearch(
            self.range_model,
            pulses=self._sent,
            pulse_shapes=self.shapes,
            shape=self.shape,
            pair=self.pair,
            last_echo_s=self.last_echo_s,
        )

    @property
    def lead_s(self) -> float:
        """The pulse must leave so long after a block's start, or later."""
        return max(self._leads_s)

    @functools.cached_property
    def last_echo_s(self) -> float:
        """From the pulse's leaving to the end of an echo from the plan's farthest range."""
        path_m = ranging.path_from_range_m(
            self.plan.receiver.range_stop_m, self.plan.geometry.baseline_m
        )
        return float(path_m) / self.sound_speed_m_s + self._compressors[0].pulse.duration_s

    @functools.cached_property
    def shape(self) -> EchoShape:
        """What an echo of the plan's pulse, or of its pair of pulses, looks like."""
        return mean_shape(self.shapes)

    @property
    def shapes(self) -> tuple[EchoShape, ...]:
        """What an echo of each of the plan's pulses looks like, in the order of their turns."""
        return tuple(c.shape for c in self._compressors)

    @functools.cached_property
    def _filtered(self) -> tuple[PulseCompressor, ...]:
        """The compressors of blocks that hum or rumble was taken out of."""
        return self._spectra.filtered(self._compressors)

    def shape_of(self, pulse: int, *, filtered: bool) -> EchoShape:
        """Return what an echo of a pulse looks like, if need be where hum was taken out."""
        return (self._filtered if filtered else self._compressors)[pulse].shape

    def is_filtered(self, profile: EchoProfile) -> bool:
        """Say whether hum or rumble was taken out of one ping's profile."""
        return profile.shape not in self.shapes

    @property
    def pulses(self) -> tuple[Pulse, ...]:
        """The pulses that take turns, as they are matched."""
        return tuple(c.pulse for c in self._compressors)

    @property
    def half_angle_rad(self) -> float:
        """Of the half-power cone, out and back; π/2 for a beam that falls so far nowhere."""
        return self.range_model.half_angle_rad

    @functools.cached_property
    def centre_hz(self) -> float:
        """Where an echo's spectrum is centred."""
        return self.shape.centre_hz

    @property
    def wavelength_m(self) -> float:
        """Of the pulse's centre, in the medium: of a band that folds down, where it was sent."""
        sent = self.plan.timing.band_sampling
        return self.sound_speed_m_s / (self.plan.pulse.centre_hz if sent else self.shape.centre_hz)

    def _check_room_for_noise(self) -> None:
        """Refuse a pulse so narrow in band that a block holds no noise to compare it with."""
        for compress in (*self._compressors, *self.marks.compressors):
            needed_s = fewest_bins(compress.shape) * compress.bin_s + LEAD_S
            if needed_s > float(compress.delay_s[-1]):
                interval_s = needed_s + compress.pulse.duration_s
                raise PlanError(
                    f"timing.ping_interval_s: found {self.plan.timing.ping_interval_s:g}, in which "
                    "so narrow a pulse leaves no noise to be told from; give at least "
                    f"{interval_s:.2g}, or a shorter pulse"
                )

    def has_holes(self, block: CaptureBlock) -> bool:
        """Say whether samples of a block are missing on any channel, amid sound."""
        pulse_samples = self.pulses[block.pulse_index].samples.size
        return any(has_holes(samples, pulse_samples) for samples in block.samples)

    def time_zero(self, mark: Peak, bias: MarkBias) -> TimeZero:
        """Return when the pulse left, given its mark and what the stream's marks are off by."""
        geometry = self.plan.geometry
        travel_s, pull_s = 0.0, mark.u_pull_s if bias.whole else 0.0
        if geometry.time_zero == "direct":
            travel_s = geometry.baseline_m / self.sound_speed_m_s
        return TimeZero(
            method=geometry.time_zero,
            delay_s=mark.delay_s + bias.late_s - travel_s,
            u_delay_s=math.sqrt(mark.u_delay_s**2 - pull_s**2),
            mark_s=mark.delay_s,
            amplitude=mark.amplitude,
            phase_rad=mark.phase_rad - bias.turn_rad,
            u_shape_s=bias.u_shape_s,
        )

    def mark_bias(self, block: CaptureBlock, mark: Peak) -> MarkBias:
        """Return what a mark's shape says of its place.

        Marks are found by a weighted compression, echoes as the plan asks. Both place a copy of
        the pulse alike, and what a filter made of it not: such a mark is placed by the echoes'
        compression, less what it is late by for what it alone went through.
        """
        equalised = self.plan.receiver.weighting == "equalised"
        spectrum = self._spectra.of(block, self.marks.channel)
        filtered = self._spectra.rumbled(block, self.marks.channel)
        compressors = self._filtered if filtered else self._compressors
        sent = (self.marks.compressors if equalised else compressors)[block.pulse_index]
        shape = sent.shape
        band = sent.matched(spectrum)
        envelope = sent.from_time_zero(band, 0.0)
        reach = max(1, round(shape.width_s / 2 / shape.bin_s))
        place, height = crest_near(envelope, shape, round(mark.delay_s / shape.bin_s), reach)
        crest = dataclasses.replace(mark, delay_s=place * shape.bin_s, amplitude=height)
        # Nothing else that the speaker does goes down a wire.
        alone = 1.0 if self.plan.geometry.time_zero == "loopback" else ALONE
        found = late_by_shape(envelope, shape, crest, alone=alone)
        if found.copy and mark.u_pull_s == 0:
            return MarkBias()
        # Of what was cut off and reckoned back the shape is not known so well.
        if equalised or self._spectra.uncut(block, self.marks.channel) is not None:
            return MarkBias(u_shape_s=math.hypot(found.late_s, found.u_late_s))
        late_s = crest.delay_s - mark.delay_s - found.late_s
        return MarkBias(late_s=late_s, u_shape_s=found.u_late_s, whole=not found.bounded)

    def known_time_zero(self, block: CaptureBlock) -> TimeZero:
        """Return the pulse's leaving as the front end or a stored calibration knows it."""
        leaving_s, u_leaving_s = block.mark_s, self.info.u_leaving_s
        if not self.info.knows_leaving and self.calibration is not None:
            stored = self.calibration.time_zero
            if stored is not None:
                placed = block.start_sample - block.index * self.plan.interval_samples
                leaving_s = stored.latency_s - placed / self.info.sample_rate_hz
                u_leaving_s = stored.u_latency_s
        return TimeZero(
            method="calibration", delay_s=leaving_s, u_delay_s=u_leaving_s, mark_s=leaving_s
        )

    def look_ahead(self, blocks: Sequence[CaptureBlock]) -> None:
        """Take at once what all of some blocks are going to be asked for.

        Each block may then be gone over by itself, as if nothing had been taken ahead.
        """
        whole = [
            block
            for block in blocks
            if not block.flags & LOSS and block.samples.shape[1] == self.plan.interval_samples
        ]
        for channel in self._heard_on:
            self._spectra.take([b for b in whole if not b.confirms_only], channel)
        if self.plan.geometry.time_zero != "calibration" or self.info.can_slip:
            self.marks.look_ahead(whole)

    def profile(self, block: CaptureBlock, time_zero: TimeZero) -> EchoProfile:
        """Compress the microphone's channel; the first bin stands at the pulse's leaving."""
        (profile,) = self.profiles([(block, time_zero)])
        return profile

    def profiles(self, placed: Sequence[tuple[CaptureBlock, TimeZero]]) -> list[EchoProfile]:
        """Compress the microphone's channel of several blocks, each by its own time zero.

        So is a second receiver's, where the plan has one: as the profile beside each.
        """
        first, *second = (self._profiles(placed, channel) for channel in self._heard_on)
        return (
            [
                dataclasses.replace(profile, beside=beside)
                for profile, beside in zip(first, second[0], strict=True)
            ]
            if second
            else first
        )

    @property
    def _heard_on(self) -> tuple[int, ...]:
        """The channels that echoes are heard on, from 0: the microphone's, and the second's."""
        second = self.info.second if self.plan.geometry.second is not None else None
        return (self.info.microphone,) if second is None else (self.info.microphone, second)

    def _profiles(
        self, placed: Sequence[tuple[CaptureBlock, TimeZero]], channel: int
    ) -> list[EchoProfile]:
        """Compress one channel of several blocks."""
        made: dict[CaptureBlock, EchoProfile] = {}
        turns = range(len(self._compressors))
        for pulse, filtered in itertools.product(turns, (False, True)):
            same = [
                (block, zero)
                for block, zero in placed
                if block.pulse_index == pulse and self._spectra.rumbled(block, channel) == filtered
            ]
            if not same:
                continue
            compressors = self._filtered if filtered else self._compressors
            compress = compressors[pulse]
            matched = compress.matched_each([self._spectra.of(b, channel) for b, _ in same])
            most, bin_s = lead_bins(compress.shape), compress.bin_s
            starts_s = [max(zero.delay_s - self._leads_s[pulse], 0.0) for _, zero in same]
            leads = [min(most, int(start_s / bin_s)) for start_s in starts_s]
            # Where the block begins with so few bins, their number times one may exceed them
            # by a rounding.
            firsts_s = [
                max(start_s - lead * bin_s, 0.0)
                for start_s, lead in zip(starts_s, leads, strict=True)
            ]
            envelopes = compress.from_time_zeros(matched, np.array(firsts_s))
            unlike: Sequence[NDArray[np.complex64] | None] = [None] * len(same)
            if len(compressors) == 2:
                # With one of them turned, their average is half of what they differ by.
                share = in_the_other(compress.shape, compressors[1 - pulse].shape)
                share = share if pulse == 0 else -share
                unlike = compress.from_time_zeros(matched * share, np.array(firsts_s))
            for (block, zero), lead, first_s, envelope, other in zip(
                same, leads, firsts_s, envelopes, unlike, strict=True
            ):
                # Time zero is known from the mark's envelope, which is noisier than its
                # carrier: turned by the carrier, pings add up in phase and the side lobes of a
                # pair of codes cancel. The carrier's phase is counted from time zero, not
                # from the first bin ahead of it.
                phase_rad = 2 * math.pi * compress.shape.carrier_hz * (lead * bin_s)
                turn = np.complex64(np.exp(1j * (phase_rad - zero.phase_rad)))
                turned = envelope * turn
                turned.setflags(write=False)
                made[block] = EchoProfile(
                    envelope=turned[lead:],
                    ahead=turned[:lead],
                    bin_s=bin_s,
                    shape=compress.shape,
                    pulse_index=pulse,
                    unlike=None if other is None else other[lead:] * turn,
                    unsure=self._unsure(compress, block, channel, first_s, lead),
                )
        return [made[block] for block, _ in placed]

    def _unsure(
        self,
        compress: PulseCompressor,
        block: CaptureBlock,
        channel: int,
        first_s: float,
        lead: int,
    ) -> NDArray[np.float32] | None:
        """Return by what RMS a block's profile may be off where its input cut loud sound off."""
        uncut = self._spectra.uncut(block, channel)
        if uncut is None:
            return None
        ways = compress.from_time_zero(compress.band_spectrum(uncut.ways()), first_s)[:, lead:]
        power = np.einsum("wb,wb->b", ways.real, ways.real)
        power += np.einsum("wb,wb->b", ways.imag, ways.imag)
        return np.asarray(np.sqrt(power), dtype=np.float32)

    def is_cut(self, block: CaptureBlock) -> bool:
        """Say whether an input cut off what was looked at of a block; of a board it may."""
        if self.info.front_end in BOARDS:
            return False
        channels = {*self._heard_on, self.marks.channel}
        return any(self._spectra.uncut(block, channel) is not None for channel in channels)
