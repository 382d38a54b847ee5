"""Scenes drawn with things beyond the interval, and what a bench made of them.

Near things and far ones, up to three intervals late, still or on their way; by chirps, codes
and tones, with direct sound or loopback, few pings added up or none. All invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

import rig
from rig.run.hits import resolution_m

SPEED_M_S = 343.9
PINGS = 20

_PULSES: tuple[dict[str, Any], ...] = (
    {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005},
    {"kind": "chirp", "start_hz": 16000.0, "stop_hz": 8000.0, "duration_s": 0.004},
    {"kind": "barker13", "centre_hz": 9000.0, "chip_s": 0.0003},
    {"kind": "tone", "centre_hz": 8000.0, "duration_s": 0.001},
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Far:
    """A thing beyond the interval.

    Attributes
    ----------
    pings_before : int
        By how many pings its echo is late.
    range_m : float
        Where it is when the run begins.
    seems_m : float
        Where it would be taken to be.
    moves_m : float
        How far it comes along in the run.
    beside_m : float
        How far from there, and from all others that seem there, the nearest thing seems.
    resolved_m : float
        How far apart two must seem for the pulse to part them.
    """

    pings_before: int
    range_m: float
    seems_m: float
    moves_m: float
    beside_m: float
    resolved_m: float

    @property
    def stands_clear(self) -> bool:
        """Whether nothing else seems to stand where it does, all run long."""
        return self.beside_m > 3 * self.resolved_m + 2 * self.moves_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What became of one far thing: how often it was named, left untold, shown as near.

    Attributes
    ----------
    far : Far
    named, untold : bool
        In the sum of all pings: with the right range; or as not told.
    misses : float
        Of the named, by how many standard uncertainties the range is off; else 0.
    shown : int
        In so many pings, and in the sum once more, an echo was listed where it seems to be and
        no near thing is.
    named_pings : int
        In so many it was named.
    """

    far: Far
    named: bool
    untold: bool
    misses: float
    shown: int
    named_pings: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawn:
    """What became of a drawn scene: of each far thing, and of near ones with none beside them.

    Attributes
    ----------
    far : tuple of Told
    near : int
        So many near things seem to stand where nothing else does.
    near_listed : int
        So many of them are listed in the sum, within three of their standard uncertainties.
    """

    far: tuple[Told, ...]
    near: int
    near_listed: int


def told_of(seed: int) -> Drawn:
    """Draw a scene, ping it, and judge what became of each thing in it."""
    random = np.random.default_rng(seed)
    interval_s = float(random.uniform(0.03, 0.06))
    pulse = _PULSES[int(random.integers(len(_PULSES)))]
    stop_m = 145 * (interval_s - 0.010)  # a plan holds with sound at 300 m/s, a lead, a pulse
    moving = random.random() < 0.3
    near_m = sorted(random.uniform(0.5, stop_m - 0.3, size=int(random.integers(0, 3))).tolist())
    plan = rig.plan_from_table(
        {
            "pulse": pulse,
            "timing": {"ping_interval_s": interval_s, "signed_pings": True},
            "receiver": {
                "range_start_m": 0.3,
                "range_stop_m": float(np.floor(100 * stop_m) / 100),
                "stack": int(random.choice([1, 1, 4, 8])),
                "weighting": str(random.choice(["none", "hann"])),
            },
            "geometry": {"time_zero": str(random.choice(["direct", "loopback"]))},
        }
    )
    targets: list[dict[str, Any]] = [
        {"body": "sphere", "radius_m": 0.1, "position_m": [at_m, 0.0, 0.0]} for at_m in near_m
    ]
    period_m = SPEED_M_S * plan.interval_samples / plan.timing.sample_rate_hz / 2
    places: list[tuple[int, float, float]] = []
    for _ in range(int(random.integers(1, 4))):
        late = int(random.integers(1, 4))
        seems_m = float(random.uniform(0.5, stop_m - 0.3))
        goes_m_s = float(random.uniform(-0.3, 0.3)) if moving else 0.0
        # Of the path, whole periods are late; the pair's spacing makes it longer than twice.
        path_m = 2 * np.hypot(seems_m, 0.06) + 2 * late * period_m
        range_m = float(np.sqrt((path_m / 2) ** 2 - 0.06**2))
        places.append((late, range_m, seems_m))
        targets.append(
            {
                "body": "plate",
                "width_m": 1.2,
                "height_m": 1.2,
                "position_m": [range_m, 0.0, 0.0],
                "velocity_m_s": [goes_m_s, 0.0, 0.0],
            }
        )
    scene = rig.scene_from_table(
        {
            "medium": {"kind": "air", "sound_speed_m_s": SPEED_M_S},
            "noise": {"level_db": float(random.uniform(-85.0, -60.0))},
            "target": targets,
        }
    )
    with rig.open_bench(plan, scene=scene, seed=seed) as bench:
        run = bench.ping(PINGS)
    resolved_m = resolution_m(run.receiver)
    told = []
    for number, (late, range_m, seems_m) in enumerate(places):
        goes_m_s = targets[len(near_m) + number]["velocity_m_s"][0]
        moves_m = abs(goes_m_s) * PINGS * interval_s
        rest = near_m + [p[2] for k, p in enumerate(places) if k != number]
        far = Far(
            pings_before=late,
            range_m=range_m,
            seems_m=seems_m,
            moves_m=moves_m,
            beside_m=min((abs(seems_m - other) for other in rest), default=np.inf),
            resolved_m=resolved_m,
        )
        told.append(_judged(run, far, near_m))
    clear_m = [
        at_m
        for k, at_m in enumerate(near_m)
        if all(
            abs(at_m - other) > 3 * resolved_m
            for other in (*near_m[:k], *near_m[k + 1 :], *(seems_m for _, _, seems_m in places))
        )
    ]
    listed = [
        any(abs(e.range_m - at_m) < 3 * e.u_range_m for e in run.measurement.echoes)
        for at_m in clear_m
    ]
    return Drawn(far=tuple(told), near=len(clear_m), near_listed=sum(listed))


def _judged(run: rig.Run, far: Far, near_m: list[float]) -> Told:
    reach_m = far.resolved_m + far.moves_m

    def there(range_m: float) -> bool:
        return abs(range_m - far.seems_m) < reach_m

    def is_wrong(echo: rig.Echo) -> bool:
        # An echo of a near thing may stand there by right, where that thing is.
        own = any(abs(echo.range_m - at_m) < 3 * echo.u_range_m for at_m in near_m)
        return there(echo.range_m) and not own

    found = run.measurement
    right = [
        one for one in found.late if one.pings_before == far.pings_before and there(one.seems_m)
    ]
    shown = sum(any(is_wrong(e) for e in r.echoes) for r in run.results)
    shown += any(is_wrong(e) for e in found.echoes)
    named = min(right, key=lambda one: abs(one.echo.range_m - far.range_m), default=None)
    return Told(
        far=far,
        named=named is not None,
        untold=any(there(e.range_m) for e in found.untold),
        misses=0.0
        if named is None
        else abs(named.echo.range_m - far.range_m) / named.echo.u_range_m,
        shown=shown,
        named_pings=sum(
            any(one.pings_before == far.pings_before and there(one.seems_m) for one in r.late)
            for r in run.results
        ),
    )
