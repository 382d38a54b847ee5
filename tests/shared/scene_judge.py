"""Hold what the program says of a drawn scene against what is there, and count."""

import math
import sys
import tempfile
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile
from due_shares import due_in_2u
from misleading_scenes import RATE_HZ, RESOLUTION_M, Scene, Truth, drawn
from scipy.special import betaincinv

import rig
from rig.errors import RecordingError
from rig.measure.passes.passing import Passing
from rig.run.run import Run

_NEAR_M = 1.5 * RESOLUTION_M
"""An echo within this of a body speaks of that body; farther off it speaks of none."""


@dataclass(slots=True, kw_only=True)
class Tally:
    """What was said in a class of scenes."""

    scenes: int = 0
    pings: int = 0
    lost: int = 0
    asked: int = 0
    """Bodies that one ping of each scene, drawn by lot, ought to have shown."""
    errors_u: list[float] = field(default_factory=list)
    """Of the echoes that were listed of them, in their own standard uncertainties."""
    due: list[float] = field(default_factory=list)
    """How likely each of these is within 2, by its own budget."""
    of_scene: list[int] = field(default_factory=list)
    """Which scene each of these is of: what is off there is off for all of its bodies."""
    false: int = 0
    """Echoes, in all pings, that stand where nothing is."""
    ways_right: int = 0
    ways_wrong: int = 0
    ways_open: int = 0
    worst: list[str] = field(default_factory=list)

    @property
    def within_2u(self) -> float:
        return float(np.mean(np.abs(self.errors_u) <= 2)) if self.errors_u else float("nan")

    @property
    def within_2u_due(self) -> float:
        """What `within_2u` comes to in the mean, were all budgets right."""
        return float(np.mean(self.due)) if self.due else math.nan

    @property
    def within_2u_surely(self) -> tuple[float, float]:
        """Between which shares `within_2u` lies in 95 of 100, were each scene drawn anew.

        C. J. Clopper and E. S. Pearson, *Biometrika* 26, 1934, p. 404 (from memory), with as
        many trials as would scatter as the scenes do: those of one scene go together.
        """
        told = len(self.errors_u)
        if not told:
            return 0.0, 1.0
        missed, scene = np.abs(self.errors_u) > 2, np.array(self.of_scene)
        share = missed.mean()
        by_scene = np.bincount(scene, missed - share)
        alone = told * share * (1 - share) / max(float(by_scene @ by_scene), 1e-30)
        trials = min(1.0, alone) * told if 0 < share < 1 else np.unique(scene).size
        held = trials * (1 - share)
        low = betaincinv(held, trials - held + 1, 0.025) if held else 0.0
        high = betaincinv(held + 1, trials - held, 0.975) if held < trials else 1.0
        return float(low), float(high)

    @property
    def spread_u(self) -> float:
        """Root mean square of the errors in their own uncertainties: 1 where these are right."""
        return float(np.sqrt(np.mean(np.square(self.errors_u)))) if self.errors_u else math.nan

    @property
    def beyond_3u(self) -> int:
        return int(np.sum(np.abs(self.errors_u) > 3))


def heard(scene: Scene) -> Run:
    """Read a scene's record as a user's sound file is read."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "drawn.wav")
        soundfile.write(path, scene.samples, int(RATE_HZ), subtype="FLOAT")
        return rig.read(path, plan=rig.plan_from_table(scene.table))


def judge(tally: Tally, name: str, number: int, scene: Scene) -> None:
    """Add a scene to its class."""
    tally.scenes += 1
    tally.pings += scene.pings
    tally.asked += len(scene.truths)
    try:
        run = heard(scene)
    except RecordingError:  # refused, with the reason: nothing is told
        tally.lost += scene.pings
        return
    results = run.results
    # Pings that were never found count as lost as those that were given up.
    tally.lost += sum(r.lost for r in results) + max(0, scene.pings - len(results))
    looked_at = int(np.random.default_rng(number).integers(3, scene.pings))
    for result in results:
        sent_s = result.index * scene.interval_s
        true_m = [t.range_m(t.met_s(sent_s, scene.half_pulse_s)) for t in scene.truths]
        for echo in result.echoes:
            near_m = max(_NEAR_M, 2 * echo.u_range_m)
            if min(abs(echo.range_m - m) for m in true_m) > near_m:
                tally.false += 1
                if result.index == looked_at:
                    tally.worst.append(f"{name} {number}: {echo.range_m:.3f} m, where nothing is")
        if result.index == looked_at:
            best = _best(result.echoes, true_m)
            errors_u = [(echo.range_m - true) / echo.u_range_m for echo, true in best]
            tally.errors_u += errors_u
            tally.due += [due_in_2u(echo.budget) for echo, _ in best if echo.budget]
            tally.of_scene += [tally.scenes] * len(errors_u)
    _judge_ways(tally, name, number, scene, run)


def _best(echoes: Iterable[rig.Echo], true_m: list[float]) -> list[tuple[rig.Echo, float]]:
    """Return the echo that speaks of each body that some listed echo is near to, and its range."""
    best = []
    for true in true_m:
        close = [e for e in echoes if abs(e.range_m - true) <= max(_NEAR_M, 2 * e.u_range_m)]
        if close:
            best.append((min(close, key=lambda e: abs(e.range_m - true) / e.u_range_m), true))
    return best


def _judge_ways(tally: Tally, name: str, number: int, scene: Scene, run: Run) -> None:
    for passing in run.passings:
        passage = passing.passage
        if passage.kind == "cannot-tell":
            tally.ways_open += 1
            continue
        right = any(_fits(passing, truth) for truth in scene.truths)
        tally.ways_right += right
        tally.ways_wrong += not right
        if not right:
            tally.worst.append(
                f"{name} {number}: {passage.kind} {passage.closest_range_m} ± "
                f"{passage.u_closest_range_m} m, {passage.crossing_speed_m_s} ± "
                f"{passage.u_crossing_speed_m_s} m/s, {passage.hits} hits"
            )


def _fits(passing: Passing, truth: Truth) -> bool:
    """Whether a way that was told is this body's, within three of its own uncertainties."""
    passage = passing.passage
    true_m = np.array([truth.range_m(t) for t in passing.time_s])
    range_m, u_m = passage.closest_range_m, passage.u_closest_range_m
    assert range_m is not None
    assert u_m is not None
    if passage.kind == "stay":
        # A stay says where it was all along.
        return bool(np.max(np.abs(true_m - range_m)) <= max(3 * u_m, 0.001))
    if not truth.passes or abs(true_m.min() - range_m) > 3 * u_m:
        return False
    speed, u_speed = passage.crossing_speed_m_s, passage.u_crossing_speed_m_s
    if speed is None or u_speed is None or truth.crossing_m_s is None:
        return True
    return abs(speed - truth.crossing_m_s) <= 3 * u_speed


def tallied(
    seed: int, each: int, *, names: Collection[str] | None = None, told: bool = False
) -> dict[str, Tally]:
    """Judge `each` scenes of every class, or of some."""
    tallies: dict[str, Tally] = {}
    for name, number, scene in drawn(seed, each, names):
        judge(tallies.setdefault(name, Tally()), name, number, scene)
        if told:
            print(f"\r{name} {number}   ", end="", file=sys.stderr, flush=True)
    return tallies


HEAD = (
    f"{'':20}{'scenes':>6}{'bodies':>7}{'told':>5}{'due':>6}{'in 2u':>7}{'(95 % sure)':>14}"
    f"{'err/u':>7}{'over 3u':>8}{'false':>6}{'lost %':>7}{'ways right':>11}{'wrong':>6}{'open':>5}"
)


def row(name: str, tally: Tally) -> str:
    """One line of the table: due is what `in 2u` ought to be, err/u the errors' RMS."""
    low, high = tally.within_2u_surely
    return (
        f"{name:20}{tally.scenes:6}{tally.asked:7}{len(tally.errors_u):5}"
        f"{tally.within_2u_due:6.3f}{tally.within_2u:7.3f}"
        f"{f'{low:.3f}-{high:.3f}':>14}{tally.spread_u:7.2f}"
        f"{tally.beyond_3u:8}{tally.false:6}{100 * tally.lost / tally.pings:7.1f}"
        f"{tally.ways_right:11}{tally.ways_wrong:6}{tally.ways_open:5}"
    )
