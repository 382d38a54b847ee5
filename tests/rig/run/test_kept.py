"""A long run's older results go into rows and come out as they were."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.run.kept import KeptResults
from rig.run.results import COLUMNS, Echo, Heard, Hits, PingResult, TimeZero

numbers = st.floats(allow_infinity=True, allow_nan=False)
echoes = st.builds(
    Echo,
    range_m=numbers,
    path_m=numbers,
    delay_s=numbers,
    u_range_m=numbers,
    strength_db=numbers,
    snr_db=numbers,
    bound_m=numbers,
).map(lambda echo: dataclasses.replace(echo, budget=None))
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
    heard = Heard(echoes=own, threshold_db=np.zeros(4), hits=hits)
    return PingResult(
        index=draw(st.integers(0, 10**9)),
        sent_s=draw(numbers),
        lost=lost,
        reason="no mark" if lost else "",
        clipped=draw(st.booleans()),
        latency_s=draw(st.none() | numbers),
        time_zero=draw(st.none() | zeros),
        echoes=shown,
        threshold_db=None if lost else np.zeros(4),
        heard=None if lost else heard,
        moving=draw(st.booleans()),
    )


def told(result: PingResult) -> tuple[Any, ...]:
    """All that an old ping is to keep, in what == compares."""
    heard = result.heard
    plain = dataclasses.replace(result, heard=None, threshold_db=None)
    values = [getattr(plain, field.name) for field in dataclasses.fields(plain)]
    if heard is None:
        return (*values, None)
    hits = [
        (v.dtype, v.tobytes()) if isinstance(v, np.ndarray) else v
        for v in (getattr(heard.hits, field.name) for field in dataclasses.fields(Hits))
    ]
    return (*values, heard.echoes, heard.echoes is result.echoes, *hits)


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
