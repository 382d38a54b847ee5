"""A known target's echo, found near where it was said to be."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dsp.ping.pulse.peaks import crest_near, delay_uncertainty_s
from rig.errors import CalibrationError
from rig.measure.calibrate.runs import Start
from rig.measure.calibrate.steps import KnownTarget
from rig.run.results import Echo


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeardTarget:
    """A known target's echo."""

    target: KnownTarget
    start: Start
    echo: Echo
    delay_s: float

    @property
    def u_delay_s(self) -> float:
        """Of its arrival alone, from its SNR."""
        if self.start.info.edge_step_s is not None:
            return self.start.info.edge_step_s / math.sqrt(12)
        shape = self.start.receiver.shape
        snr = 10 ** (self.echo.snr_db / 10)
        return delay_uncertainty_s(shape, snr * shape.efficiency)


def heard_target(start: Start, target: KnownTarget) -> HeardTarget:
    """Find a known target's echo."""
    echo = strongest_near(start.run.echoes, target)
    if echo is None:
        found = ", ".join(f"{e.range_m:.3f}" for e in start.run.echoes[:5]) or "none"
        raise CalibrationError(
            f"calibrate: no echo within {_around_m(target):.2f} m of the target at "
            f"{target.range_m:g} m; "
            f"found at {found}; check its distance, turn it square to the pair, or turn it up a "
            "little"
        )
    return HeardTarget(target=target, start=start, echo=echo, delay_s=_delay_s(start, echo))


def _delay_s(start: Start, echo: Echo) -> float:
    """Return where an echo peaks, all of it.

    A coloured pulse, taken away as if it were the sent one, leaves companions, which
    the search for echoes takes for others; what stands alone is whole.
    """
    profile = start.run.measurement.profile
    if profile is None or start.info.edge_step_s is not None:
        return echo.delay_s
    near = round(echo.delay_s / profile.bin_s)
    reach = math.ceil(start.receiver.shape.width_s / 2 / profile.bin_s)
    place, _ = crest_near(profile.envelope, start.receiver.shape, near, reach)
    return place * start.receiver.shape.bin_s


def strongest_near(echoes: Sequence[Echo], target: KnownTarget) -> Echo | None:
    """Return the strongest echo about where a target was said to stand."""
    near = [e for e in echoes if abs(e.range_m - target.range_m) <= _around_m(target)]
    return max(near, key=lambda e: e.strength_db, default=None)


def _around_m(target: KnownTarget) -> float:
    """Return how far from its place a target's echo is looked for.

    A wrong temperature or salinity moves it by some percent.
    """
    return max(0.05, 0.04 * target.range_m)
