"""The sources of the formulas that one report rests on, and of no others."""

from __future__ import annotations

from dataclasses import dataclass

from rig.measure.passes.following import passings_of
from rig.show.report.contents import Contents


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A source, and what was taken from it."""

    used_for: str
    source: str


_SPEED = {
    "air": (
        "O. Cramer, “The variation of the specific heat ratio and the speed of sound in air with "
        "temperature, pressure, humidity, and CO2 concentration”, J. Acoust. Soc. Am. 93, 1993, "
        "pp. 2510–2516",
        "R. S. Davis, “Equation for the determination of the density of moist air (1981/91)”, "
        "Metrologia 29, 1992, pp. 67–70 (its saturation vapour pressure)",
    ),
    "fresh-water": (
        "W. Marczak, “Water as a standard in the measurements of speed of sound in liquids”, "
        "J. Acoust. Soc. Am. 102, 1997, pp. 2776–2779",
    ),
    "sea-water": (
        "C.-T. Chen and F. J. Millero, “Speed of sound in seawater at high pressures”, "
        "J. Acoust. Soc. Am. 62, 1977, pp. 1129–1135, as printed in N. P. Fofonoff and "
        "R. C. Millard, UNESCO Technical Papers in Marine Science 44, 1983",
    ),
}
_TURIN = (
    "G. L. Turin, “An introduction to matched filters”, IRE Trans. Inf. Theory 6, 1960, pp. 311–329"
)
_HARRIS = (
    "F. J. Harris, “On the use of windows for harmonic analysis with the discrete Fourier "
    "transform”, Proc. IEEE 66, 1978, pp. 51–83"
)
_WIENER = (
    "N. Wiener, Extrapolation, Interpolation, and Smoothing of Stationary Time Series, 1949, "
    "ch. III"
)
_BANDPASS = (
    "R. G. Vaughan, N. L. Scott and D. R. White, “The theory of bandpass sampling”, IEEE Trans. "
    "Signal Process. 39, 1991, pp. 1973–1984"
)
_ROHLING = (
    "H. Rohling, “Radar CFAR thresholding in clutter and multiple target situations”, IEEE Trans. "
    "Aerosp. Electron. Syst. 19, 1983, pp. 608–621"
)
_LI = (
    "J. Li and P. Stoica, “Efficient mixed-spectrum estimation with applications to target "
    "feature extraction”, IEEE Trans. Signal Process. 44, 1996, pp. 281–295"
)
_VAN_TREES = "H. L. Van Trees, Detection, Estimation, and Modulation Theory, part III, 1971, ch. 10"
_WOODWARD = (
    "P. M. Woodward, Probability and Information Theory, with Applications to Radar, 1953, ch. 6"
)
_GUM = "JCGM 100:2008, Guide to the expression of uncertainty in measurement (GUM)"
_LEBIGOT = "E. O. Lebigot, the Python library uncertainties (slopes by automatic differentiation)"
_KINSLER = "L. E. Kinsler et al., Fundamentals of Acoustics, 4th ed., 2000, ch. 7"
_BLACKMAN = "S. S. Blackman, Multiple-Target Tracking with Radar Applications, 1986, chs. 4 and 9"
_KUHN = (
    "H. W. Kuhn, “The Hungarian method for the assignment problem”, Naval Res. Logist. Q. 2, "
    "1955, pp. 83–97"
)
_BEVINGTON = (
    "P. R. Bevington, Data Reduction and Error Analysis for the Physical Sciences, 1969, ch. 11"
)
_MILLER = (
    "K. S. Miller and M. M. Rochwarger, “A covariance approach to spectral moment estimation”, "
    "IEEE Trans. Inf. Theory 18, 1972, pp. 588–596"
)
_RIHACZEK = "A. W. Rihaczek, Principles of High-Resolution Radar, 1969, ch. 7"
_YORK = (
    "D. York et al., “Unified equations for the slope, intercept, and standard errors of the best "
    "straight line”, Am. J. Phys. 72, 2004, pp. 367–375"
)
_FOOTE = (
    "K. G. Foote et al., Calibration of acoustic instruments for fish density estimation: a "
    "practical guide, ICES Coop. Res. Rep. 144, 1987"
)
_TOBIN = (
    "J. Tobin, “Estimation of relationships for limited dependent variables”, Econometrica 26, "
    "1958, pp. 24–36"
)
_URICK = "R. J. Urick, Principles of Underwater Sound, 3rd ed., 1983, ch. 2 and table 9.1"
_AIR_LOSS = "ISO 9613-1:1993, Attenuation of sound during propagation outdoors, part 1"
_WATER_LOSS = (
    "R. E. Francois and G. R. Garrison, “Sound absorption based on ocean measurements. Part II”, "
    "J. Acoust. Soc. Am. 72, 1982, pp. 1879–1890"
)


def references(contents: Contents) -> tuple[Reference, ...]:
    """Return the sources of what stands in a report, in the order in which it is used.

    Parameters
    ----------
    contents : Contents
    """
    found = [*_sound(contents), *_pulse(contents), *_echoes(contents)]
    if passings_of(contents.run):
        found += _passes(contents)
    if contents.beam is not None:
        found.append(("beam fit: echoes that stay below the threshold", _TOBIN))
    if contents.strengths:
        air = contents.run.receiver.plan.medium.kind == "air"
        found += [
            ("target strength: the sonar equation and the hard ball", _URICK),
            ("absorption of sound", _AIR_LOSS if air else _WATER_LOSS),
        ]
    return tuple(Reference(used_for=why, source=source) for why, source in found)


def _sound(contents: Contents) -> list[tuple[str, str]]:
    found = [("sound speed", s) for s in _SPEED[contents.run.receiver.plan.medium.kind]]
    if contents.run.receiver.calibration is not None:
        if contents.run.receiver.calibration.sound_speed.method != "formula":
            found.append(("sound speed and time zero from known distances", _YORK))
        if contents.run.receiver.calibration.level is not None:
            found.append(("level against a target of known strength", _FOOTE))
    return found


def _pulse(contents: Contents) -> list[tuple[str, str]]:
    plan = contents.run.receiver.plan
    pulse, weighting = plan.pulse, plan.receiver.weighting
    found = [*pulse.sources]
    # The direct sound is looked for through a Hann window, whatever is asked of echoes.
    if pulse.tapered or weighting == "hann" or plan.geometry.time_zero != "calibration":
        found.append(("windows on the pulse and on its spectrum", _HARRIS))
    if plan.timing.band_sampling:
        found.append(("sampling below twice the frequency", _BANDPASS))
    found.append(("compression by the matched filter", _TURIN))
    if weighting == "equalised":
        found.append(("equalised compression", _WIENER))
    return found


def _echoes(contents: Contents) -> list[tuple[str, str]]:
    found = []
    if contents.run.receiver.info.edge_step_s is None:
        found += [
            ("threshold at a set false-alarm rate", _ROHLING),
            ("echoes told apart one after the other", _LI),
            ("Cramér–Rao bound on delay", _VAN_TREES),
            ("bandwidth in that bound", _WOODWARD),
        ]
    return [
        *found,
        ("uncertainty budget and expanded uncertainty", _GUM),
        ("propagation of uncertainties", _LEBIGOT),
        ("beam: cone, off-axis term and theory", _KINSLER),
    ]


def _passes(contents: Contents) -> list[tuple[str, str]]:
    found = [
        ("following echoes from ping to ping", _BLACKMAN),
        ("assignment of echoes to tracks", _KUHN),
    ]
    if any(p.passage.closest_range_m is not None for p in passings_of(contents.run)):
        found.append(("least squares of the fitted curves", _BEVINGTON))
    if any(p.closing is not None for p in passings_of(contents.run)):
        found.append(("closing speed from the phases of successive pings", _MILLER))
    if contents.run.plan.pulse.coupling_s != 0:
        found.append(("what a target's speed does to the range by a chirp", _RIHACZEK))
    return found
