"""A long run's older results go into rows and come out as they were."""

from __future__ import annotations

import dataclasses
from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.run.kept import KeptResults
from rig.run.results import (
    COLUMNS,
    Echo,
    Heard,
    Hits,
    LateEcho,
    PingResult,
    Side,
    TimeZero,
    Whose,
)

numbers = st.floats(allow_infinity=True, allow_nan=False)
sides = st.builds(
    Side,
    angle_rad=numbers,
    u_angle_rad=numbers,
    low_rad=numbers,
    high_rad=numbers,
    offset_m=numbers,
    u_offset_m=numbers,
    bound_rad=numbers,
    possible_rad=st.lists(numbers, max_size=3).map(tuple),
    doubt=st.sampled_from(["", "nothing was heard there"]),
)
echoes = st.builds(
    Echo,
    range_m=numbers,
    path_m=numbers,
    delay_s=numbers,
    u_range_m=numbers,
    strength_db=numbers,
    snr_db=numbers,
    bound_m=numbers,
    side=st.none() | sides,
    more_within_m=st.none() | numbers,
).map(lambda echo: dataclasses.replace(echo, budget=None))
late = st.builds(LateEcho, echo=echoes, pings_before=st.integers(1, 3), seems_m=numbers)
zeros = st.builds(
    TimeZero,
    method=st.sampled_from(["direct", "loopback"]),
    delay_s=numbers,
    u_delay_s=numbers,
    mark_s=numbers,
    amplitude=st.one_of(st.just(0), numbers),  # an int where nobody minds
)


@st.composite
def results(draw: st.DrawFn) -> PingResult:
    lost, shown = draw(st.booleans()), tuple(draw(st.lists(echoes, max_size=3)))
    own = draw(st.sampled_from([shown, shown[:1]]))
    count = draw(st.integers(0, 3))
    columns: dict[str, Any] = {
        name: np.array(draw(st.lists(numbers, min_size=count, max_size=count)), dtype=float)
        for name in COLUMNS
    }
    columns["phasor"] = columns["phasor"] * (1 + 1j)
    hits = Hits(ping=7, sent_s=draw(numbers), u_mark_s=0.0, u_shape_s=draw(numbers), **columns)
    row = st.lists(st.integers(-1, 3), min_size=count, max_size=count)
    whose = Whose(
        followed=np.array(draw(row), dtype=np.int64),
        late=np.array(draw(row), dtype=np.int64),
        pulled=np.array(draw(row), dtype=np.int64) > 1,
    )
    heard = Heard(
        echoes=own,
        threshold=partial(np.zeros, 4),
        hits=hits,
        whose=draw(st.sampled_from([None, whose])),
    )
    return PingResult(
        index=draw(st.integers(0, 10**9)),
        sent_s=draw(numbers),
        lost=lost,
        reason="no mark" if lost else "",
        clipped=draw(st.booleans()),
        latency_s=draw(st.none() | numbers),
        time_zero=draw(st.none() | zeros),
        echoes=shown,
        threshold=None if lost else partial(np.zeros, 4),
        heard=None if lost else heard,
        moving=draw(st.booleans()),
        sign_place=draw(st.none() | st.integers(0, 10**9)),
        late=tuple(draw(st.lists(late, max_size=2))),
        untold=tuple(draw(st.lists(echoes, max_size=2))),
    )


def _plain(held: Any) -> list[Any]:
    """The fields of an object, its arrays as what == compares."""
    values = (getattr(held, field.name) for field in dataclasses.fields(held))
    return [(v.dtype, v.tobytes()) if isinstance(v, np.ndarray) else v for v in values]


def told(result: PingResult) -> tuple[Any, ...]:
    """All that an old ping is to keep, in what == compares."""
    heard = result.heard
    plain = dataclasses.replace(result, heard=None, threshold=None)
    values = [getattr(plain, field.name) for field in dataclasses.fields(plain)]
    if heard is None:
        return (*values, None)
    whose = None if heard.whose is None else _plain(heard.whose)
    return (*values, heard.echoes, heard.echoes is result.echoes, *_plain(heard.hits), whose)


@settings(max_examples=40)
@given(st.lists(results(), max_size=12))
def test_what_a_ping_keeps_comes_back_to_the_last_bit(given: list[PingResult]) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("rig.run.kept.TOGETHER", 3)
        kept = KeptResults(2)
        for count, result in enumerate(given, 1):
            kept.append(result)
            assert len(kept) == count
            assert kept[-1] is result
        wanted = [told(result) for result in given]
        assert [told(result) for result in kept] == wanted
        assert [told(result) for result in reversed(kept)] == wanted[::-1]
        assert [told(kept[at]) for at in range(len(given))] == wanted
        assert [told(result) for result in kept[-4::2]] == wanted[-4::2]
        # The latest two are whole, and what is not yet enough for a row of three.
        rows = max(0, (len(given) - 2) // 3 * 3)
        whole = [r.threshold_db is not None for r in kept if not r.lost]
        assert whole == [i >= rows for i, r in enumerate(given) if not r.lost]


def test_a_ping_that_never_was_is_refused() -> None:
    with pytest.raises(IndexError, match="found 0 pings"):
        KeptResults(2)[0]
