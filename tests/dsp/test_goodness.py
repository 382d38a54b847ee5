"""The one test of fit: tabled quantiles, its own rate of false alarm, and what it catches."""

import math

import numpy as np
import pytest

from dsp.goodness import KNOWN_TO, RISK, goodness


@pytest.mark.parametrize(("free", "quantile"), [(1, 10.828), (10, 29.588), (100, 149.449)])
def test_limit_is_the_tabled_quantile(free: int, quantile: float) -> None:
    # Upper 0.001 points of chi-square: NIST/SEMATECH e-Handbook of Statistical Methods,
    # 1.3.6.7.4 (from memory), to three decimals.
    found = goodness(np.zeros(free + 2), fitted=2)
    assert found.degrees_of_freedom == free
    assert found.limit() / (1 + KNOWN_TO) ** 2 == pytest.approx(quantile, abs=6e-4)


def test_a_line_through_a_line_holds_and_through_a_bow_does_not() -> None:
    rng = np.random.default_rng(1)
    x, u = np.linspace(-1, 1, 30), 0.1
    failed = {"line": 0, "bow": 0}
    for name, bow in (("line", 0.0), ("bow", 0.5)):
        for _ in range(400):
            y = 3 * x + bow * x**2 + u * rng.standard_normal(x.size)
            left = goodness(y - np.polyval(np.polyfit(x, y, 1), x), u, fitted=2)
            failed[name] += not left.holds
    # At RISK, 0.4 of 400 would fail, and fewer for the room that KNOWN_TO leaves: 4 or more
    # once in 1000. The bow's own chi-square is 0.25/0.01 · Σ(x² − mean)² = 25 · 2.97 = 74,
    # beyond the limit of 69 with the 28 of the noise by 33 ± 19 (√(2·28 + 4·74)).
    assert RISK == 1e-3
    assert failed["line"] <= 3
    assert failed["bow"] > 360


def test_a_fit_with_nothing_left_over_is_not_judged() -> None:
    left = goodness([5.0, -5.0], fitted=2)
    assert left.holds
    assert left.limit() == math.inf


@pytest.mark.parametrize("u", [0.0, -1.0, math.nan])
def test_residuals_without_an_uncertainty_are_refused(u: float) -> None:
    with pytest.raises(ValueError, match="u_residuals"):
        goodness([1.0, 2.0, 3.0], u, fitted=1)
