"""What a plan says of the bench, as the fit of a beam needs it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dsp.history.pair_beams import BeamSetting
from dsp.physics.absorption import absorption_db_m
from rig.run.receiver import Receiver

BANDS = 7
"""At so many frequencies the pattern of a band is worked out."""


def setting_of(receiver: Receiver, *, beside: bool = True) -> BeamSetting:
    """Return what a plan says of the bench, as the fit needs it."""
    plan, shape = receiver.plan, receiver.shape
    medium = plan.medium
    if plan.timing.band_sampling:
        # The samples show the band folded down; in the air it stands where it was sent.
        frequency_hz, share = np.array([plan.pulse.centre_hz]), np.array([1.0])
    else:
        frequency_hz, share = _bands(shape.carrier_hz + shape.offset_hz, shape.weights)
    absorption = absorption_db_m(medium.kind, frequency_hz, **medium.state)
    return BeamSetting(
        shape=plan.transducer.shape,
        sound_speed_m_s=receiver.sound_speed_m_s,
        frequency_hz=frequency_hz,
        share=share,
        absorption_db_m=absorption,
        baseline_m=plan.geometry.baseline_m,
        beside=beside,
    )


def _bands(
    frequency_hz: NDArray[np.float64], weights: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a few frequencies and shares that average as the whole band does.

    Gauss's rule for the band's own weights: right for any pattern that is a polynomial
    of degree 2 :data:`BANDS` − 1 over the band, however long its tails.

    References
    ----------
    G. H. Golub and J. H. Welsch, "Calculation of Gauss quadrature rules", *Math. Comp.*
    23, 1969, pp. 221–230 (from memory).
    """
    middle_hz = float(weights @ frequency_hz)
    scale_hz = float(np.ptp(frequency_hz)) or 1.0
    x = (frequency_hz - middle_hz) / scale_hz
    basis = [np.sqrt(np.maximum(weights, 0.0) / np.maximum(weights, 0.0).sum())]
    count = min(BANDS, int(np.count_nonzero(weights > 0)))
    jacobi = np.zeros((count, count))
    for i in range(count):
        following = x * basis[i]
        for j, row in enumerate(basis):
            jacobi[i, j] = jacobi[j, i] = float(row @ following)
        following = following - np.array(basis).T @ (np.array(basis) @ following)
        if i + 1 < count:
            basis.append(following / np.linalg.norm(following))
    nodes, vectors = np.linalg.eigh(jacobi)
    return middle_hz + scale_hz * nodes, vectors[0] ** 2
