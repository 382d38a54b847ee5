"""Each ping's profile drawn anew."""

from __future__ import annotations

import dataclasses
from collections import deque
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from dsp.ping.pulse.echo_shape import EchoShape
from dsp.ping.pulse.profiles import EchoProfile, stacked_in_turns
from rig.bench.capture import LEAD_S
from rig.measure.what_if.bench import Bench
from rig.measure.what_if.noise import drawn_noise
from rig.measure.what_if.ways import Kept, Way
from rig.run.receiver import Receiver
from rig.run.results import PingResult, TimeZero
from rig.run.run import Run, run_with


def profiles_of(
    receiver: Receiver,
    results: Sequence[PingResult],
    ways: Sequence[Way],
    kept: Sequence[Kept],
    present: Bench,
    other: Bench,
    noise_rms: float,
    random: np.random.Generator,
) -> list[EchoProfile]:
    """Make each ping's profile: noise, direct sound, and all that was followed."""
    sent_s = np.array([r.sent_s for r in results])
    on_ways = []
    for way in ways:
        met_s = other.met_s(sent_s, way.range_m)
        # A chirp shows a target where it will be so much later.
        shown_m = way.range_at(met_s + other.coupling_s)
        on_ways.append((other.delay_s(shown_m), way.response(other, met_s)))
    marks = [r.time_zero for r in results if r.alone is not None and r.time_zero is not None]
    direct = float(np.median([m.amplitude for m in marks])) if marks else 0.0
    direct_s = other.plan.geometry.baseline_m / other.receiver.sound_speed_m_s
    if receiver.plan.geometry.time_zero != "direct":
        direct = 0.0
    by_ping: dict[int, list[tuple[float, float]]] = {}
    for track in kept:
        for ping, range_m, amplitude in zip(
            track.ping.tolist(), track.range_m.tolist(), track.amplitude.tolist(), strict=True
        ):
            by_ping.setdefault(ping, []).append((range_m, amplitude))
    profiles = []
    for i, result in enumerate(results):
        pulse = i % len(other.shapes)
        shape = other.shapes[pulse]
        # All of it is drawn from a little ahead of the pulse's leaving on.
        bins, lead_s = other.lead + other.bins, other.lead * shape.bin_s
        envelope = drawn_noise(shape, bins, noise_rms, random)
        if direct:
            envelope += direct * shape.at_bins(lead_s + direct_s, bins)
        for delay_s, response in on_ways:
            if response[i].any():
                envelope += _echo(shape, lead_s + float(delay_s[i]), response[i], bins)
        for range_m, amplitude in by_ping.get(result.index, []):
            lost = present.amplitude(present.absorbed(range_m))
            response = amplitude / float(lost) * other.absorbed(range_m)
            at_s = lead_s + float(other.delay_s(range_m))
            envelope += _echo(shape, at_s, response, bins)
        profiles.append(
            EchoProfile(
                envelope=envelope[other.lead :],
                ahead=envelope[: other.lead],
                bin_s=shape.bin_s,
                shape=shape,
                pulse_index=pulse,
            )
        )
    return profiles


def _echo(
    shape: EchoShape, delay_s: float, response: NDArray[np.float64], bins: int
) -> NDArray[np.complex64]:
    return dataclasses.replace(shape, weights=shape.weights * response).at_bins(delay_s, bins)


def drawn_run(
    receiver: Receiver, results: Sequence[PingResult], profiles: Sequence[EchoProfile]
) -> Run:
    """Make a run of profiles, one for each ping that was heard; not searched for echoes."""
    recent: deque[EchoProfile] = deque(maxlen=receiver.plan.pulses_per_cycle)
    direct_s = receiver.plan.geometry.baseline_m / receiver.sound_speed_m_s
    marked = receiver.plan.geometry.time_zero == "direct"
    time_zero = TimeZero(
        method=receiver.plan.geometry.time_zero,
        delay_s=LEAD_S,
        u_delay_s=0.0,
        mark_s=LEAD_S + (direct_s if marked else 0.0),
    )
    drawn = []
    for result, profile in zip(results, profiles, strict=True):
        recent.append(profile)
        drawn.append(
            PingResult(
                index=result.index,
                sent_s=result.sent_s,
                lost=False,
                time_zero=time_zero,
                profile=stacked_in_turns(list(recent)),
                alone=profile,
            )
        )
    return run_with(receiver, drawn)
