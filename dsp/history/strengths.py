"""From an echo's level to the target's strength, and what one receiver leaves open.

A single receiver cannot tell where in its beam an echo comes from. The same level may
be a small target on the axis or a larger one towards the edge, where the beam is
weaker. So the answer is a range of answers, from the axis outwards, with no upper end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from dsp.arguments import require_positive, require_within
from dsp.physics.levels import transmission_loss_db

_NEPER_DB = 20 / math.log(10)

HALF_POWER_DB = 10 * math.log10(2)
"""What a target at the cone's edge must be stronger by, to sound as one on the axis."""


def target_strength_db(
    echo_level_db: ArrayLike,
    source_level_db: float,
    *,
    out_m: ArrayLike,
    back_m: ArrayLike,
    absorption_db_m: float = 0.0,
    two_way_beam_db: ArrayLike = 0.0,
) -> NDArray[np.float64]:
    """Strength of a target of which the place in the beam is known, dB re 1 m².

    Parameters
    ----------
    echo_level_db : array_like
        As the receiver shows it; dB re full scale, say.
    source_level_db : float
        What it would show of the pulse itself, on the axis at 1 m; same reference.
    out_m, back_m : array_like
        From source to target, and on to the receiver.
    absorption_db_m : float
    two_way_beam_db : array_like
        What the beam takes off there, both ways together; at most 0.

    Returns
    -------
    ndarray of float64, the shape of the arguments broadcast

    Raises
    ------
    ValueError
        Where a way is not above zero, the absorption is negative, or the beam gains.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, ch. 2: the active
    sonar equation, solved for the target (cited from memory).

    Examples
    --------
    An echo of −72.04 dB from 2 m, of a pulse of −20 dB: −40 dB, a ball of 20 mm radius.

    >>> float(target_strength_db(-72.04, -20.0, out_m=2.0, back_m=2.0).round(2))
    -40.0
    """
    require_within("two_way_beam_db", two_way_beam_db, -math.inf, 0, "dB")
    loss_db = transmission_loss_db(out_m, absorption_db_m) + transmission_loss_db(
        back_m, absorption_db_m
    )
    level_db = np.asarray(echo_level_db, dtype=np.float64)
    return np.asarray(level_db - source_level_db + loss_db - np.asarray(two_way_beam_db))


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthTerm:
    """One cause of uncertainty.

    Attributes
    ----------
    name : str
    u_db : float
        Standard uncertainty of the strength from it alone.
    """

    name: str
    u_db: float


def strength_terms(
    *,
    snr: float,
    range_m: float,
    u_range_m: float,
    absorption_db_m: float,
    u_absorption_db_m: float,
    u_source_level_db: float,
    u_beam_db: float = 0.0,
) -> tuple[StrengthTerm, ...]:
    """Break the standard uncertainty of a target strength down, cause by cause, to first order.

    Parameters
    ----------
    snr : float
        2E/N0 of the echo, as a ratio.
    range_m, u_range_m : float
    absorption_db_m, u_absorption_db_m : float
    u_source_level_db : float
    u_beam_db : float
        Of the two-way loss in the beam, where the target's place in it is known.

    Raises
    ------
    ValueError
        Where an SNR or range is not above zero, or an uncertainty is negative.

    References
    ----------
    JCGM 100:2008, section 5.1.2.
    """
    require_positive("snr", snr)
    require_positive("range_m", range_m, "m")
    for name, value in (
        ("u_range_m", u_range_m),
        ("u_absorption_db_m", u_absorption_db_m),
        ("u_source_level_db", u_source_level_db),
        ("u_beam_db", u_beam_db),
    ):
        require_within(name, value, 0, math.inf)
    by_range = 2 * _NEPER_DB / range_m + 2 * absorption_db_m
    return (
        StrengthTerm(name="source level", u_db=u_source_level_db),
        # An amplitude is noisy by 1/√(2E/N0) of itself.
        StrengthTerm(name="noise on the echo's level", u_db=_NEPER_DB / math.sqrt(snr)),
        StrengthTerm(name="range, through spreading and absorption", u_db=by_range * u_range_m),
        StrengthTerm(name="absorption of the medium", u_db=2 * range_m * u_absorption_db_m),
        StrengthTerm(name="place in the beam", u_db=u_beam_db),
    )


def combined_db(terms: tuple[StrengthTerm, ...]) -> float:
    """Combine independent terms."""
    return math.hypot(*(term.u_db for term in terms))


@dataclass(frozen=True, slots=True, kw_only=True)
class StrengthRange:
    """All that one receiver can say of a target's strength.

    Attributes
    ----------
    axis_db : float
        dB re 1 m², if the target is on the axis: the least that it can be.
    edge_db : float
        If it is at the edge of the cone. Beyond, it is larger still.
    u_db : float
        Standard uncertainty of either.
    terms : tuple of StrengthTerm
        What makes it up.
    """

    axis_db: float
    edge_db: float
    u_db: float
    terms: tuple[StrengthTerm, ...]


def strength_range(
    echo_level_db: float,
    source_level_db: float,
    *,
    out_m: float,
    back_m: float,
    absorption_db_m: float,
    terms: tuple[StrengthTerm, ...],
    axis_beam_db: float = 0.0,
    edge_beam_db: float = -HALF_POWER_DB,
) -> StrengthRange:
    """Strength of a target that may be anywhere in the beam.

    Parameters are those of :func:`target_strength_db`, and:

    Parameters
    ----------
    terms : tuple of StrengthTerm
        As :func:`strength_terms` gives, with nothing for the beam.
    axis_beam_db : float
        What the beam takes off straight ahead: nothing, but where source and receiver stand
        so far apart that both see the target from beside their own axes.
    edge_beam_db : float
        What it takes off at its edge besides, both ways together: half the power, unless it
        is so wide that it never falls so far.

    Raises
    ------
    ValueError
        As :func:`target_strength_db`.
    """
    axis_db = float(
        target_strength_db(
            echo_level_db,
            source_level_db,
            out_m=out_m,
            back_m=back_m,
            absorption_db_m=absorption_db_m,
            two_way_beam_db=axis_beam_db,
        )
    )
    return StrengthRange(
        axis_db=axis_db,
        edge_db=axis_db - edge_beam_db,
        u_db=combined_db(terms),
        terms=terms,
    )


def hard_ball_radius_m(strength_db: ArrayLike) -> NDArray[np.float64]:
    """Radius of a hard ball of that strength, many waves around: σ = a²/4.

    References
    ----------
    R. J. Urick, *Principles of Underwater Sound*, 3rd ed., 1983, table 9.1 (cited
    from memory).

    Examples
    --------
    >>> hard_ball_radius_m([-40.0, -36.9897]).round(4).tolist()
    [0.02, 0.0283]
    """
    return np.asarray(2 * 10 ** (np.asarray(strength_db, dtype=np.float64) / 20))


def plate_side_m(strength_db: ArrayLike, wavelength_m: float) -> NDArray[np.float64]:
    """Side of a square flat plate of that strength, struck square on: σ = (A/λ)².

    References
    ----------
    As :func:`dsp.physics.targets.plate_target_strength_db`, turned round.

    Examples
    --------
    >>> float(plate_side_m(-20.0, 0.01).round(4))
    0.0316
    """
    require_positive("wavelength_m", wavelength_m, "m")
    area_m2 = wavelength_m * 10 ** (np.asarray(strength_db, dtype=np.float64) / 20)
    return np.asarray(np.sqrt(area_m2))
