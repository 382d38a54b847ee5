"""A target's strength laid on the axis: what the beam took off is added back.

Two receivers tell where an echo comes from, in the plane through both and the axis. How high
above or below that plane its target stands they do not tell; the beam takes off more there.
So what is added back is a least, unless it is known that all stands in the plane, or how far
out of it. Near a null of the beam what it takes off has no upper end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dsp.arguments import require_positive, require_within
from dsp.history.pair_beams import BeamSetting, two_way_amplitude
from dsp.physics.beams import first_null_rad

DEEPEST_DB = -30.0
"""So near to a null of the beam nothing is known of what it takes off."""

COVERED = 2.0
"""Intervals reach over so many standard deviations to each side."""

HEIGHT_UNKNOWN = "its height above or below the axis is not known"

_LOOKS = 33  # over the interval of an angle, and over half of that for heights


@dataclass(frozen=True, slots=True, kw_only=True)
class BeamLoss:
    """What the beam takes off an echo, both ways together, dB; at most about 0.

    Attributes
    ----------
    loss_db : float
        At the angle that was told, in the plane.
    least_db, most_db : float
        The ends of what covers it with k = 2; the most is −∞ where there is no end.
    u_angle_db, u_height_db, u_face_db : float
        What the angle, the height and the face's size each make of it, as standard
        uncertainties; infinite where there is no end.
    why_open : str
        Why there is no end, in words; empty where there is one.
    """

    loss_db: float
    least_db: float
    most_db: float
    u_angle_db: float
    u_height_db: float
    u_face_db: float
    why_open: str = ""


def beam_loss(
    setting: BeamSetting,
    size_m: float,
    *,
    range_m: float,
    angle_rad: float,
    low_rad: float,
    high_rad: float,
    height_rad: float | None,
    u_size_share: float,
    highest_hz: float,
) -> BeamLoss:
    """Tell what the beam takes off at an angle that is known within an interval.

    Parameters
    ----------
    setting : BeamSetting
        The faces stand along the line of the receivers. A "line" lies along it too: its beam
        does not ask how high a target stands.
    size_m : float
        Radius of a piston or length of a line.
    range_m : float
        From midway between source and receiver.
    angle_rad, low_rad, high_rad : float
        From the plane square to the line of the receivers, and what covers it with k = 2.
    height_rad : float or None
        The target stands within so much above or below the plane of bench and axis, as seen
        along it; 0 for in it, None where nobody knows.
    u_size_share : float
        Standard uncertainty of the face's size, as a share of it.
    highest_hz : float
        Of the pulse's band: from its first null on, part of the band comes with its sign
        turned.

    Raises
    ------
    ValueError
        Where a range is not above zero, the height is not from 0 to π/2, the share is
        negative or not below 1/2, or the interval does not hold the angle.
    """
    require_positive("range_m", range_m, "m")
    require_within("u_size_share", u_size_share, 0, 0.5)
    require_within("angle_rad", angle_rad, low_rad, high_rad, "rad")
    if height_rad is not None:
        require_within("height_rad", height_rad, 0, math.pi / 2, "rad")

    def taken_off(
        angles: NDArray[np.float64], heights: NDArray[np.float64], size: float
    ) -> tuple[NDArray[np.float64], float]:
        """Return the loss, and the widest angle that a face sees any of them at."""
        out, back = (
            _off_axis_rad(setting, range_m, angles, heights, side * setting.baseline_m / 2)
            for side in (-1, 1)
        )
        heard = two_way_amplitude(setting, size, out, back)
        widest = float(max(np.abs(out).max(), np.abs(back).max()))
        return 20 * np.log10(np.maximum(heard, 1e-10)), widest

    level = np.zeros(1)
    middle, _ = taken_off(np.array([angle_rad]), level, size_m)
    loss_db = float(middle[0])
    sizes = [size_m * (1 + sign * u_size_share) for sign in (-1, 1)]
    by_size = [float(taken_off(np.array([angle_rad]), level, each)[0][0]) for each in sizes]
    u_face_db = max(abs(each - loss_db) for each in by_size)

    angles = np.linspace(low_rad, high_rad, _LOOKS)
    across_db, widest = taken_off(angles, np.zeros_like(angles), size_m)
    is_line = setting.shape == "line"
    highest_rad = 0.0 if height_rad is None or is_line else height_rad
    far_angles, heights = (
        each.ravel() for each in np.meshgrid(angles, np.linspace(0, highest_rad, _LOOKS // 2))
    )
    all_db, widest = taken_off(far_angles, heights, size_m)
    null_rad = first_null_rad(
        setting.shape, size_m * (1 + u_size_share), setting.sound_speed_m_s / highest_hz
    )
    least_db = loss_db + math.hypot(max(0.0, float(across_db.max()) - loss_db), COVERED * u_face_db)
    why_open = ""
    if (null_rad < math.pi / 2 and widest >= null_rad) or float(all_db.min()) < DEEPEST_DB:
        why_open = "a null of the beam may be near, where there is no end to what it takes off"
    elif height_rad is None and not is_line:
        why_open = HEIGHT_UNKNOWN
    u_angle_db = float(np.abs(across_db - loss_db).max()) / COVERED
    u_height_db = max(0.0, float(across_db.min() - all_db.min())) / COVERED
    if why_open:
        most_db, u_height_db = -math.inf, math.inf
    else:
        most_db = loss_db - math.hypot(loss_db - float(all_db.min()), COVERED * u_face_db)
    return BeamLoss(
        loss_db=loss_db,
        least_db=min(least_db, 0.0),
        most_db=most_db,
        u_angle_db=u_angle_db,
        u_height_db=u_height_db,
        u_face_db=u_face_db,
        why_open=why_open,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidStrength:
    """A target's strength as it would be on the axis.

    Attributes
    ----------
    strength_db : float
        dB re 1 m², for a target in the plane; at least this where its height is not known.
    low_db, high_db : float
        What covers it with k = 2; no upper end is +∞.
    beam : BeamLoss
    """

    strength_db: float
    low_db: float
    high_db: float
    beam: BeamLoss


def laid_on_axis(heard_db: float, u_heard_db: float, beam: BeamLoss) -> LaidStrength:
    """Add back to a strength what the beam took off.

    Parameters
    ----------
    heard_db, u_heard_db : float
        The strength as if the beam were the same everywhere, and its standard uncertainty.
    beam : BeamLoss

    Raises
    ------
    ValueError
        On a negative uncertainty.
    """
    require_within("u_heard_db", u_heard_db, 0, math.inf, "dB")
    strength_db = heard_db - beam.loss_db
    up_db = beam.loss_db - beam.most_db
    down_db = beam.least_db - beam.loss_db
    return LaidStrength(
        strength_db=strength_db,
        low_db=strength_db - math.hypot(down_db, COVERED * u_heard_db),
        high_db=strength_db + math.hypot(up_db, COVERED * u_heard_db),
        beam=beam,
    )


def place_in_beam(beam: BeamLoss, edge_db: float) -> str:
    """Say whether a target is as weak as it sounds, or stands at the edge of the beam.

    Parameters
    ----------
    beam : BeamLoss
    edge_db : float
        What the beam takes off at its edge, both ways together, as
        :func:`dsp.history.strengths.strength_range` takes it. The border is halfway there.

    Returns
    -------
    {"axis", "edge", "open"}
        Whether the beam surely takes off less than that, or surely more, with k = 2.

    Examples
    --------
    >>> narrow = BeamLoss(loss_db=-2.8, least_db=-2.4, most_db=-3.3, u_angle_db=0.2,
    ...                   u_height_db=0.0, u_face_db=0.05)
    >>> place_in_beam(narrow, -3.0)
    'edge'
    """
    border_db = edge_db / 2
    if beam.least_db < border_db:
        return "edge"
    if beam.most_db > border_db:
        return "axis"
    return "open"


def surely_stronger(first: LaidStrength, second: LaidStrength, *, u_common_db: float) -> bool:
    """Say whether one target is stronger than another beyond both uncertainties, k = 2.

    Parameters
    ----------
    first, second : LaidStrength
    u_common_db : float
        What is wrong with both alike, a source level say: it drops out of the difference.
    """

    def reach_db(whole_db: float) -> float:
        return math.sqrt(max(0.0, whole_db**2 - (COVERED * u_common_db) ** 2))

    down_db = reach_db(first.strength_db - first.low_db)
    up_db = reach_db(second.high_db - second.strength_db)
    return first.strength_db - second.strength_db > math.hypot(down_db, up_db)


def _off_axis_rad(
    setting: BeamSetting,
    range_m: float,
    angles: NDArray[np.float64],
    heights: NDArray[np.float64],
    face_m: float,
) -> NDArray[np.float64]:
    """Return what angle off its own axis a face along the line sees a target at."""
    along = range_m * np.sin(angles) - face_m
    from_line = range_m * np.cos(angles)
    if setting.shape == "line":
        return np.asarray(np.arctan2(along, from_line))
    return np.asarray(
        np.arctan2(np.hypot(along, from_line * np.sin(heights)), from_line * np.cos(heights))
    )
