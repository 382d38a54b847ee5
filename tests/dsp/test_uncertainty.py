"""Budgets and random trials against the worked examples of the two guides.

The examples' numbers are from memory of JCGM 100:2008 (annex H) and JCGM 101:2008
(clause 9). Each is printed there to so many digits; half a step of the last one is the
tolerance, and is rounding.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.uncertainty import (
    Input,
    monte_carlo,
    numerical_tolerance,
    propagated,
    unsure,
    within,
)


def end_gauge(x):
    """JCGM 100, H.1: a gauge of 50 mm compared with a standard; in nm and °C."""
    strain = x["expansion difference"] * x["temperature"]
    strain = strain + x["expansion"] * x["temperature difference"]
    return x["standard"] + x["comparison"] - x["standard"] * strain


END_GAUGE = {
    "standard": Input(value=50_000_623.0, u=25.0),
    "comparison": Input(value=215.0, u=9.7),
    "expansion difference": within(1e-6),
    "temperature": Input(value=-0.1, u=0.41),
    "expansion": within(2e-6, value=11.5e-6),
    "temperature difference": within(0.05),
}


def total(x):
    return sum(x.values())


def four(spread: str, *u: float) -> dict[str, Input]:
    return {f"x{i}": Input(value=0.0, u=each, spread=spread) for i, each in enumerate(u)}


# The first order


def test_end_gauge_has_the_printed_length_and_terms() -> None:
    budget = propagated(end_gauge, END_GAUGE)
    terms = {term.name: term.u for term in budget.terms}
    assert budget.value == pytest.approx(50_000_838, abs=0.5)
    # Table H.1: 25, 9.7, 2.9, 0, 0 and 16.6 nm; combined 32 nm.
    assert terms["standard"] == pytest.approx(25, abs=0.5)
    assert terms["comparison"] == pytest.approx(9.7, abs=0.05)
    assert terms["expansion difference"] == pytest.approx(2.9, abs=0.05)
    assert terms["temperature"] == 0
    assert terms["expansion"] == 0
    assert terms["temperature difference"] == pytest.approx(16.6, abs=0.05)
    assert budget.combined == pytest.approx(32, abs=0.5)


def test_even_spread_has_its_half_width_over_root_three() -> None:
    # JCGM 100, 4.3.7, and H.1.3.4: ±0.05 °C is 0.029 °C.
    assert within(0.05).u == pytest.approx(0.029, abs=0.0005)


def test_input_that_enters_twice_is_counted_with_its_sign() -> None:
    # (b + x) − b: nothing of b is left. In quadrature, as if b were two, √2 of it were.
    inputs = {"x": Input(value=1.0, u=0.1), "b": Input(value=0.3, u=5.0)}
    budget = propagated(lambda i: (i["b"] + i["x"]) - i["b"], inputs)
    assert [term.u for term in budget.terms] == [pytest.approx(0.1, rel=1e-12), 0]


def test_expanded_is_twice_the_combined_unless_asked_otherwise() -> None:
    budget = propagated(total, four("normal", 3.0, 4.0))
    assert budget.combined == pytest.approx(5)  # Pythagoras
    assert budget.expanded() == pytest.approx(10)
    assert budget.expanded(1.96) == pytest.approx(9.8)


@given(st.lists(st.floats(1e-9, 1e3), min_size=1, max_size=12))
def test_shares_add_up_to_one(u: list[float]) -> None:
    budget = propagated(total, four("normal", *u))
    # Rounding: a root, a division and a square for each of 12 terms.
    assert sum(budget.shares) == pytest.approx(1, abs=1e-12)
    assert [term.u for term in budget.terms] == pytest.approx(u, rel=1e-12)


def test_exact_inputs_leave_no_uncertainty_and_no_warning() -> None:
    budget = propagated(lambda x: x["a"] ** 2, {"a": Input(value=3.0, u=0.0)})
    assert (budget.value, budget.combined, budget.shares) == (9.0, 0.0, (0.0,))


@given(st.floats(0.5, 2.0), st.floats(0.5, 2.0), st.floats(0.1, 2.0))
def test_slopes_are_those_of_finite_differences(a: float, b: float, c: float) -> None:
    def model(x):
        return (x["a"] ** 2 + x["b"] * x["c"]) ** 0.5 / x["c"]

    at = {"a": a, "b": b, "c": c}
    budget = propagated(model, {n: Input(value=v, u=1.0) for n, v in at.items()})
    step = 1e-5
    for term in budget.terms:
        up, down = ({**at, term.name: at[term.name] + sign * step} for sign in (1, -1))
        slope = abs(model(up) - model(down)) / (2 * step)
        # Rounding: 1e-16 of a value of at most 40 over the step. Physics: the third
        # derivative, which 1/c⁴ bounds by some 1e5 here, times the step squared over 6.
        assert term.u == pytest.approx(slope, rel=1e-6, abs=1e-5)


# Random trials


def test_trials_of_the_end_gauge_find_what_the_first_order_leaves_out() -> None:
    # H.1.7: with the terms of second order the 32 nm become 34.
    found = monte_carlo(end_gauge, END_GAUGE, trials=200_000, rng=np.random.default_rng(1))
    # The deviation of 200 000 trials is known to 1/√400 000, 0.05 nm.
    assert found.u == pytest.approx(34, abs=0.5 + 0.2)
    assert found.value == pytest.approx(50_000_838, abs=0.5 + 4 * 34 / math.sqrt(200_000))


@pytest.mark.parametrize(
    ("spread", "u", "high", "first_order"),
    [
        ("normal", (1.0, 1.0, 1.0, 1.0), 3.92, 3.92),  # 9.2.2
        ("even", (1.0, 1.0, 1.0, 1.0), 3.88, 3.92),  # 9.2.3
        ("even", (1.0, 1.0, 1.0, 10.0), 17.0, 19.9),  # 9.2.4
    ],
)
def test_sum_of_four_has_the_printed_interval(
    spread: str, u: tuple[float, ...], high: float, first_order: float
) -> None:
    inputs = four(spread, *u)
    found = monte_carlo(total, inputs, trials=400_000, rng=np.random.default_rng(2))
    # A quantile q of M trials is known to √(q(1 − q)/M) over the density there: at 0.975
    # the normal's is 0.0584/σ with σ 2; the flat one's, rounded off by σ √3, 0.57/34.6.
    density = 0.0292 if u[3] == 1 else 0.0165
    noise = 4 * math.sqrt(0.975 * 0.025 / 400_000) / density
    rounding = 0.005 if u[3] == 1 else 0.05
    assert found.high == pytest.approx(high, abs=rounding + noise)
    assert found.low == pytest.approx(-high, abs=rounding + noise)
    assert propagated(total, inputs).expanded(1.96) == pytest.approx(first_order, abs=rounding)


def test_same_stream_gives_the_same_trials() -> None:
    one, two = (
        monte_carlo(total, four("even", 1.0), trials=1000, rng=np.random.default_rng(3))
        for _ in range(2)
    )
    assert one == two


def test_numerical_tolerance_is_half_a_step_of_the_digits_that_count() -> None:
    # JCGM 101, 7.9.2, examples: 0.000 35 g to two digits, and 2 K to one digit.
    assert numerical_tolerance(0.00035, digits=2) == 0.000005
    assert numerical_tolerance(2.0, digits=1) == 0.5
    # What rounds up gains a digit: 0.0999 is printed 0.10.
    assert numerical_tolerance(0.0999, digits=2) == 0.005


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: Input(value=1.0, u=-0.1), "u: found -0.1; give 0"),
        (lambda: Input(value=1.0, u=math.nan), "u: found nan"),
        (lambda: Input(value=1.0, u=1.0, spread="flat"), "spread: found 'flat'; give one of"),
        (lambda: numerical_tolerance(0.0), "u: found 0; give"),
        (lambda: numerical_tolerance(1.0, digits=0), "digits: found 0; give 1"),
        (
            lambda: monte_carlo(total, {}, trials=10, rng=np.random.default_rng(0)),
            "trials: found 10; give 100",
        ),
        (
            lambda: monte_carlo(
                total, {}, trials=1000, rng=np.random.default_rng(0), coverage=95.0
            ),
            "coverage: found 95",
        ),
    ],
)
def test_what_no_uncertainty_can_be_is_refused(call, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call()


@pytest.mark.parametrize(
    ("u", "words"),
    [
        # JCGM 100:2008, 7.2.6: two digits, rounded as a number is.
        (0.02468, "0.025"),
        (0.0996, "0.10"),
        (61.3, "61"),
        (612.3, "610"),
        (0.000047, "< 0.001"),
        (0.0, "0"),
        (math.inf, "–"),
    ],
)
def test_an_uncertainty_alone_has_two_digits_and_no_more(u: float, words: str) -> None:
    assert unsure(u) == words


def test_a_part_is_told_no_finer_than_its_whole() -> None:
    whole = 1.234
    assert [unsure(u, like=whole) for u in (1.1, 0.31, 0.04)] == ["1.1", "0.3", "< 0.1"]
