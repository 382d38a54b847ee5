"""A disc's sound nearby: closed forms, sums made elsewhere, and through the whole tank."""

import math

import numpy as np
import pytest
from scipy.integrate import dblquad, quad
from scipy.special import j1

from rig.tank import discs
from rig.tank.discs import GONE_AT, POINT_FROM, near_beam, nearness
from rig.tank.echoes import Tank
from rig.tank.scene import scene_from_table

RADIUS_M, SPEED = 0.03, 1480.0
CENTRE_HZ, RATE = 210e3, 2e6
BLOCK, BLOCK_RATE = 100, 1e6
FREQUENCY_HZ = np.linspace(0.0, 500e3, BLOCK // 2 + 1)  # every 10 kHz
FIELD_M = RADIUS_M**2 / (SPEED / CENTRE_HZ)  # a²/λ, 0.128 m


def _near(range_m, aside_m):
    distance_m = math.hypot(range_m, aside_m)
    cosine = range_m / distance_m
    return near_beam(RADIUS_M, distance_m, cosine, SPEED, samples=BLOCK, sample_rate_hz=BLOCK_RATE)


@pytest.mark.parametrize("range_m", [0.05, 0.13, 0.5, 1.2])
def test_on_the_axis_two_sounds_come_one_from_the_middle_and_one_from_the_rim(range_m):
    # L. E. Kinsler et al., Fundamentals of Acoustics, 4th ed., 2000, eq. 7.4.3 (from memory):
    # p ∝ e^{−ikr} − e^{−ik√(r²+a²)}, here over its far field, ik a²/(2r) e^{−ikr}.
    k = 2 * np.pi * FREQUENCY_HZ[1:] / SPEED
    two = 1 - np.exp(-1j * k * (math.hypot(range_m, RADIUS_M) - range_m))
    expected = two / (1j * k * RADIUS_M**2 / (2 * range_m))
    # Rounding: phases of up to k r = 2500 turn by 1e-16 of that, over a difference of 0.1.
    np.testing.assert_allclose(_near(range_m, 0.0)[1:], expected, atol=1e-11)


@pytest.mark.parametrize(("range_m", "aside_m"), [(0.5, 0.08), (0.1, 0.03), (0.06, 0.05)])
def test_off_the_axis_it_is_the_sum_over_the_disc_s_elements(range_m, aside_m):
    # Rayleigh's integral over the face, by SciPy's adaptive quadrature in polar co-ordinates.
    distance_m = math.hypot(range_m, aside_m)
    for frequency_hz in (0.0, 60e3, 210e3):
        k = 2 * math.pi * frequency_hz / SPEED

        def element(turn, out_m, part, k=k):
            away = range_m**2 + out_m**2 + aside_m**2 - 2 * out_m * aside_m * math.cos(turn)
            way_m = math.sqrt(away)
            return part(k * (way_m - distance_m)) / way_m * out_m

        whole = [
            2 * dblquad(element, 0, RADIUS_M, 0, math.pi, (part,), epsabs=1e-9)[0]
            for part in (math.cos, lambda phase: -math.sin(phase))
        ]
        expected = complex(*whole) * distance_m / (math.pi * RADIUS_M**2)
        (found,) = _near(range_m, aside_m)[frequency_hz == FREQUENCY_HZ]
        # The quadrature's 1e-9 over π a²/r = 6e-3 at least.
        assert found == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("aside_m", [0.01, 0.029, 0.031, 0.08])
def test_it_is_the_transform_of_the_disc_s_impulse_response(aside_m):
    # P. R. Stepanishen, "Transient radiation from pistons in an infinite planar baffle",
    # J. Acoust. Soc. Am. 49, 1971, pp. 1629–1638 (from memory): the response at a distance R
    # is the angle over which the circle of that distance lies on the disc, 2π while it lies
    # within, else 2 arccos((ρ² + y² − a²)/(2ρy)), ρ² = R² − z².
    range_m = 0.2
    distance_m = math.hypot(range_m, aside_m)
    first_m = math.hypot(range_m, aside_m - RADIUS_M)
    last_m = math.hypot(range_m, aside_m + RADIUS_M)

    def angle(way_m):
        out_m = math.sqrt(max(way_m**2 - range_m**2, 1e-30))
        cosine = (out_m**2 + aside_m**2 - RADIUS_M**2) / (2 * out_m * aside_m)
        return 2 * math.acos(min(1.0, max(-1.0, cosine)))

    def summed(part):
        total = quad(lambda way: angle(way) * part(way), first_m, last_m, limit=400, epsabs=1e-10)[
            0
        ]
        if aside_m < RADIUS_M:
            total += 2 * math.pi * quad(part, range_m, first_m, epsabs=1e-10)[0]
        return total

    k = 2 * math.pi * CENTRE_HZ / SPEED
    real = summed(lambda way: math.cos(k * (way - distance_m)))
    late = summed(lambda way: -math.sin(k * (way - distance_m)))
    expected = complex(real, late) * distance_m / (math.pi * RADIUS_M**2)
    (found,) = _near(range_m, aside_m)[FREQUENCY_HZ == CENTRE_HZ]
    # The arc's root at both ends leaves the quadrature at 1e-8; over π a²/r of 0.014.
    assert found == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("range_m", [0.04, 0.2, 1.0])
@pytest.mark.parametrize("aside_m", [0.0, 0.02, 0.03, 0.3])
def test_the_sum_has_converged(range_m, aside_m, monkeypatch):
    found = _near(range_m, aside_m)
    monkeypatch.setattr(discs, "_ORDERS", 10 * discs._ORDERS)
    np.testing.assert_allclose(found, _near(range_m, aside_m), atol=1e-9)


def test_far_away_it_is_the_textbook_s_pattern():
    # 2 J₁(x)/x. What is left of the parts' bent lags: k a²/(2r) at most, at 1000 a²/λ and
    # 500 kHz a phase of 500/210 π/1000 = 7.5e-3.
    range_m = 1000 * FIELD_M
    for aside in (0.05, 0.2, 1.0):
        sine = aside / math.hypot(1.0, aside)
        x = 2 * np.pi * FREQUENCY_HZ[1:] / SPEED * RADIUS_M * sine
        found = _near(range_m, aside * range_m)[1:]
        np.testing.assert_allclose(found, 2 * j1(x) / x, atol=7.5e-3)


def test_the_parts_count_as_far_as_ten_fields_and_not_from_twenty_on():
    distance_m = FIELD_M * np.array([1.0, POINT_FROM, 15.0, GONE_AT, 100.0, np.inf])
    found = nearness(RADIUS_M, SPEED / CENTRE_HZ, distance_m)
    np.testing.assert_allclose(found, [1.0, 1.0, 0.5, 0.0, 0.0, 0.0], atol=1e-12)


def _burst(cycles, *, rate=RATE):
    """A Hann-tapered burst, sampled at midpoints."""
    at = np.arange(round(cycles / CENTRE_HZ * rate)) + 0.5
    window = np.sin(np.pi * at / at.size) ** 2
    return window * np.sin(2 * np.pi * CENTRE_HZ * at / rate)


def _tank(position_m, *, pulse, baseline_m=0.0, **tables):
    table = {
        "medium": {"kind": "fresh-water", "sound_speed_m_s": SPEED},
        "direct": {"level_db": -200.0},
        "transducer": {"radius_m": RADIUS_M},
        "target": [{"body": "sphere", "radius_m": 0.05, "position_m": position_m}],
        **tables,
    }
    scene = scene_from_table(table)
    return Tank(scene, [pulse], sample_rate_hz=RATE, baseline_m=baseline_m, seed=0)


def _first_peak_m(aside_m, *, pulse, baseline_m):
    """Range of the first strong top of the compressed echo's envelope, of a target up aside."""
    tank = _tank([0.5, 0.0, aside_m], pulse=pulse, baseline_m=baseline_m)
    sound = tank.still_sound(pulse_index=0, start=0.0)
    size = 2 ** math.ceil(math.log2(8 * sound.size))  # interpolates by four or more
    spectrum = np.fft.rfft(sound, 2 * sound.size) * np.conj(np.fft.rfft(pulse, 2 * sound.size))
    whole = np.zeros(2 * size, dtype=complex)
    whole[: spectrum.size] = spectrum
    envelope = np.abs(np.fft.ifft(whole))[:size]
    tops = 1 + np.flatnonzero((envelope[1:-1] > envelope[:-2]) & (envelope[1:-1] > envelope[2:]))
    strong = tops[envelope[tops] > envelope.max() / 2]
    path_m = strong[0] * sound.size / size / RATE * SPEED
    return math.sqrt((path_m / 2) ** 2 - (baseline_m / 2) ** 2)


def test_an_arch_nearby_is_flatter_than_the_hyperbola():
    # A disc of 30 mm in radius at 210 kHz in water, 0.5 m from a point: four times a²/λ. A
    # two-and-a-half-cycle burst falls short of the hyperbola through its nearest point by
    # 0.4, 2 and 4 mm at 40, 60 and 80 mm aside: each a number rounded to its one digit. So it
    # does for a Hann burst and two faces 40 mm apart; the burst and the pair are ours.
    pulse = _burst(2.5)
    nearest_m = _first_peak_m(0.0, pulse=pulse, baseline_m=0.04)
    short_mm = []
    for aside_m in (0.04, 0.06, 0.08):
        found_m = _first_peak_m(aside_m, pulse=pulse, baseline_m=0.04)
        short_mm.append(1e3 * (math.hypot(nearest_m, aside_m) - found_m))
    np.testing.assert_array_less(np.abs(np.subtract(short_mm, [0.4, 2.0, 4.0])), [0.05, 0.5, 0.5])


def test_nothing_is_summed_where_a_disc_is_a_point_nor_for_a_wall(monkeypatch):
    called = []
    monkeypatch.setattr(
        "rig.tank.echoes.near_beam", lambda *_, **words: called.append(words) or 1.0
    )
    pulse = _burst(2.5)
    # Mean frequency of the burst's energy is 210 kHz to a few per cent.
    far = [1.1 * GONE_AT * FIELD_M, 0.0, 0.0]
    wall = {"bottom": {"range_m": 0.5}}
    _tank(far, pulse=pulse, **wall).still_sound(pulse_index=0, start=0.0)
    assert not called
    _tank([0.5, 0.0, 0.0], pulse=pulse).still_sound(pulse_index=0, start=0.0)
    assert len(called) == 2  # out and back
