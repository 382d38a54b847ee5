"""How often k = 2 is due to hold what is there, by the laws that a budget's terms are drawn by.

A normal error is within 2 u in 95.4 of 100 cases. One that is bounded is within more often, and no
other u would be right: the u is its root mean square. So what a table of coverage is held against
is worked out from each budget, term by term (JCGM 101:2008, 7: by drawing).
"""

import numpy as np
from numpy.typing import NDArray

from dsp.uncertainty import Budget

_DRAWS = 4000
_random = np.random.default_rng(0)
_NORMAL = _random.standard_normal(_DRAWS)


def _even() -> NDArray[np.float64]:
    """Anywhere within a bound as likely: u is the bound over √3 (JCGM 100:2008, 4.3.7)."""
    return np.asarray(_random.uniform(-1, 1, _DRAWS) * np.sqrt(3))


def _of_two() -> NDArray[np.float64]:
    """Of two bodies that are told as one: 2 u is a lobe, and holds both.

    The scenes draw them from half a lobe apart on, a lobe apart they are told as two, and the one
    copy stands anywhere between them, by their strengths and phases.
    """
    apart_lobes = _random.uniform(0.5, 1, _DRAWS)
    return np.asarray(2 * apart_lobes * _random.uniform(-1, 1, _DRAWS))


_BOUNDED = {
    "sound speed: formula": _even(),
    "clock": _even(),
    # A filter that colours a mark so much delays it by no more.
    "time zero: shape": _even(),
    "more than one echo": _of_two(),
    # The scenes send and hear by points.
    "geometry: faces": np.zeros(_DRAWS),
}


def due_in_2u(budget: Budget) -> float:
    """Return how likely k = 2 holds what is there, were the budget's every word right."""
    u = {term.name: term.u for term in budget.terms}
    error = sum((u.pop(name) * law for name, law in _BOUNDED.items() if name in u), np.zeros(1))
    error = error + np.hypot.reduce([*u.values()]) * _NORMAL
    return float(np.mean(np.abs(error) <= budget.expanded()))
