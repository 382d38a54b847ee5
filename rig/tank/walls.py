"""Image sources of a box."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ImagePaths:
    """Ways from source to receiver by way of the walls.

    Attributes
    ----------
    path_m : ndarray of float64, shape (paths,)
    reflection : ndarray of float64, shape (paths,)
        Product of the walls' signed reflections.
    leaving, coming : ndarray of float64, shape (paths, 3)
        Unit vectors: away from the source, and away from the receiver towards
        where the sound comes from.
    order : ndarray of int, shape (paths,)
        How many walls were met.
    """

    path_m: NDArray[np.float64]
    reflection: NDArray[np.float64]
    leaving: NDArray[np.float64]
    coming: NDArray[np.float64]
    order: NDArray[np.int64]


def image_paths(
    size_m: ArrayLike,
    source_m: ArrayLike,
    receiver_m: ArrayLike,
    reflections: Sequence[tuple[float, float]],
    order: int,
) -> ImagePaths:
    """Find the ways by way of at most `order` walls, shortest first, the direct one included.

    Parameters
    ----------
    size_m, source_m, receiver_m : array_like, shape (3,)
        The box, from 0 to its size on each axis, and two places in it.
    reflections : sequence of pairs, length 3
        Of the lower and the upper wall on each axis, signed.
    order : int

    Returns
    -------
    ImagePaths
        Those whose reflection is not 0.

    References
    ----------
    J. B. Allen and D. A. Berkley, "Image method for efficiently simulating
    small-room acoustics", *J. Acoust. Soc. Am.* 65, 1979, pp. 943–950.
    """
    size = np.asarray(size_m, dtype=np.float64)
    source = np.asarray(source_m, dtype=np.float64)
    receiver = np.asarray(receiver_m, dtype=np.float64)
    # An axis on which both walls swallow everything needs no images.
    spans = [
        range(-(order // 2) - 1, order // 2 + 2) if any(pair) else range(1) for pair in reflections
    ]
    cells = np.array(list(itertools.product(*spans)))
    mirrored = np.array(list(itertools.product((0, 1), repeat=3)))
    n = np.repeat(cells, len(mirrored), axis=0)
    p = np.tile(mirrored, (len(cells), 1))
    lower, upper = np.abs(n - p), np.abs(n)
    met = (lower + upper).sum(axis=1)
    walls = np.asarray(reflections, dtype=np.float64)
    gain = np.prod(walls[:, 0] ** lower * walls[:, 1] ** upper, axis=1)
    keep = (met <= order) & (gain != 0)
    n, p, met, gain = n[keep], p[keep], met[keep], gain[keep]
    flip = 1 - 2 * p
    way = receiver - (flip * source + 2 * n * size)
    path = np.linalg.norm(way, axis=1)
    unit = way / np.maximum(path, 1e-12)[:, np.newaxis]
    ranking = np.argsort(path, kind="stable")
    return ImagePaths(
        path_m=path[ranking],
        reflection=gain[ranking],
        leaving=(unit * flip)[ranking],
        coming=-unit[ranking],
        order=met[ranking],
    )
