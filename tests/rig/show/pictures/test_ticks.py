"""Axes with a frame alone look the same, whether Matplotlib makes ticks and spines or not."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from rig.show.pictures import ticks
from rig.show.pictures.page import Page
from rig.show.pictures.saving import drawn_dots


def draw(figure: Figure) -> None:
    page = Page(figure)
    axes = page.framed(100, 80, 600, 400)
    axes.plot([0.0, 1.0, 2.0], [3.0, -1.0, 2.0])
    axes.set(xlim=(0.0, 2.0), ylim=(-2.0, 4.0))
    page.ticks(axes, "bottom").set([0.5, 1.5], ["0.5", "1.5"])
    page.ticks(axes, "right").set([0.0], ["zero"])


def test_a_release_that_asks_otherwise_for_ticks_and_spines_draws_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    as_now = drawn_dots(draw)
    assert ticks.bare_axes() is not Axes
    ticks.bare_axes.cache_clear()
    with monkeypatch.context() as patched:
        patched.setattr(ticks, "_MAKE", (*ticks._MAKE, "_a_name_that_has_gone"))
        plain = drawn_dots(draw)
        assert ticks.bare_axes() is Axes
    ticks.bare_axes.cache_clear()
    assert np.array_equal(plain, as_now)
