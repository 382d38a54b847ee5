"""Strengths, signs and delays of what one ping brings, through the whole tank."""

import math

import numpy as np
import pytest

from dsp.ping.pulse.pulses import linear_chirp
from rig.tank.echoes import NEAREST_M, Tank
from rig.tank.scene import scene_from_table

RATE = 192_000.0
SPEED = 1482.35
PULSE = linear_chirp(40e3, 60e3, 0.002, RATE, taper="hann").samples.astype(np.float64)
START = 1000.0


def _tank(*targets, baseline_m=0.0, rate=RATE, seed=0, **tables):
    table = {
        "medium": {"kind": "fresh-water", "sound_speed_m_s": SPEED},
        "direct": {"level_db": -200.0},
        "source": {"level_db": 0.0},
        "target": list(targets),
        **tables,
    }
    scene = scene_from_table(table)
    return Tank(scene, [PULSE], sample_rate_hz=rate, baseline_m=baseline_m, seed=seed)


def _still(*targets, **tables):
    return _tank(*targets, **tables).still_sound(pulse_index=0, start=START)


def _ball(along_m, **keys):
    return {"body": "sphere", "radius_m": 0.5, "position_m": [along_m, 0.0, 0.0], **keys}


def _amplitude(sound, delay_s):
    """Best-fitting factor of the pulse, moved in the frequency domain to a delay."""
    frequency = np.fft.rfftfreq(sound.size)
    moved = np.fft.rfft(PULSE, sound.size)
    moved = moved * np.exp(-2j * np.pi * frequency * (START + delay_s * RATE))
    copy = np.fft.irfft(moved, sound.size)
    return float(sound @ copy / (copy @ copy))


@pytest.mark.parametrize("range_m", [2.0, 4.0, 8.0])
def test_the_echo_of_a_large_ball_falls_by_one_over_the_range_each_way(range_m):
    # a/2 / R²: geometric strength of a ball (ka > 80: rigid_form 1 within 1e-8) and 1/R each
    # way. The bend towards the mirror is (a/2 / (R/2))⁴/4 = 1e-3 at 2 m; the absorption of
    # water below 1e-3 dB/m over 16 m is 2e-3.
    found = _amplitude(_still(_ball(range_m)), 2 * range_m / SPEED)
    assert found == pytest.approx(0.25 / range_m**2, rel=4e-3)


def test_air_absorbs_what_the_standard_says_along_the_path():
    # At 50 kHz ± the chirp's spread; the same scene in air and in a medium that takes nothing
    # (water), at the same sound speed.
    def of(kind, along_m):
        medium = {"kind": kind, "sound_speed_m_s": 343.0}
        return _amplitude(_still(_ball(along_m), medium=medium), 2 * along_m / 343.0)

    lost_db = 20 * math.log10(of("fresh-water", 3.0) / of("air", 3.0))
    # ISO 9613-1 (formula from memory, worked out apart): 1.3182 dB/m at 40 kHz. At 50 kHz
    # the loss grows with f^1.1 to f² : between 1.65 and 2.06 dB/m over 6 m.
    assert 6 * 1.65 < lost_db < 6 * 2.06


def test_a_soft_ball_s_echo_is_a_rigid_one_s_upside_down():
    rigid = _amplitude(_still(_ball(2.0)), 4.0 / SPEED)
    soft = _amplitude(_still(_ball(2.0, surface="soft")), 4.0 / SPEED)
    # |f∞| of both is 1 at ka 100, but for 1e-4 of the soft one.
    assert soft == pytest.approx(-rigid, rel=1e-3)


def test_a_free_surface_sends_the_pulse_back_upside_down_and_a_rigid_lid_does_not():
    walls = {"size_m": [6.0, 6.0, 3.0], "pair_m": [3.0, 3.0, 2.0], "order": 1}
    for above in (-1.0, 1.0):
        found = _amplitude(_still(walls={**walls, "above": above}), 2.0 / SPEED)
        assert found == pytest.approx(above / 2.0, rel=2e-3)  # 1/path; absorption as above


def test_a_bottom_sends_second_echoes_only_by_way_of_a_surface():
    bottom = {"range_m": 2.0, "reflection": 0.5}
    alone = _still(bottom=bottom)
    both = _still(bottom=bottom, surface={"behind_m": 0.3})
    second_s = (4.0 + 0.6 + 4.0) / SPEED  # bottom, surface behind the pair, bottom
    assert _amplitude(alone, 4.0 / SPEED) == pytest.approx(0.5 / 4.0, rel=2e-3)
    # Nothing is there alone but the tails of the interpolation, a millionth of 0.125.
    assert np.abs(alone[int(START + second_s * RATE) - 100 :]).max() < 2e-7
    assert _amplitude(both, second_s) == pytest.approx(-(0.5**2) / 8.6, rel=2e-3)


def test_a_soft_bottom_s_tail_holds_as_much_energy_as_its_echo():
    energies = []
    for seed in range(40):
        table = {"range_m": 2.0, "kind": "soft", "tail_m": 0.5}
        sound = _tank(bottom=table, seed=seed).still_sound(pulse_index=0, start=START)
        plain = _tank(bottom={**table, "tail_m": 0.0}).still_sound(pulse_index=0, start=START)
        tail = sound.copy()
        tail[: plain.size] -= plain
        energies.append((tail @ tail) / (plain @ plain))
    # The tail's energy is a sum over some 200 independent specks, weighted: it spreads by
    # about √(2/100); over 40 seeds the mean spreads by 2 %. Four of them.
    assert np.mean(energies) == pytest.approx(1.0, abs=0.09)


def test_the_direct_sound_comes_at_baseline_over_speed_and_as_loud_as_it_is_shaded():
    tank = _tank(baseline_m=0.25, direct={"level_db": -20.0})
    assert tank.direct_delay_s == 0.25 / SPEED
    sound = tank.still_sound(pulse_index=0, start=START)
    # 1/b spreading, a tenth for −20 dB; absorption over 0.25 m is below 1e-4.
    assert _amplitude(sound, 0.25 / SPEED) == pytest.approx(0.1 / 0.25, rel=1e-4)


def test_nothing_is_louder_than_it_would_be_at_the_nearest_distance():
    direct = {"level_db": 0.0}
    touching = _tank(direct=direct).still_sound(pulse_index=0, start=START)
    assert _amplitude(touching, 0.0) == pytest.approx(1 / NEAREST_M, rel=1e-9)


def test_source_and_receiver_stand_half_a_baseline_either_side():
    # The path of an echo is |source − p| + |p − receiver|: p off the axis.
    target = {"body": "sphere", "radius_m": 0.3, "position_m": [2.0, 0.7, -0.4]}
    sound = _tank(target, baseline_m=1.0).still_sound(pulse_index=0, start=START)
    path_m = math.dist((0, -0.5, 0), (2.0, 0.7, -0.4)) + math.dist((0, 0.5, 0), (2.0, 0.7, -0.4))
    turned = np.fft.rfft(sound) * np.conj(np.fft.rfft(PULSE, sound.size))
    frequency = np.fft.rfftfreq(sound.size)
    band = (frequency > 42e3 / RATE) & (frequency < 58e3 / RATE)
    place = START + path_m / SPEED * RATE
    left = np.angle(turned * np.exp(2j * np.pi * frequency * place))[band]
    # Zero-phase filters throughout: what is left of the phase is the wrapped tails' 1e-5,
    # weakest at the band's edges, where the Hann taper leaves a tenth: 1e-4 rad.
    assert np.abs(left).max() < 1e-4


def test_the_beam_acts_on_the_way_out_and_on_the_way_back():
    off_axis = {"body": "sphere", "radius_m": 0.5, "position_m": [2.0, 0.0, 0.6]}
    point = _amplitude(_still(off_axis), 2 * math.hypot(2.0, 0.6) / SPEED)
    piston = {"shape": "piston", "radius_m": 0.012}
    narrow = _amplitude(_still(off_axis, transducer=piston), 2 * math.hypot(2.0, 0.6) / SPEED)
    source = _amplitude(_still(off_axis, source_transducer=piston), 2 * math.hypot(2, 0.6) / SPEED)
    # 2J₁(x)/x at 50 kHz: x = ka sinθ = 2.5432·0.28735 = 0.7308: 0.93470 (series 1 − x²/8 +
    # x⁴/192). Over the chirp's middle, 45 to 55 kHz, x² and so the loss varies by a fifth of
    # 6.5 % either way, nearly evenly: 0.2 % is left of it.
    assert source / point == pytest.approx(0.93470, rel=2e-3)
    assert narrow / point == pytest.approx(0.93470**2, rel=4e-3)


def test_a_target_that_leaves_the_box_falls_silent():
    walls = {"size_m": [3.0, 2.0, 2.0], "pair_m": [0.5, 1.0, 1.0]}
    ball = {
        "body": "sphere",
        "radius_m": 0.02,
        "position_m": [2.0, 0, 0],
        "velocity_m_s": [1, 0, 0],
    }
    tank = _tank(ball, walls=walls)
    inside = tank.fresh_sound(ping=0, pulse_index=0, sent_s=0.1, start=START)
    outside = tank.fresh_sound(ping=1, pulse_index=0, sent_s=0.6, start=START)
    assert np.abs(inside).max() > 0
    assert not outside.any()


def test_a_cloud_is_as_strong_as_its_bubbles_together():
    # Incoherent sum (common practice): mean energy is count times that of one bubble.
    cloud = {"body": "bubbles", "radius_m": 0.2, "count": 500, "position_m": [4.0, 0.0, 0.0]}
    tank = _tank(cloud)
    one = _tank({**cloud, "count": 1})

    def energy(which, ping):
        sound = which.fresh_sound(ping=ping, pulse_index=0, sent_s=0.0, start=START)
        return float(sound @ sound)

    mean = np.mean([energy(tank, ping) for ping in range(300)])
    # Spreading: the middle of the cloud lies 0.2 m behind its front, or less where no bubble
    # is right at the front: between (4/4.2)⁴ = 0.823 and (4/4.1)⁴ = 0.906. Speckle: of
    # the 0.4 m some half is filled, 5 cells of c/(2B) = 37 mm, each with the spread of
    # an exponential: √(1/5/300) = 2.6 % over 300 pings; three of them.
    assert 0.823 - 0.08 < mean / energy(one, 0) / 500 < 0.906 + 0.08


def test_a_cloud_s_front_stands_where_it_is_measured():
    cloud = {"body": "bubbles", "radius_m": 0.5, "count": 50, "position_m": [4.0, 0.0, 0.0]}
    sound = _tank(cloud).fresh_sound(ping=3, pulse_index=0, sent_s=0.0, start=START)
    first = START + 8.0 / SPEED * RATE
    # Ahead of its front there are the tails of the interpolation alone, 1e-5 of a bubble.
    assert np.abs(sound[: int(first) - 1]).max() < 1e-4 * np.abs(sound).max()
    # The rise of a Hann-tapered pulse: 1 % of its peak by 25 of 384 samples,
    # sin²(π·25/384) = 0.04; the nearest of 24 parts of the cloud alone by then.
    assert np.abs(sound[: int(first) + 25]).max() > 2e-3 * np.abs(sound).max()


MOVING = (
    {"body": "bubbles", "radius_m": 0.2, "position_m": [4.0, 0.1, 0.0]},
    {**_ball(2.0), "velocity_m_s": [0.3, 1.0, 0.0], "turn_back_s": 0.4},
    {
        "body": "plate",
        "width_m": 0.3,
        "height_m": 0.2,
        "position_m": [3.0, -0.4, 0.2],
        "velocity_m_s": [-0.5, 0.0, 0.1],
    },
)
PISTON = {"transducer": {"shape": "piston", "radius_m": 0.012}}


def test_a_ping_is_the_same_whether_or_not_others_were_sounded_before_it():
    tables = {"clutter": {"level_db": -20.0, "reach_m": 0.2}, "noise": {"level_db": -40.0}}
    one, other = _tank(*MOVING, seed=4, **tables), _tank(*MOVING, seed=4, **tables)
    for ping in (9, 0, 3):
        other.fresh_sound(ping=ping, pulse_index=0, sent_s=0.1 * ping, start=START)
    _noise(other, ping=0, channel=1)
    sounds = [t.fresh_sound(ping=7, pulse_index=0, sent_s=0.7, start=START) for t in (one, other)]
    np.testing.assert_array_equal(*sounds)
    np.testing.assert_array_equal(_noise(one, ping=7), _noise(other, ping=7))
    assert not np.array_equal(_noise(one, ping=7), _noise(one, ping=8))


def test_bodies_are_heard_together_as_each_alone():
    # Linear acoustics: pressures add. Amplitudes of 1 at most, summed in another order:
    # some 30 roundings of 1e-16.
    def fresh(*targets):
        tank = _tank(*targets, seed=4, baseline_m=0.1, **PISTON)
        return tank.fresh_sound(ping=3, pulse_index=0, sent_s=0.3, start=START)

    together = fresh(*MOVING)
    alone = np.zeros(together.size)
    for target in MOVING:  # the cloud first of all: its bubbles are drawn by its place
        sound = fresh(target)
        assert np.abs(sound).max() > 1e-4
        alone[: sound.size] += sound
    np.testing.assert_allclose(together, alone, atol=1e-14)


def test_what_is_kept_of_still_bodies_and_walls_is_what_following_them_afresh_gives():
    walls = {"size_m": [6.0, 6.0, 3.0], "pair_m": [1.0, 3.0, 2.0], "above": -1.0, "ahead": 0.5}
    ball = {**_ball(2.0), "position_m": [2.0, 0.3, -0.2], "radius_m": 0.1}
    # Nearer, not away: a pulse stretched by anything at all loses the bin at half the rate.
    crawling = {**ball, "velocity_m_s": [-1e-12, 0.0, 0.0]}
    tables = {"walls": walls, "baseline_m": 0.1, **PISTON}
    kept = _still(ball, **tables)
    afresh = _still(**tables)
    echo = _tank(crawling, **tables).fresh_sound(ping=9, pulse_index=0, sent_s=0.9, start=START)
    assert np.abs(echo).max() > 1e-3
    afresh[: echo.size] += echo
    # In 0.9 s it crawls 1e-12 m, 2e-12 m of path: 4e-10 rad at 60 kHz, of an echo of 0.02.
    # It is stretched by a chirp transform, exact to 1e-13 of a spectrum that sums to 400.
    np.testing.assert_allclose(kept, afresh, atol=2e-11)


def _noise(tank, *, ping, channel=0, samples=100):
    sound = np.zeros(samples)
    tank.add_noise(sound, ping=ping, channel=channel)
    return sound


@pytest.mark.parametrize("samples", [100, 8192, 20_001])
def test_noise_is_one_draw_of_numpy_s_stream_for_seed_ping_and_channel(samples):
    # A seed's noise is a promise (recordings are remade from it): NumPy's PCG64, seeded by
    # (seed, 0 for noise, ping, channel), each number a standard normal times the level.
    tank = _tank(seed=4, noise={"level_db": -40.0})
    stream = np.random.Generator(np.random.PCG64(np.random.SeedSequence((4, 0, 7, 1))))
    expected = 10 ** (-40.0 / 20) * stream.standard_normal(samples)
    np.testing.assert_array_equal(_noise(tank, ping=7, channel=1, samples=samples), expected)


ROOM = {"walls": {"size_m": [6, 4, 4], "pair_m": [0.5, 2, 2], "ahead": 0.3, "order": 2}}
CHANGES = [
    {"target": [_ball(2.0), _ball(3.5, velocity_m_s=[0.0, 0.2, 0.0])]},  # the other is taken
    {"target": [_ball(2.0), _ball(3.0)]},  # and hung still elsewhere
    {"target": [_ball(2.0)], "clutter": {"level_db": -60.0, "reach_m": 0.1}},
    {"target": [_ball(2.0)], "transducer": {"shape": "piston", "radius_m": 0.02, "tilt_deg": 9}},
    {"target": [_ball(2.0)], "walls": {**ROOM["walls"], "ahead": 0.9}},
]


@pytest.mark.parametrize("rest", CHANGES)
def test_a_tank_that_was_changed_sounds_as_one_that_was_always_so(rest):
    changed = _tank(_ball(2.0), _ball(3.5), **ROOM)
    changed.still_sound(pulse_index=0, start=START)
    tables = {**ROOM, **{k: v for k, v in rest.items() if k != "target"}}
    new = _tank(*rest["target"], **tables)
    changed.change(new.scene)
    for one in ("still_sound", "fresh_sound"):
        asked = {"pulse_index": 0, "start": START}
        if one == "fresh_sound":
            asked |= {"ping": 4, "sent_s": 0.4}
        # The same sums in the same order: to the last bit.
        np.testing.assert_array_equal(getattr(changed, one)(**asked), getattr(new, one)(**asked))


def test_only_the_body_that_was_changed_is_worked_out_anew(monkeypatch):
    tank = _tank(_ball(2.0), _ball(3.5), **ROOM)
    tank.still_sound(pulse_index=0, start=START)
    followed = []
    ways = Tank._echoes
    monkeypatch.setattr(
        Tank, "_echoes", lambda self, body, *rest: followed.append(body) or ways(self, body, *rest)
    )
    tank.change(_tank(_ball(2.0), _ball(3.0), **ROOM).scene)
    tank.still_sound(pulse_index=0, start=START)
    assert followed == [1]
