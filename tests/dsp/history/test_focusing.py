"""Focusing against the plain sum, against a face's own theory, and against drawn scenes.

Profiles are made here as sums of tones, so that they are known between their bins; the plain
sum reads them there, with the geometry written out, and shares no code with what it checks.
"""

import dataclasses
import math

import numpy as np
import pytest

from dsp.history import focus_limits
from dsp.history.focus_limits import Face
from dsp.history.focus_points import fit_point, sharpness, speed_lobe
from dsp.history.focusing import StraightWay, focused

SPEED_M_S = 1480.0
TONES_HZ = np.linspace(85e3, 155e3, 15)
SHARES = np.hanning(17)[1:-1] / np.hanning(17)[1:-1].sum()
CENTRE_HZ = float(SHARES @ TONES_HZ)
CARRIER_HZ = 80e3
BIN_S = 8e-6
WAVE_M = SPEED_M_S / CENTRE_HZ

WAY = StraightWay(
    speed_m_s=0.25,
    interval_s=0.02,
    sound_speed_m_s=SPEED_M_S,
    baseline_m=0.05,
    pulse_s=6e-4,
    coupling_s=9e-4,
    bin_s=BIN_S,
    carrier_hz=CARRIER_HZ,
    centre_hz=CENTRE_HZ,
    half_angle_rad=math.radians(30.0),
)


def flight(ahead_m, range_m, way):
    """The pulse's middle leaves, meets what comes towards the pair, and is back; step by step."""
    meets_s = way.pulse_s / 2 + range_m / SPEED_M_S
    for _ in range(6):
        aside = ahead_m - way.speed_m_s * meets_s
        out_m = math.hypot(range_m, aside + way.baseline_m / 2)
        back_m = math.hypot(range_m, aside - way.baseline_m / 2)
        meets_s = way.pulse_s / 2 + (out_m + back_m) / 2 / SPEED_M_S
    return aside, (out_m + back_m) / SPEED_M_S


def shown_s(aside, range_m, way):
    """Where a chirp's range is seen: as it will be `coupling_s` later."""
    later = aside - way.speed_m_s * way.coupling_s
    return (
        math.hypot(range_m, later + way.baseline_m / 2)
        + math.hypot(range_m, later - way.baseline_m / 2)
    ) / SPEED_M_S


@pytest.mark.parametrize("finer", [1, 3])
def test_a_focus_is_the_plain_sum_over_the_arch(finer):
    rng = np.random.default_rng(1)
    pings, bins = 90, 130
    waves = rng.standard_normal((2, pings, TONES_HZ.size))
    waves = waves[0] + 1j * waves[1]
    turns = np.outer(TONES_HZ - CARRIER_HZ, np.arange(-40, bins + 40) * BIN_S)
    # Silent beyond what is kept would be a step: the bins are cut from a longer profile.
    whole = waves @ np.exp(2j * np.pi * turns)
    profiles = whole[:, 40:-40].astype(np.complex64)
    range_m = 0.35
    found = focused(profiles, WAY, [range_m, 0.4], finer=finer)[:, 0]
    assert found.shape == (finer * (pings - 1) + 1,)
    reach_m = range_m * math.tan(WAY.half_angle_rad)
    counted = sum(
        abs(flight(m * WAY.spacing_m, range_m, WAY)[0]) <= reach_m for m in range(-200, 201)
    )
    offset_turns = CENTRE_HZ - CARRIER_HZ
    for place in (0, 40 * finer, 40 * finer + finer // 2, finer * (pings - 1)):
        total = 0j
        for ping in range(pings):
            ahead_m = (place / finer - ping) * WAY.spacing_m
            aside, delay_s = flight(ahead_m, range_m, WAY)
            if abs(aside) > reach_m:
                continue
            seen_s = shown_s(aside, range_m, WAY)
            value = waves[ping] @ np.exp(2j * np.pi * (TONES_HZ - CARRIER_HZ) * seen_s)
            total += (
                value
                * np.exp(-2j * np.pi * offset_turns * seen_s)
                * np.exp(2j * np.pi * CENTRE_HZ * delay_s)
            )
        # The kernel between bins is right to 1e-5 of an envelope of √15·√2 here, single
        # precision to 1e-6 of it a term.
        assert abs(found[place] - total / counted) < 1e-4 * np.abs(whole).max()


def test_a_lost_ping_is_silence_and_all_else_stays():
    rng = np.random.default_rng(2)
    rows = rng.standard_normal((60, 120)) + 1j * rng.standard_normal((60, 120))
    rows = rows.astype(np.complex64)
    without = rows.copy()
    without[30] = 0
    alone = np.zeros_like(rows)
    alone[30] = rows[30]
    whole, rest, its = (focused(r, WAY, [0.3]) for r in (rows, without, alone))
    # A sum of sums; each is rounded to 1e-6 of the largest.
    assert np.abs(whole - rest - its).max() < 1e-5 * np.abs(whole).max()


@pytest.mark.parametrize(
    ("profiles", "range_m", "words"),
    [
        (np.zeros(5, dtype=complex), 0.3, "profiles: found shape"),
        (np.zeros((0, 5), dtype=complex), 0.3, "profiles: found shape"),
        (np.zeros((4, 50), dtype=complex), 0.0, "range_m: found 0"),
    ],
)
def test_what_cannot_be_focused_is_refused(profiles, range_m, words):
    with pytest.raises(ValueError, match=words):
        focused(profiles, WAY, range_m)


# Limits


def wide_way(spacing_m: float, half_rad: float, centre_hz: float) -> StraightWay:
    return StraightWay(
        speed_m_s=spacing_m,
        interval_s=1.0,
        # Sound so fast that nothing moves while it flies.
        sound_speed_m_s=1e9,
        bin_s=1e-12,
        carrier_hz=centre_hz,
        centre_hz=centre_hz,
        half_angle_rad=half_rad,
    )


def folded_width(chord_m) -> float:
    """Half-power width, over its length along the way, of a face whose strips are so high.

    Its beam one way is the transform of its strips; what out and back leaves up to the first
    null, transformed back, is its point. From path to place it is half: the path changes by
    twice the sine. Worked out by plain sums, without any formula for a beam.
    """
    place = np.linspace(-0.5, 0.5, 801)
    sine = np.linspace(0, 1.5, 1501)
    beam = np.cos(2 * np.pi * np.outer(sine, place)) @ chord_m(place)
    main = np.arange(sine.size) < np.flatnonzero(beam <= 1e-9 * beam[0])[0]
    away = np.linspace(0, 0.5, 1001)
    point = np.cos(4 * np.pi * np.outer(away, sine[main])) @ beam[main] ** 2
    return 2 * float(away[point < point[0] * math.sqrt(0.5)][0])


@pytest.mark.parametrize("range_m", [2.0, 8.0, 30.0])
@pytest.mark.parametrize(
    ("shape", "size_m", "width_m"),
    [
        ("line", 0.2, 0.2 * folded_width(np.ones_like)),
        ("piston", 0.1, 0.2 * folded_width(lambda y: np.sqrt(0.25 - y**2))),
    ],
)
def test_a_lone_point_is_as_wide_as_theory_has_it_at_any_range(shape, size_m, width_m, range_m):
    centre_hz = 1e9 / 0.01  # waves of 1 cm, a twentieth of the face: small angles
    face = Face(shape=shape, size_m=size_m, frequency_hz=np.array([centre_hz]), share=np.ones(1))
    half_rad = focus_limits.beam_limit_rad(face, 0.01)
    way = wide_way(0.01, half_rad, centre_hz)
    reach_m = range_m * math.tan(half_rad)
    ahead_m = np.arange(-reach_m, reach_m, way.spacing_m)
    due_m = focus_limits.point_width_m(face, way, ahead_m, range_m)
    # The pings that see a place beside the point are others at one end: at 2 m, of a quarter
    # of a metre, those of the width's half, 3 cm, which a beam's edge hears hardly at all.
    # The sums are rough by 1 %, angles small to 0.4 %.
    assert due_m == pytest.approx(width_m, rel=0.03)
    assert due_m < focus_limits.finest_along_m(face)


def test_two_points_half_a_disc_apart_are_told_from_each_other():
    """Half a face apart the sum of two in step dips between them; a quarter apart it does not."""
    y = np.linspace(-1, 1, 4001)
    folded = np.convolve(*(np.sqrt(np.maximum(1 - y**2, 0)),) * 2)
    place_m = np.linspace(-2, 2, folded.size) / 2  # of a disc of diameter 2

    def dip(apart_m):
        def at(x):
            return np.interp(abs(x), place_m, folded)

        return 2 * at(apart_m / 2) / (at(0) + at(apart_m))

    assert dip(1.0) < 10 ** (-1 / 20)  # half of the diameter: by a decibel or more
    assert dip(0.5) > 1.0


def test_pings_a_quarter_wave_apart_leave_no_copies_and_wider_ones_do():
    assert focus_limits.sampling_limit_rad(0.25, 1.0) == pytest.approx(math.pi / 2)
    # From ping to ping 2 d sin θ is half a wave: θ = 30° where d is half a wave.
    assert focus_limits.sampling_limit_rad(0.5, 1.0) == pytest.approx(math.radians(30))
    assert focus_limits.copies_aside_m(0.5, 1.0, 3.0) is None
    # 2 d sin θ is a whole wave at 30° where d is a wave: 3 m tan 30° aside.
    assert focus_limits.copies_aside_m(1.0, 1.0, 3.0) == pytest.approx(3 * math.tan(math.pi / 6))


def test_the_angle_that_pings_leave_makes_a_point_as_wide_as_their_spacing():
    face = Face(shape="piston", size_m=1e-4, frequency_hz=np.array([1e11]), share=np.ones(1))
    spacing_m = 0.02  # two waves
    half_rad = focus_limits.sampling_limit_rad(spacing_m, 0.01)
    way = wide_way(spacing_m, half_rad, 1e11)
    reach_m = 3 * math.tan(half_rad)
    ahead_m = np.arange(-reach_m, reach_m, spacing_m)
    # An even aperture of sines ±λ/(4d) is a sinc of zeros d apart: 0.886 d at half power.
    due_m = focus_limits.point_width_m(face, way, ahead_m, 3.0)
    assert due_m == pytest.approx(0.886 * spacing_m, rel=0.03)


# Points


def drawn(way, points, pings, rms, rng, tones_hz=TONES_HZ, shares=SHARES):
    """Profiles of points whose echoes fade towards 30° as cos², in noise of the pulse's band."""
    delay = np.arange(150) * BIN_S
    tones = np.exp(2j * np.pi * np.outer(tones_hz - CARRIER_HZ, delay))
    heard = np.zeros((pings, tones_hz.size), dtype=complex)
    for time_s, range_m, amplitude in points:
        for ping in range(pings):
            ahead_m = way.speed_m_s * (time_s - ping * way.interval_s)
            aside, delay_s = flight(ahead_m, range_m, way)
            share = aside / (range_m * math.tan(way.half_angle_rad))
            if abs(share) >= 1:
                continue
            level = amplitude * math.cos(math.pi / 2 * share) ** 2
            # A chirp's echo is shown elsewhere, its phase at the centre is the delay's own.
            seen_s = shown_s(aside, range_m, way)
            phase = (tones_hz - CENTRE_HZ) * seen_s + CENTRE_HZ * delay_s
            heard[ping] += level * shares * np.exp(-2j * np.pi * phase)
    noise = rng.standard_normal((2, *heard.shape))
    # Of each tone so much that their sum has the RMS asked for.
    heard += rms * (noise[0] + 1j * noise[1]) / math.sqrt(2) * np.sqrt(shares)
    return (heard @ tones).astype(np.complex64)


def test_a_points_place_and_speed_lie_within_their_uncertainties():
    rng = np.random.default_rng(5)
    pulls = []
    for _ in range(24):
        time_s, range_m = 1.0 + rng.uniform(-0.01, 0.01), 0.35 + rng.uniform(-0.002, 0.002)
        profiles = drawn(WAY, [(time_s, range_m, 1.0)], 101, 0.1, rng)
        point = fit_point(
            profiles,
            WAY.at_speed(0.2505),
            time_s=1.0,
            range_m=0.35,
            range_scale_m=0.01,
            fit_speed=True,
        )
        assert point is not None
        pulls.append(
            (
                (point.time_s - time_s) / point.u_time_s,
                (point.range_m - range_m) / point.u_range_m,
                (point.speed_m_s - 0.25) / point.u_speed_m_s,
            )
        )
    rms = np.sqrt(np.mean(np.square(pulls), axis=0))
    # Of 24 normal pulls the RMS lies within 1 ± 3/√48 by 99.7 %; uncertainties from some eighty
    # pings that go together in runs of ten are themselves unsure by a tenth or two.
    assert (rms < 1.6).all()
    assert (rms > 0.45).all()


def test_a_long_tones_point_stands_where_its_arch_bends_and_not_within_its_echo_alone():
    # A tone of 0.25 m in range is compressed to a triangle, as long to each side: sinc² over
    # frequency. Its arch tells ten times as much: over 30° the phase turns by λ/2 / (1 − cos 30°),
    # here some 50 mm.
    rng, pulls = np.random.default_rng(6), []
    long_s = 0.5 / WAY.sound_speed_m_s
    off_hz = np.linspace(-3 / long_s, 3 / long_s, 61)
    shares = np.sinc(off_hz * long_s) ** 2
    for _ in range(24):
        time_s, range_m = 1.0 + rng.uniform(-0.01, 0.01), 0.35 + rng.uniform(-0.002, 0.002)
        tone = CENTRE_HZ + off_hz, shares / shares.sum()
        profiles = drawn(WAY, [(time_s, range_m, 1.0)], 101, 0.03, rng, *tone)
        point = fit_point(profiles, WAY, time_s=1.0, range_m=0.36, range_scale_m=0.25)
        assert point is not None
        pulls.append((point.range_m - range_m) / point.u_range_m)
    # As above.
    assert 0.45 < np.sqrt(np.mean(np.square(pulls))) < 1.6


def test_a_focus_is_sharpest_at_the_true_speed_and_loses_it_within_a_lobe():
    rng = np.random.default_rng(6)
    profiles = drawn(WAY, [(1.0, 0.35, 1.0)], 101, 0.03, rng)
    lobe = speed_lobe(WAY, 0.35, 2 * 0.35 * math.tan(WAY.half_angle_rad))
    tried = 0.25 * (1 + np.array([-6, -3, 0, 3, 6]) * lobe)
    sharp, at_s = sharpness(profiles, WAY, tried, time_s=1.0, range_m=0.35, slack_s=0.1)
    assert int(np.argmax(sharp)) == 2
    assert sharp[2] > 0.9
    assert (np.diff(sharp)[:2] > 0).all()
    assert (np.diff(sharp)[2:] < 0).all()
    assert max(sharp[0], sharp[-1]) < 0.6
    assert at_s[2] == pytest.approx(1.0, abs=0.02)


def test_noise_alone_has_no_share_in_step():
    rng = np.random.default_rng(7)
    profiles = drawn(WAY, [], 101, 1.0, rng)
    sharp, _ = sharpness(profiles, WAY, [0.25], time_s=1.0, range_m=0.35)
    # One over some 80 pings, exponentially: 0.1 % are beyond seven times that.
    assert sharp[0] < 7 / 80


def test_a_way_that_cannot_be_is_refused():
    with pytest.raises(ValueError, match="speed_m_s: found 0"):
        dataclasses.replace(WAY, speed_m_s=0.0)
    with pytest.raises(ValueError, match="half_angle_rad: found 2"):
        dataclasses.replace(WAY, half_angle_rad=2.0)
