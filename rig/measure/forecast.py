"""What a plan will show, before a ping is sent."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

from dsp.history.pair_beams import far_field_from_m
from dsp.physics import beams
from dsp.physics.discs import disc_points_from_m
from dsp.ping.pulse import bounds
from dsp.ping.ranging import range_from_path_m
from dsp.uncertainty import stated
from rig.bench.capture import StreamInfo
from rig.bench.plan import Plan
from rig.bench.waveforms import pulses_of
from rig.run.receiver import Receiver


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A plan's numbers, foretold.

    Attributes
    ----------
    sound_speed_m_s, u_sound_speed_m_s : float
        From the plan's medium, with its standard uncertainty.
    wavelength_m : float
        At the middle of the pulse's band.
    half_angle_rad : float
        From the axis to where an echo's power has fallen to half, out and back.
    near_field_m : float or None
        Nearer than this the beam is not yet a cone; None for a line.
    points_from_m : float or None
        From here on the discs are points; nearer, their parts hear a short pulse at
        different times. None for a line.
    footprint_m : tuple of float
        Width of the cone at the plan's first and last range; infinite where the
        transducer is too small to make one.
    resolution_m : float
        Two echoes closer than this in range run into one.
    blind_zone_m : float
        Nearer echoes come while the pulse still goes out. A compressed pulse sees
        into it once the direct sound has been taken away.
    longest_range_m : float
        An echo from beyond comes after the next ping and shows too near.
    compression_gain_db : float
        2E/N0 of an echo over its peak's square over the noise's: the pulse's energy
        in samples.
    threshold_snr_db : float
        2E/N0 that an echo must reach to be listed at the plan's false-alarm rate.
    range_deviation_at_threshold_m : float
        The Cramér–Rao bound there: the worst that a listed echo's noise does.
    nearest_range_m : float
        Nearer echoes run into the direct sound and are not looked for.
    cautions : tuple of str
        Where the plan asks for what it will not show.
    """

    sound_speed_m_s: float
    u_sound_speed_m_s: float
    wavelength_m: float
    half_angle_rad: float
    near_field_m: float | None
    points_from_m: float | None
    footprint_m: tuple[float, float]
    resolution_m: float
    blind_zone_m: float
    longest_range_m: float
    compression_gain_db: float
    threshold_snr_db: float
    range_deviation_at_threshold_m: float
    nearest_range_m: float
    cautions: tuple[str, ...]


def forecast(plan: Plan) -> Forecast:
    """Foretell what a plan will show.

    Raises
    ------
    PlanError
        Where its pulse cannot be made.
    """
    rate = plan.timing.sample_rate_hz
    silent = StreamInfo(front_end="none", device="none", sample_rate_hz=rate, loopback=0)
    if plan.geometry.second is not None:
        silent = dataclasses.replace(silent, channels=2, second=1)
    if plan.receiver.weighting == "equalised":
        # What equalising gains is not known before the pulse was heard.
        plain = dataclasses.replace(plan.receiver, weighting="none")
        plan = dataclasses.replace(plan, receiver=plain)
    receiver = Receiver(plan, silent)
    speed = receiver.sound_speed_m_s
    pulse = pulses_of(plan)[0]
    shape = receiver.shape
    wavelength_m = speed / plan.pulse.centre_hz
    face = plan.transducer
    half_angle_rad = receiver.range_model.half_angle_rad
    near_field_m, points_from_m = None, None
    if face.shape == "piston":
        near_field_m = beams.near_field_m(face.radius_m, wavelength_m)
        points_from_m = disc_points_from_m(face.radius_m, wavelength_m)
    ends = (plan.receiver.range_start_m, plan.receiver.range_stop_m)
    footprint = [math.inf, math.inf]
    if half_angle_rad < math.pi / 2:
        footprint = [float(beams.footprint_diameter_m(r, half_angle_rad)) for r in ends]
    # An envelope's noise has a mean square of half of 2E/N0's unit.
    threshold_snr = 2 * -math.log(plan.receiver.false_alarm_rate)
    deviation_s = bounds.delay_bound_s(threshold_snr, shape.pulse_rms_bandwidth_rad_s)
    energy = float(pulse.samples.astype(float) @ pulse.samples)
    # The search begins a pulse's width after the direct sound.
    baseline_m = plan.geometry.baseline_m
    nearest_m = float(range_from_path_m(baseline_m + shape.width_s * speed, baseline_m))
    return Forecast(
        sound_speed_m_s=speed,
        u_sound_speed_m_s=receiver.u_sound_speed_m_s,
        wavelength_m=wavelength_m,
        half_angle_rad=half_angle_rad,
        near_field_m=near_field_m,
        points_from_m=points_from_m,
        footprint_m=(footprint[0], footprint[1]),
        resolution_m=shape.width_s * speed / 2,
        blind_zone_m=bounds.blind_zone_m(
            pulse.duration_s, speed, baseline_m=plan.geometry.baseline_m
        ),
        longest_range_m=bounds.longest_range_m(plan.timing.ping_interval_s, speed),
        compression_gain_db=10 * math.log10(energy / float(abs(pulse.samples).max()) ** 2),
        threshold_snr_db=10 * math.log10(threshold_snr),
        range_deviation_at_threshold_m=bounds.range_deviation_m(deviation_s, speed),
        nearest_range_m=nearest_m,
        cautions=_cautions(plan, nearest_m),
    )


def _cautions(plan: Plan, nearest_m: float) -> tuple[str, ...]:
    asked_m, apart_m = plan.receiver.range_start_m, plan.geometry.baseline_m
    if apart_m > plan.receiver.range_stop_m:
        return (
            f"geometry.baseline_m: {apart_m:g} m from source to receiver is more than the farthest "
            f"range, {plan.receiver.range_stop_m:g} m: give it in metres, if it is not so",
        )
    if nearest_m <= asked_m:
        return ()
    return (
        f"receiver.range_start_m asks for {asked_m:g} m, and echoes nearer than {nearest_m:.3g} m "
        "run into the direct sound: give a pulse of more bandwidth, a smaller "
        f"geometry.baseline_m, or receiver.range_start_m = {_at_least(nearest_m):g}",
    )


def _at_least(range_m: float) -> float:
    """Round up to two digits."""
    step = 10.0 ** (math.floor(math.log10(range_m)) - 1)
    return math.ceil(range_m / step) * step


def forecast_lines(plan: Plan, foretold: Forecast) -> tuple[str, ...]:
    """Put a forecast into words, each number with its unit and meaning."""
    f, asked = foretold, plan.receiver
    half_deg = math.degrees(f.half_angle_rad)
    lines = [
        f"sound speed {stated(f.sound_speed_m_s, f.u_sound_speed_m_s)} m/s (k = 2), "
        f"wavelength {1e3 * f.wavelength_m:.1f} mm",
        f"two echoes closer than {1e3 * f.resolution_m:.1f} mm in range run into one",
        f"direct sound still covers echoes nearer than {f.blind_zone_m:.2f} m; compression "
        "sees into that once it has taken the direct sound away",
        f"an echo from beyond {f.longest_range_m:.2f} m comes after the next ping and "
        + ("is named late, by its sign" if plan.timing.signed_pings else "shows too near"),
        f"compression lifts an echo by {f.compression_gain_db:.1f} dB above the noise",
        f"an echo is listed from 2E/N0 = {f.threshold_snr_db:.1f} dB on; its range is then "
        f"noisy by {1e3 * f.range_deviation_at_threshold_m:.1f} mm (standard deviation)",
    ]
    if math.isfinite(f.footprint_m[1]):
        ends = zip(f.footprint_m, (asked.range_start_m, asked.range_stop_m), strict=True)
        # Nearer than it becomes a cone a beam is about as wide as its disc, not as the cone there.
        wide = [f"{w:.2f} m wide at {r:g} m" for w, r in ends if r >= (f.near_field_m or 0.0)]
        cone = f"cone {half_deg:.1f}° to each side of the axis"
        lines.append("; ".join([cone, ", ".join(wide)] if wide else [cone]))
    else:
        lines.append("no cone: the transducer is too small against the wave, it sends all round")
    if f.near_field_m is not None:
        far_m = far_field_from_m(plan.transducer.radius_m, f.wavelength_m)
        lines.append(
            f"nearer than {f.near_field_m:.2g} m the beam is not yet a cone; from {far_m:.2g} m on "
            "it is this one, to about 1 %"
        )
    if f.points_from_m is not None:
        lines.append(
            f"from {f.points_from_m:.2g} m on a disc is as good as a point; nearer, its parts hear "
            "a short pulse at different times, and the arch of what passes is flatter"
        )
    if plan.geometry.second is not None:
        lines.append(_second_line(plan, f))
    lines += [f"caution: {words}" for words in f.cautions]
    return tuple(lines)


def _second_line(plan: Plan, foretold: Forecast) -> str:
    """Say how sure an angle is by the places of two receivers, and whether waves are open."""
    geometry, speed = plan.geometry, foretold.sound_speed_m_s
    spacing_m = abs(geometry.second_spacing_m)
    u_m = math.hypot(geometry.u_second_spacing_m, speed * geometry.u_second_delay_s)
    waves = spacing_m / foretold.wavelength_m
    which = (
        "the envelope has to tell which wave it was"
        if waves > 0.5
        else "no more than half, so that there is but one angle"
    )
    return (
        f"the receivers stand {waves:.1f} waves apart, {which}; straight ahead their places tell "
        f"an angle to ± {2 * math.degrees(u_m / spacing_m):.1f}° (k = 2)"
    )
