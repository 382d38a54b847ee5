"""Which track takes which echo: the gate by the normal tail, the choice by SciPy's solver."""

import numpy as np
import pytest

from dsp.history import pairing
from dsp.history.pairing import GATE


def test_the_gate_misses_one_own_echo_in_sixteen_thousand() -> None:
    # Two-sided normal tail beyond 4 deviations: 6.3e-5 (computed with scipy).
    from scipy.stats import norm

    assert 2 * norm.sf(GATE) == pytest.approx(1 / 15787, rel=1e-3)


def test_a_few_pairs_are_chosen_as_by_the_hungarian_method(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against SciPy's solver of the assignment problem, to which more pairs go anyway."""
    rng = np.random.default_rng(3)
    for _ in range(200):
        cost = rng.uniform(0, 2 * GATE**2, rng.integers(1, 6, 2))
        which, echo = np.nonzero(cost <= GATE**2)
        found = pairing.assigned(cost, which, echo)
        with monkeypatch.context() as patch:
            patch.setattr(pairing, "MOST_TRIED", 0)
            wanted = pairing.assigned(cost, which, echo)
        assert [each.tolist() for each in found] == [each.tolist() for each in wanted]
