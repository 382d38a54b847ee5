"""What a window does to pings before it shows them, on sound from the virtual tank."""

import numpy as np
import pytest

from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.loop import ping_results
from rig.run.receiver import Receiver
from rig.run.results import PingResult
from rig.show.window.kept_pings import MOST_STACKED, ShownPings
from rig.tank.built_in import built_in


@pytest.fixture(scope="module")
def heard():
    scene, plan = built_in("bench")
    front_end = open_virtual_tank(plan, scene=scene, seed=5)
    receiver = Receiver(plan, front_end.info)
    return receiver, list(ping_results(receiver, front_end.blocks(24)))


def taken(heard, *, most=120, pings=24):
    receiver, results = heard
    shown = ShownPings(receiver, most=most)
    for result in results[:pings]:
        shown.take(result)
    return shown


def test_pings_are_shown_as_they_came_unless_something_is_asked_for(heard):
    assert taken(heard).results() == heard[1]
    assert taken(heard).remarks() == ""


def test_only_the_latest_are_shown(heard):
    assert [r.index for r in taken(heard, most=5).results()] == [19, 20, 21, 22, 23]


def test_pause_holds_what_is_shown_while_pings_are_still_taken(heard):
    shown = taken(heard, pings=10)
    shown.pause()
    for result in heard[1][10:]:
        shown.take(result)
    assert shown.results()[-1].index == 9
    assert (shown.newer, shown.pings) == (14, 24)
    shown.pause()
    assert [r.index for r in shown.results()] == list(range(24))
    assert shown.newer == 0


def noise_of(result):
    profile = result.profile
    # Beyond the far wall's echo at 3.05 m: nothing but noise from 3.15 m on.
    return np.abs(profile.envelope[int(2 * 3.15 / 343.963 / profile.bin_s) :])


def test_stacking_lowers_noise_by_the_root_of_the_number(heard):
    plain, shown = taken(heard), taken(heard)
    for _ in range(4):
        shown.stack_more()
    assert shown.stack == 16
    result = shown.results()[-1]
    assert result.profile.pings == 16
    ratio = np.median(noise_of(result)) / np.median(
        np.concatenate([noise_of(r) for r in plain.results()])
    )
    # Some 200 independent bins: a Rayleigh median is known to 1/(ln 4·√200) = 5 %; the
    # wall's tail, which does not sink, adds less than that again.
    assert ratio == pytest.approx(1 / 4, rel=0.2)


def test_adding_up_says_that_what_moved_is_smeared(heard):
    # The scene's ball is drawn away at 0.08 m/s, 20 mm from ping to ping.
    shown = taken(heard)
    assert "smeared" not in shown.remarks()
    shown.stack_more()
    assert "What moved is smeared." in shown.remarks()


def test_stacking_stops_at_one_and_at_the_most(heard):
    shown = taken(heard)
    shown.stack_fewer()
    assert shown.stack == 1
    for _ in range(20):
        shown.stack_more()
    assert shown.stack == MOST_STACKED


def test_raised_threshold_stands_higher_and_returns_to_the_plans_own(heard):
    shown = taken(heard)
    planned = heard[1][-1]
    shown.raise_threshold()
    shown.raise_threshold()
    raised = shown.results()[-1]
    # Noise has a threshold of σ√(−2 ln P): from 1e-6 to 1e-8 it rises by 10·log10(8/6),
    # 1.25 dB. Cell averaging over few cells asks for more, never for less.
    inside = np.isfinite(planned.threshold_db)
    rise_db = np.median((raised.threshold_db - planned.threshold_db)[inside])
    assert 1.2 < rise_db < 2.0
    assert "10⁸" in shown.remarks()
    shown.lower_threshold()
    shown.lower_threshold()
    assert shown.results()[-1] is planned


def test_lowered_threshold_finds_no_fewer_echoes(heard):
    shown = taken(heard)
    for _ in range(4):
        shown.lower_threshold()
    assert len(shown.results()[-1].echoes) >= len(heard[1][-1].echoes)


def test_threshold_keeps_within_what_a_plan_may_ask_for(heard):
    shown = taken(heard, pings=1)
    for _ in range(20):
        shown.raise_threshold()
    assert shown.false_alarm_rate == pytest.approx(1e-12, rel=1e-9)
    for _ in range(40):
        shown.lower_threshold()
    assert shown.false_alarm_rate == pytest.approx(0.1, rel=1e-9)


def test_what_stands_still_can_be_taken_away_and_put_back(heard):
    shown = taken(heard)
    # The rolling ball at 0.5 m + 0.08 m/s · 23 · 0.25 s, less or more its radius of 6 cm,
    # stays; lid, post and wall go.
    lid = max(shown.results()[-1].echoes, key=lambda e: e.strength_db)
    assert lid.range_m == pytest.approx(1.217, abs=0.03)
    assert shown.toggle_background()
    (ball, *others) = shown.results()[-1].echoes
    assert ball.range_m == pytest.approx(0.96, abs=0.08)
    # Each ping's time zero is known to 0.1 µs; three times that turns the band's middle,
    # 8 kHz, by 2π · 8000 · 3e-7 = 0.015: what stands still sinks by 36 dB or more.
    assert all(e.strength_db < lid.strength_db - 36 for e in others)
    assert shown.toggle_background()
    assert shown.results() == heard[1]


def test_still_background_is_not_guessed_from_few_pings(heard):
    shown = taken(heard, pings=3)
    assert not shown.toggle_background()
    assert not shown.background_removed


def test_lost_pings_stay_lost_whatever_is_asked_for(heard):
    shown = taken(heard)
    shown.take(PingResult(index=24, sent_s=6.0, lost=True, reason="gone"))
    shown.stack_more()
    shown.toggle_background()
    shown.raise_threshold()
    last = shown.results()[-1]
    assert (last.lost, last.profile, last.echoes) == (True, None, ())
    assert shown.lost_pings == 1


def test_pings_left_out_are_counted_and_are_not_lost(heard):
    receiver, results = heard
    shown = ShownPings(receiver, most=120)
    for result in (*results[:5], *results[8:10], *results[14:]):
        shown.take(result)
    assert (shown.pings, shown.lost_pings, shown.left_out) == (17, 0, 7)
