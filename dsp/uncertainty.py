"""Uncertainty budgets: what each input of a result adds, and a check by random trials.

A model is a function of named inputs. :func:`propagated` takes it to first order,
as the GUM does; an input that enters twice is counted with its sign both times.
:func:`monte_carlo` draws the inputs instead, and shows whether the first order was
enough. Write a model with ``+ - * / **`` alone: it is given plain numbers, numbers
that carry their slopes, or arrays of draws.

References
----------
JCGM 100:2008, "Guide to the expression of uncertainty in measurement" (the GUM).
JCGM 101:2008, "Propagation of distributions using a Monte Carlo method".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_within

SPREADS = ("normal", "even")

Model = Callable[[Mapping[str, Any]], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """What is known of one input, in a unit of its own.

    Attributes
    ----------
    value : float
        Its best estimate.
    u : float
        Its standard uncertainty; 0 where it is exact.
    spread : {"normal", "even"}
        How its possible values lie about the estimate. Matters to random trials alone.

    Raises
    ------
    ValueError
        On a negative `u` or an unknown `spread`.
    """

    value: float
    u: float
    spread: str = "normal"

    def __post_init__(self) -> None:
        require_within("u", self.u, 0, math.inf)
        if self.spread not in SPREADS:
            raise ValueError(f"spread: found {self.spread!r}; give one of {', '.join(SPREADS)}")


def within(limit: float, *, value: float = 0.0) -> Input:
    """Return the input that lies within ± `limit` of `value`, anywhere as likely.

    References
    ----------
    JCGM 100:2008, section 4.3.7: its standard uncertainty is the limit over √3.
    """
    return Input(value=value, u=limit / math.sqrt(3), spread="even")


@dataclass(frozen=True, slots=True, kw_only=True)
class Term:
    """What one input adds: its uncertainty times the result's slope, never negative."""

    name: str
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A result and its uncertainty, term by term, all in the result's unit.

    Attributes
    ----------
    value : float
        The model at the inputs' estimates.
    names : tuple of str
        Of the inputs.
    u : tuple of float
        What each adds; 0 for an exact one.
    """

    value: float
    names: tuple[str, ...]
    u: tuple[float, ...]

    @property
    def terms(self) -> tuple[Term, ...]:
        """One for each input, in the inputs' order."""
        return tuple(Term(name=n, u=u) for n, u in zip(self.names, self.u, strict=True))

    @property
    def combined(self) -> float:
        """The combined standard uncertainty: the root sum of squares of the terms."""
        return math.hypot(*self.u)

    @property
    def shares(self) -> tuple[float, ...]:
        """Each term's part of the variance; together 1, or all 0 where nothing is unsure."""
        combined = self.combined
        return tuple((u / combined) ** 2 if combined > 0 else 0.0 for u in self.u)

    def expanded(self, k: float = 2.0) -> float:
        """Return the expanded uncertainty; k = 2 covers about 95 % of a normal spread."""
        return k * self.combined


def propagated(model: Model, inputs: Mapping[str, Input]) -> Budget:
    """Propagate the inputs' uncertainties to first order; the inputs are independent.

    Parameters
    ----------
    model : callable
        Takes a mapping from each input's name to its value.
    inputs : mapping of str to Input

    Returns
    -------
    Budget

    References
    ----------
    JCGM 100:2008, eq. 10. The slopes are exact: the library `uncertainties`
    (E. O. Lebigot) carries them through the model by automatic differentiation.

    Examples
    --------
    The side that is known twice as well adds a fifth of the variance of the area.

    >>> sides = {"a": Input(value=2.0, u=0.02), "b": Input(value=2.0, u=0.01)}
    >>> area = propagated(lambda x: x["a"] * x["b"], sides)
    >>> round(area.combined, 4), [round(share, 2) for share in area.shares]
    (0.0447, [0.8, 0.2])
    """
    from uncertainties import UFloat, ufloat

    # An exact input stays a plain number: it has no slope to carry.
    given = {n: ufloat(i.value, i.u) if i.u > 0 else i.value for n, i in inputs.items()}
    result = model(given)
    parts = result.error_components() if isinstance(result, UFloat) else {}
    u = tuple(float(parts.get(given[n], 0.0)) for n in inputs)
    value = result.nominal_value if isinstance(result, UFloat) else result
    return Budget(value=float(value), names=tuple(inputs), u=u)


@dataclass(frozen=True, slots=True, kw_only=True)
class Trials:
    """What random trials say of a result.

    Attributes
    ----------
    value, u : float
        Mean and standard deviation of the trials.
    low, high : float
        The interval that leaves out as many trials below it as above.
    """

    value: float
    u: float
    low: float
    high: float


def monte_carlo(
    model: Model,
    inputs: Mapping[str, Input],
    *,
    trials: int,
    rng: np.random.Generator,
    coverage: float = 0.95,
) -> Trials:
    """Propagate whole distributions, by drawing all inputs at once.

    Parameters
    ----------
    model, inputs
        As for :func:`propagated`; the model is given arrays of shape ``(trials,)``.
    trials : int
        At least 100; the standard asks for 10⁴ times 1/(1 − `coverage`).
    rng : numpy.random.Generator
    coverage : float
        Share of the trials within the interval.

    Raises
    ------
    ValueError
        On too few trials, or a coverage not between 0 and 1.

    References
    ----------
    JCGM 101:2008, sections 6.4 and 7.2 to 7.7.
    """
    require_within("trials", trials, 100, math.inf)
    require_within("coverage", coverage, math.nextafter(0, 1), math.nextafter(1, 0))
    drawn = {name: _draws(given, trials, rng) for name, given in inputs.items()}
    results = np.asarray(model(drawn), dtype=np.float64)
    low, high = np.quantile(results, [(1 - coverage) / 2, (1 + coverage) / 2])
    return Trials(
        value=float(results.mean()),
        u=float(results.std(ddof=1)),
        low=float(low),
        high=float(high),
    )


def stated(value: float, u_value: float, *, most: int = 9) -> str:
    """Write a value with its expanded uncertainty, k = 2, both to two digits of that.

    Parameters
    ----------
    value, u_value : float
        The value and its standard uncertainty.
    most : int
        No more digits than so many behind the point, however sure.

    Returns
    -------
    str
        With a true minus sign, and none before a zero. Without an uncertainty, the value alone.

    References
    ----------
    JCGM 100:2008, 7.2.6: two digits of an uncertainty are enough, and a value is rounded to agree.

    Examples
    --------
    >>> stated(13.146, 0.0125), stated(1234.5, 30.0), stated(-0.0004, 0.1), stated(-3.0, 0.0)
    ('13.146 ± 0.025', '1234 ± 60', '0.00 ± 0.20', '−3')
    """
    if not u_value > 0 or not math.isfinite(u_value):
        return signed(f"{value:.5g}")
    expanded = 2 * u_value
    place = _second_digit(expanded)
    digits = min(max(0, -place), most)
    # From a hundred on, two digits are tens or more.
    shown, unsure = (round(each, -place) if place > 0 else each for each in (value, expanded))
    return f"{signed(f'{shown:.{digits}f}')} ± {unsure:.{digits}f}"


def unsure(u: float, *, like: float | None = None) -> str:
    """Write an uncertainty, or a part of one, alone; of less than a thousandth, that it is.

    Parameters
    ----------
    u : float
    like : float, optional
        The whole that it is a part of: it is written to the place of that one's second digit.

    Examples
    --------
    >>> unsure(0.02468), unsure(0.000047), unsure(612.3), unsure(0.0)
    ('0.025', '< 0.001', '610', '0')
    >>> unsure(0.0312, like=1.234), unsure(1.234, like=1.234)
    ('< 0.1', '1.2')
    """
    if not math.isfinite(u):
        return "–"
    if u <= 0:
        return "0"
    place = _second_digit(u if like is None or not like > 0 else like)
    digits = min(max(0, -place), 3)
    text = f"{round(u, -place) if place > 0 else u:.{digits}f}"
    return text if float(text) > 0 else f"< {10.0 ** max(-digits, place):.{digits}f}"


def _second_digit(u: float) -> int:
    """Return the power of ten of a number's second digit, once it is rounded to two."""
    return math.floor(math.log10(float(f"{u:.1e}"))) - 1


def signed(number: str) -> str:
    """Give a written number a true minus sign, and a zero none.

    Examples
    --------
    >>> signed("-3.1"), signed("-0.00")
    ('−3.1', '0.00')
    """
    if float(number) == 0:
        number = number.lstrip("-")
    return number.replace("-", "\N{MINUS SIGN}")


def numerical_tolerance(u: float, *, digits: int = 2) -> float:
    """Half a step of the last digit of `u` that means something.

    A first-order budget is borne out by random trials where the ends of both
    intervals agree to this.

    Raises
    ------
    ValueError
        Where `u` is not above zero, or there is no digit.

    References
    ----------
    JCGM 101:2008, sections 7.9.2 and 8.1.

    Examples
    --------
    >>> numerical_tolerance(0.00035)
    5e-06
    """
    require_within("u", u, math.nextafter(0, 1), math.inf)
    require_within("digits", digits, 1, 15)
    # Rounded as it is printed: 0.0999 has the digits 0.10.
    exponent = int(f"{u:.{digits - 1}e}".partition("e")[2])
    return float(f"5e{exponent - digits}")


def _draws(given: Input, trials: int, rng: np.random.Generator) -> NDArray[np.float64]:
    if given.spread == "even":
        limit = given.u * math.sqrt(3)
        return rng.uniform(given.value - limit, given.value + limit, trials)
    return rng.normal(given.value, given.u, trials)
