"""Angles of sounds from so far that rays to both receivers are parallel."""

from dsp.ping.pair.bearings import Bearing, NoBearing, PairPlaces, bearing

FAR_M = 10_000.0
"""Rays to 0.2 m are parallel to 1e-5 rad, and a double tells 1e-7 of the spacing there."""


def bearing_from_afar(
    later_s: float,
    *,
    spacing_m: float,
    sound_speed_m_s: float,
    u_later_s: float = 0.0,
    u_place_m: float = 0.0,
) -> Bearing | NoBearing:
    """Tell an angle, which grows towards the first receiver, from one bare delay.

    Through what the receiver uses, with a target far away.
    """
    places = PairPlaces(
        first_m=(spacing_m / 2, 0.0), second_m=(-spacing_m / 2, 0.0), u_place_m=u_place_m
    )
    return bearing(
        2 * FAR_M / sound_speed_m_s,
        later_s,
        places,
        sound_speed_m_s=sound_speed_m_s,
        u_later_s=u_later_s,
    )
