"""Products of matrices are cut so that one thread works out each piece."""

from __future__ import annotations

import numpy as np
import pytest

from dsp.ping.products import ALONE, pieces, product


@pytest.mark.parametrize("rows", [0, 1, 2, 16, 17, 18, 33, 100])
@pytest.mark.parametrize("columns", [9, 415, 2000])
def test_rows_are_cut_into_pieces_that_one_thread_works_out(rows: int, columns: int) -> None:
    right = np.ones((8, columns), dtype=np.complex64)
    cut = pieces(rows, right)
    assert np.concatenate([np.arange(rows)[piece] for piece in cut]).tolist() == list(range(rows))
    sizes = [piece.stop - piece.start for piece in cut]
    assert max(sizes) * right.size <= ALONE
    assert rows == 1 or 1 not in sizes


def test_a_product_in_pieces_is_the_product() -> None:
    rng = np.random.default_rng(1)
    left, right = (
        rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
        for shape in ((3, 50, 8), (8, 900))
    )
    assert len(pieces(50, right)) > 5
    # Eight terms of some units each, rounded to 1e-16 of themselves.
    expected = np.einsum("krt,tc->krc", left, right)
    np.testing.assert_allclose(product(left, right), expected, rtol=0, atol=1e-13)
