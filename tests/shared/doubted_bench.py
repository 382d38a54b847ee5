"""A bench that is off its plan by as much as the plan says that it is unsure.

The plan states standard uncertainties, and each is drawn anew from one scene to the next, from
what hides behind the noise to what outweighs it; then what is there is drawn by it (JCGM 101:2008,
6.4). What is told with k = 2 has to hold what is there in 95 of 100 of such benches, whichever
term outweighs the others.
"""

import math
from dataclasses import dataclass

import numpy as np
from synthesizer import SPEED_M_S, Array, Way

BASELINE_M = 0.12
"""That the plan believes in."""
FORMULA_M_S = 0.05
"""The most that the program says its formula errs by, any as likely."""
CLOCK = 100e-6
"""A clock that does not say is off by at most so much, any as likely."""
SPEED_PER_C_M_S = SPEED_M_S / (2 * 293.15)
"""An ideal gas's speed goes with the root of its temperature."""
SPEED_PER_PERCENT_M_S = SPEED_M_S * 0.16 * 2.31e-4
"""Vapour is lighter: ½ (1 − 18/29) of its mole fraction; its γ is lower: −½ (1/5 − 1/7) of it.
A percent of the 2.34 kPa that 20 °C holds is 2.31e-4 of the air."""
CONE_SINE = 1.1603 / (2 * math.pi * 8e3 * 0.03 / SPEED_M_S)
"""Of the half-power cone, out and back, of a piston of 30 mm at 8 kHz: (2 J₁(x)/x)⁴ = ½."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What the plan is unsure of, and what is there."""

    u_temperature_c: float
    u_humidity_percent: float
    u_gradient_c_m: float
    u_baseline_m: float
    baseline_m: float
    speed_m_s: float
    """At the sensor, in metres a second of the converter's own clock."""
    rise_m_s: float
    """By so much the mean speed along a way rises with each metre of range."""

    def heard_speed_m_s(self, way_m: float) -> float:
        """Sound speed on the mean of a way out and back."""
        return self.speed_m_s + self.rise_m_s * way_m / 2


def drawn_bench(rng: np.random.Generator, *, drifts: bool = False) -> Bench:
    """Draw a bench; where its medium drifts, the temperature begins where the plan has it."""
    u_temperature = 0.5 if drifts else 10 ** rng.uniform(-2, -0.3)
    u_humidity, u_gradient = 10 ** rng.uniform(-1, 0.7), 10 ** rng.uniform(-3, -1.3)
    u_baseline = 10 ** rng.uniform(-5, -3)
    warmer, damper, rise, apart = rng.normal(
        0, [0.0 if drifts else u_temperature, u_humidity, u_gradient, u_baseline]
    )
    faster = SPEED_PER_C_M_S * warmer + SPEED_PER_PERCENT_M_S * damper
    faster += rng.uniform(-FORMULA_M_S, FORMULA_M_S)
    return Bench(
        u_temperature_c=u_temperature,
        u_humidity_percent=u_humidity,
        u_gradient_c_m=u_gradient,
        u_baseline_m=u_baseline,
        baseline_m=BASELINE_M + apart,
        speed_m_s=(SPEED_M_S + faster) / (1 + rng.uniform(-CLOCK, CLOCK)),
        rise_m_s=SPEED_PER_C_M_S * rise / 2,
    )


def drawn_aside(rng: np.random.Generator) -> float:
    """Sine of a direction towards the receiver, the direction anywhere in the cone as likely."""
    cosine = rng.uniform(math.sqrt(1 - CONE_SINE**2), 1)
    return float(math.sqrt(1 - cosine**2) * math.cos(rng.uniform(0, 2 * math.pi)))


def way_by(range_m: Way, *, aside: float, baseline_m: float) -> Way:
    """The way by what stands so far from midway, in a direction of such a sine."""

    def way(t: Array) -> Array:
        apart_m = np.asarray(range_m(t), dtype=float)
        even, tilt = apart_m**2 + baseline_m**2 / 4, apart_m * baseline_m * aside
        both: Array = np.sqrt(even - tilt) + np.sqrt(even + tilt)
        return both

    return way
