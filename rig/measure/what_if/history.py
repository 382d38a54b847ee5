"""A history forecast with one thing changed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from rig.errors import NotHeardError, PlanError
from rig.measure.passes.following import passings_of
from rig.measure.what_if.bench import Bench
from rig.measure.what_if.change import Change, changed_plan
from rig.measure.what_if.hits import PassForecast, pass_forecast
from rig.measure.what_if.noise import noise_rms_of
from rig.measure.what_if.profiles import drawn_run, profiles_of
from rig.measure.what_if.tracks import ways_of
from rig.measure.what_if.ways import changed_way
from rig.run.run import HISTORY_PINGS, Run


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhatIf:
    """A forecast history.

    Attributes
    ----------
    change : Change
    run : Run
        By the changed plan: a ping for each that was heard, lost ones too; not searched
        for echoes.
    half_angle_rad, heard_half_angle_rad : float
        Of the two beams at half power, out and back; π/2 without a cone.
    passes : tuple of PassForecast
        In the order of the heard tracks.
    kept : int
        Tracks that were kept as heard.
    """

    change: Change
    run: Run
    half_angle_rad: float
    heard_half_angle_rad: float
    passes: tuple[PassForecast, ...]
    kept: int


def what_if(run: Run, change: Change, *, seed: int = 0) -> WhatIf:
    """Forecast a history with one thing changed.

    Parameters
    ----------
    run : Run
        What was heard; its latest pings are those of the history.
    change : Change
    seed : int
        Of the noise that is drawn.

    Raises
    ------
    PlanError
        Where a plan so changed cannot be, or the device hands on no strengths.
    NotHeardError
        Where no ping can be read, or nothing passed whose speed or tilt could be changed.
    """
    receiver, results = run.receiver, run.results[-HISTORY_PINGS:]
    if receiver.info.edge_step_s is not None:
        raise PlanError(
            f"{receiver.info.device}: hands on edge times without strength, from which nothing "
            "can be forecast; give a recording of samples"
        )
    good = [r for r in results if r.alone is not None]
    if not good:
        raise NotHeardError("what if: no ping can be read; give a recording with good pings")
    present = Bench(changed_plan(receiver.plan, Change(what="tilt", value=0.0)), receiver)
    other = Bench(changed_plan(receiver.plan, change), receiver)
    times_s = np.array([r.sent_s for r in results])
    noise_rms = noise_rms_of(receiver, good)
    # The same density over a band that is sampled more finely.
    finer = math.sqrt(other.plan.timing.sample_rate_hz / receiver.plan.timing.sample_rate_hz)
    at_present = math.sqrt(present.plan.timing.sample_rate_hz / receiver.plan.timing.sample_rate_hz)
    ways, kept = ways_of(
        receiver, results, passings_of(run), present, noise_rms * at_present, times_s
    )
    if change.what in ("speed", "tilt") and not ways:
        raise NotHeardError(
            f"what if: nothing passed whose {change.what} could be changed; give a recording in "
            "which a target crosses the beam"
        )
    moved = [changed_way(way, change) for way in ways]
    passes = tuple(
        pass_forecast(before, after, present, other, noise_rms, at_present, finer, times_s)
        for before, after in zip(ways, moved, strict=True)
    )
    profiles = profiles_of(
        receiver,
        results,
        moved,
        kept,
        present,
        other,
        noise_rms * finer,
        np.random.default_rng(seed),
    )
    return WhatIf(
        change=change,
        run=drawn_run(other.receiver, results, profiles),
        half_angle_rad=other.receiver.half_angle_rad,
        heard_half_angle_rad=receiver.half_angle_rad,
        passes=passes,
        kept=len(kept),
    )
