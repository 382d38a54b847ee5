"""Columns of echoes of several profiles."""

from __future__ import annotations

import numpy as np

from dsp.ping.search.rows import alike, highest_each, pairs, starts_of

# Echoes of several profiles in one column: none, three, none, one and three of them.
OWNER = np.array([1, 1, 1, 3, 4, 4, 4])


def test_echoes_are_told_apart_by_where_each_profile_s_begin() -> None:
    assert starts_of(OWNER, 6).tolist() == [0, 0, 3, 3, 4, 7, 7]
    assert starts_of(OWNER[:3] - 1, 1).tolist() == [0, 3]


def test_profiles_with_as_many_echoes_come_together() -> None:
    groups = [g.tolist() for g in alike(starts_of(OWNER, 6), np.array([0, 1, 3, 4]))]
    assert groups == [[[3]], [[0, 1, 2], [4, 5, 6]]]


def test_each_thing_is_paired_with_the_echoes_of_its_profile_alone() -> None:
    things = np.array([0, 1, 3, 3, 4])
    thing, echo, echoes = pairs(things, starts_of(OWNER, 6))
    assert echoes.tolist() == [0, 3, 1, 1, 3]
    assert thing.tolist() == [1, 1, 1, 2, 3, 4, 4, 4]
    assert echo.tolist() == [0, 1, 2, 3, 3, 4, 5, 6]


def test_the_highest_of_none_is_nothing() -> None:
    assert highest_each(np.array([3.0, 5.0, 2.0]), np.array([0, 2, 0, 1, 0])).tolist() == [
        *(0.0, 5.0),
        *(0.0, 2.0, 0.0),
    ]
    assert highest_each(np.empty(0), np.array([0, 0])).tolist() == [0.0, 0.0]
