"""A plan turned by a bench's knobs."""

import tomllib

import pytest

from rig.bench import turned
from rig.bench.plan import plan_from_table
from rig.bench.start_plans import start_plan


def plan_named(name):
    return plan_from_table(tomllib.loads(start_plan(name)))


TURNS = {
    turned.retuned: lambda p: p.pulse.centre_hz,
    turned.lengthened: lambda p: p.pulse.duration_s,
    turned.other_disc: lambda p: p.transducer.radius_m,
    turned.other_interval: lambda p: p.timing.ping_interval_s,
}


@pytest.mark.parametrize("turn", TURNS)
def test_four_turns_double_or_halve_to_three_digits(turn):
    plan, of = plan_named("tank"), TURNS[turn]
    steps = 1 if turn is turned.other_interval else -1
    larger = plan
    for _ in range(4):
        larger = turn(larger, steps)
    # Rounded four times to three digits, by at most 0.5 % of 1.00 each.
    assert of(larger) / of(plan) == pytest.approx(2.0**steps, rel=0.02)


def test_kinds_of_pulse_go_round_with_middle_and_length():
    plan = plan_named("air")
    kinds = []
    for _ in range(5):
        plan = turned.other_kind(plan, 1)
        kinds.append(plan.pulse.kind)
        assert plan.pulse.centre_hz == pytest.approx(plan_named("air").pulse.centre_hz)
        assert plan.pulse.duration_s == pytest.approx(plan_named("air").pulse.duration_s, rel=1e-9)
    assert kinds == ["tone", "barker13", "golay", "chirp", "tone"]


def test_a_plan_that_does_not_do_is_refused_as_a_plan_file_is():
    with pytest.raises(ValueError, match="give less than timing"):
        turned.lengthened(plan_named("air"), 40)
