"""What a sound may have come by, against filters designed elsewhere, and slopes by differences."""

import numpy as np
import pytest
import scipy.signal

from dsp.ping.first_sound.likeness import COPY, Way
from dsp.ping.first_sound.ways import FILTERS, RESONANCE, UNBOUNDED, bounce_way
from dsp.ping.pulse.compression import PulseCompressor
from dsp.ping.pulse.pulses import linear_chirp

SHAPE = PulseCompressor(linear_chirp(4e3, 12e3, 0.010, 48_000.0), 6000).shape
BOUNCES = [
    bounce_way(SHAPE, louder=louder, dulled=dulled)
    for louder in (False, True)
    for dulled in (False, True)
]
OVER = np.linspace(0.4, 1.6, 25)


def rows_of(way: Way) -> tuple[np.ndarray, np.ndarray]:
    """Return a few places of a way's parameters, and what sets it apart, as often."""
    drawn = np.random.default_rng(1).uniform(0.1, 0.9, (6, way.starts.shape[1]))
    return drawn, np.broadcast_to(way.apart, (6, len(way.apart)))


@pytest.mark.parametrize("way", [COPY, *BOUNCES, *FILTERS, *UNBOUNDED])
def test_slopes_are_what_small_steps_change(way: Way) -> None:
    at, apart = rows_of(way)
    response, *slopes = way.law.sloped(OVER, at, apart).swapaxes(0, 1)
    # Steepest is a low-pass of a Q of 4, a response of 4 whose pole is an eighth off, where a
    # corner turns by ln 80: a third derivative of 3! · 4 · (8 · 4.4)³, a million, is left out,
    # times 1e-10/6.
    assert response == pytest.approx(way.law.response(OVER, at, apart), abs=1e-12)
    for number, slope in enumerate(slopes):
        step = 1e-5 * np.eye(at.shape[1])[number]
        before, after = (way.law.response(OVER, at + by, apart) for by in (-step, step))
        assert slope == pytest.approx((after - before) / 2e-5, abs=2e-5)
        assert number < way.parameters or not np.any(slope)


@pytest.mark.parametrize("number", [2, 3, 4])
@pytest.mark.parametrize("kind", ["low", "high"])
def test_steep_filters_are_butterworths(number: int, kind: str) -> None:
    order = {2: 1, 3: 3, 4: 4}[number]
    way = FILTERS[number] if kind == "low" else UNBOUNDED[number]
    at, apart = rows_of(way)
    corner = 0.1 * 80 ** at[:, 0]
    found = way.law.response(OVER, at, apart)
    for row, c in zip(found, corner, strict=True):
        # A high-pass is looked for by the inverse of its corner.
        numbers = scipy.signal.butter(order, c if kind == "low" else 1 / c, kind, analog=True)
        assert row == pytest.approx(scipy.signal.freqs(*numbers, worN=OVER)[1], abs=1e-9)


def test_a_resonance_lifts_what_it_turns_about_and_leaves_what_is_far() -> None:
    at, apart = rows_of(RESONANCE)
    corner, lift = 0.1 * 80 ** at[:, 0], 4.0 ** (2 * at[:, 2] - 1)
    for row, (c, gain) in enumerate(zip(corner, lift, strict=True)):
        about = np.array([c, 1e5 * c])
        one = RESONANCE.law.response(about, at[row : row + 1], apart[:1])[0]
        # Far off, s² over s² but for 4/0.5 of s, a share of 8e-5.
        assert one == pytest.approx([gain, 1.0], abs=2e-4)
