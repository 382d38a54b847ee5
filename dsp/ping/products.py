"""Products of matrices, so many rows at a time that one thread works them out.

Two threads take longer than one for what is so small; on a busy machine, where one of them
waits for the other without giving way, a thousand times as long.
"""

from __future__ import annotations

import functools
from typing import Any

import numpy as np
from numpy.typing import NDArray

ALONE = 1 << 16
"""Products with no more multiplications of complex numbers than this are not shared out among
threads (measured of OpenBLAS, which NumPy's wheels bring: 64,600 are not and 66,400 are), nor are
products with as many of real ones."""


def pieces(rows: int, right: NDArray[Any]) -> tuple[slice, ...]:
    """Cut rows into pieces, each of which one thread multiplies by a matrix.

    In steps of four rows where there is room for four, and none of a single row: for what is
    left over another routine may be called, which rounds otherwise.
    """
    return _cut(rows, right.size)


@functools.lru_cache(maxsize=256)
def _cut(rows: int, size: int) -> tuple[slice, ...]:
    most = max(2, (ALONE // size - 1) // 4 * 4)
    if rows <= most + 1:
        return (slice(0, rows),)
    starts = range(0, rows - 1, most)
    return tuple(slice(i, i + most if i + most + 1 < rows else rows) for i in starts)


def product(left: NDArray[Any], right: NDArray[Any]) -> NDArray[Any]:
    """Return the product of matrices of shapes (..., rows, terms) and (terms, columns)."""
    cut = pieces(left.shape[-2], right)
    if len(cut) == 1:
        return np.asarray(left @ right)
    return np.concatenate([left[..., piece, :] @ right for piece in cut], axis=-2)
