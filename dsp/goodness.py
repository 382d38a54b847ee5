"""One test of fit for all that is fitted: residuals over their own uncertainties.

A fit to more numbers than it has unknowns can be judged by what is left over. Where that
exceeds what the numbers' own uncertainties let expect, something else is at work than the
model says, and what the fit would claim is not to be trusted.

References
----------
P. R. Bevington, *Data Reduction and Error Analysis for the Physical Sciences*, 1969,
ch. 10 (cited from memory): the chi-square test of a fit. R. T. Birge, "The calculation of
errors by the method of least squares", *Phys. Rev.* 40, 1932, pp. 207–227 (cited from
memory): the ratio.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import ArrayLike

from dsp.arguments import require_within

RISK = 1e-3
"""Of calling a fit that is right a wrong one."""

KNOWN_TO = 0.1
"""Share of itself to which a standard uncertainty is known. The noise of an echo is learnt
from 64 cells, its power to an eighth at best; first order in it leaves out a twentieth at
the weakest echoes that are judged (2E/N0 of 13 dB)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Goodness:
    """What is left over by a fit.

    Attributes
    ----------
    chi_square : float
        Sum of the squares of the residuals, each over its standard uncertainty.
    degrees_of_freedom : int
        Numbers less unknowns; 0 or less where nothing is left to judge by.
    """

    chi_square: float
    degrees_of_freedom: int

    def limit(self) -> float:
        """Return what chi-square exceeds in a share :data:`RISK` of fits that are right.

        With uncertainties that are too small by :data:`KNOWN_TO`.
        """
        if self.degrees_of_freedom < 1:
            return math.inf
        return float(scipy.special.chdtri(self.degrees_of_freedom, RISK)) * (1 + KNOWN_TO) ** 2

    @property
    def holds(self) -> bool:
        """Whether the residuals are no more than their own uncertainties let expect."""
        return self.chi_square <= self.limit()

    @property
    def ratio(self) -> float:
        """How much larger the residuals are than expected, at least 1: the Birge ratio."""
        return max(1.0, math.sqrt(self.chi_square / max(self.degrees_of_freedom, 1)))

    @property
    def words(self) -> str:
        """Both numbers, for people."""
        return f"chi-square {self.chi_square:.1f} for {self.degrees_of_freedom} degrees of freedom"


def stray_together(residuals: ArrayLike) -> bool:
    """Say whether neighbouring residuals are too much alike for each to err by itself.

    What scatters strays to either side of its curve at random; about a curve that is not the
    right one, neighbours stray to the same side.

    Parameters
    ----------
    residuals : array_like, shape (n,)
        In order, all of about the same size; at least four.

    References
    ----------
    J. von Neumann, "Distribution of the ratio of the mean square successive difference to the
    variance", *Ann. Math. Stat.* 12, 1941, pp. 367–395 (cited from memory): for independent
    normal values about zero the sum of the squared steps over that of the squares is
    2 (1 − 1/n), with a variance of about 4/n; normal from some ten on.

    Examples
    --------
    >>> stray_together([1.0, -1.0] * 10), stray_together([1.0] * 10 + [-1.0] * 10)
    (False, True)
    """
    left = np.asarray(residuals, dtype=np.float64)
    if left.size < 4 or not left.any():
        return False
    ratio = float(np.sum(np.diff(left) ** 2) / np.sum(left**2))
    least = 2 * (1 - 1 / left.size) - float(scipy.special.ndtri(1 - RISK)) * 2 / math.sqrt(
        left.size
    )
    return ratio < least


def goodness(residuals: ArrayLike, u_residuals: ArrayLike = 1.0, *, fitted: int) -> Goodness:
    """Return how good a fit is.

    Parameters
    ----------
    residuals : array_like, shape (n,)
        Measured less fitted.
    u_residuals : array_like
        Their standard uncertainties; one for all, or one for each.
    fitted : int
        How many numbers were fitted.

    Raises
    ------
    ValueError
        On a negative `fitted`, or an uncertainty that is not above zero.

    Examples
    --------
    Ten numbers that lie off a line by two of their deviations each.

    >>> found = goodness([2.0, -2.0] * 5, fitted=2)
    >>> found.chi_square, found.degrees_of_freedom, round(found.limit(), 2), found.holds
    (40.0, 8, 31.61, False)
    """
    require_within("fitted", fitted, 0, math.inf)
    require_within("u_residuals", u_residuals, math.nextafter(0, 1), math.inf)
    over = np.asarray(residuals, dtype=np.float64) / np.asarray(u_residuals, dtype=np.float64)
    return Goodness(
        chi_square=float(over.ravel() @ over.ravel()), degrees_of_freedom=over.size - fitted
    )
