"""The report's numbers as CSV tables, in full precision.

Each column's name ends in its unit; ``_db`` of a strength is re full scale, ``u_``
is a standard uncertainty. A number that is not known is left empty.

References
----------
RFC 4180, "Common format and MIME type for comma-separated values (CSV) files", 2005.
"""

from __future__ import annotations

import csv
import io
import itertools
import math
from collections.abc import Iterable, Iterator, Sequence

from dsp.history.passage import fitted_range_m
from rig.measure.beam.measurement import BeamMeasurement
from rig.measure.laid_strength import LaidTarget
from rig.measure.passes.following import passings_of
from rig.measure.strength import TargetStrength
from rig.run.results import ECHO_NUMBERS, Echo
from rig.show.report.contents import Contents
from rig.show.sides import side_columns, side_values

Cell = str | int | float | None

_PASS = (
    "kind",
    "hits",
    "first_s",
    "last_s",
    "closest_range_m",
    "u_closest_range_m",
    "crossing_speed_m_s",
    "u_crossing_speed_m_s",
    "closest_time_s",
    "u_closest_time_s",
)


TABLES = ("echoes", "budgets", "pings", "passes", "hits", "beam", "strengths")
"""All tables that a report may have."""


def csv_tables(contents: Contents) -> dict[str, Iterator[str]]:
    """Return each table's lines by its name, without those that would be empty of sense.

    A line is written when it is asked for: those of a day's pings would take more room than
    all that is known of them.

    Parameters
    ----------
    contents : Contents

    Returns
    -------
    dict of str to iterator of str
        "echoes" and "budgets" of the sum, "pings" with each ping's own echoes,
        "passes" and their "hits"; "beam" and "strengths" where they were measured.
    """
    tables = {
        "echoes": _echoes(contents.run.measurement.echoes),
        "budgets": _budgets(contents.run.measurement.echoes),
        "pings": _pings(contents),
        "passes": _passes(contents),
        "hits": _hits(contents),
    }
    if contents.beam is not None:
        tables["beam"] = _beam(contents.beam)
    if contents.strengths:
        tables["strengths"] = _strengths(contents.strengths)
    return tables


def _written(heads: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    made = io.StringIO(newline="")
    lines = csv.writer(made)  # its defaults are RFC 4180: CRLF, quotes doubled
    for row in itertools.chain((heads,), rows):
        lines.writerow([_known(cell) for cell in row])
        yield made.getvalue()
        made.seek(0)
        made.truncate()


def _known(cell: Cell) -> Cell:
    # A NumPy number writes itself as one; a plain float's repr reads back exactly.
    if isinstance(cell, float):
        return repr(float(cell)) if math.isfinite(cell) else None
    return cell


def _echo_cells(echo: Echo, sided: Sequence[str]) -> list[Cell]:
    its = side_values(echo.side)
    return [*(getattr(echo, name) for name in ECHO_NUMBERS), *(its[name] for name in sided)]


def _echoes(echoes: Sequence[Echo]) -> Iterator[str]:
    sided = side_columns(echoes)
    return _written(
        ("echo", *ECHO_NUMBERS, *sided, "expanded_k2_range_m"),
        ([number, *_echo_cells(e, sided), 2 * e.u_range_m] for number, e in enumerate(echoes, 1)),
    )


def _budgets(echoes: Sequence[Echo]) -> Iterator[str]:
    return _written(
        ("echo", "range_m", "term", "u_m", "share_of_variance"),
        (
            [number, echo.range_m, term.name, term.u, share]
            for number, echo in enumerate(echoes, 1)
            if echo.budget is not None
            for term, share in zip(echo.budget.terms, echo.budget.shares, strict=True)
        ),
    )


def _pings(contents: Contents) -> Iterator[str]:
    sided = side_columns(echo for its in contents.run.results.each("echoes") for echo in its)
    columns = (*ECHO_NUMBERS, *sided)

    def rows() -> Iterator[list[Cell]]:
        for r in contents.run.results:
            head: list[Cell] = [r.index, r.sent_s, int(r.lost), r.reason, int(r.clipped)]
            if not r.echoes:
                yield [*head, None, *(None for _ in columns)]
            for number, echo in enumerate(r.echoes, 1):
                yield [*head, number, *_echo_cells(echo, sided)]

    return _written(("ping", "sent_s", "lost", "reason", "clipped", "echo", *columns), rows())


def _passes(contents: Contents) -> Iterator[str]:
    rows: list[list[Cell]] = []
    for number, passing in enumerate(passings_of(contents.run), 1):
        told, closing = passing.passage, passing.unfolded
        tilt_deg = None if told.tilt_rad is None else math.degrees(told.tilt_rad)
        u_tilt_deg = None if told.u_tilt_rad is None else math.degrees(told.u_tilt_rad)
        speeds: list[Cell] = [None, None]
        if closing is not None:
            speeds = [closing.speed_m_s, closing.u_speed_m_s]
        rows.append(
            [
                number,
                *(getattr(told, name) for name in _PASS),
                tilt_deg,
                u_tilt_deg,
                told.strong_hits,
                passing.forecast_hits,
                *speeds,
                told.reason,
            ]
        )
    own = ("tilt_deg", "u_tilt_deg", "strong_hits", "forecast_hits")
    closing_heads = ("closing_speed_m_s", "u_closing_speed_m_s", "reason")
    return _written(("track", *_PASS, *own, *closing_heads), rows)


def _hits(contents: Contents) -> Iterator[str]:
    baseline_m = contents.run.receiver.plan.geometry.baseline_m

    def rows() -> Iterator[list[Cell]]:
        for number, passing in enumerate(passings_of(contents.run), 1):
            fitted = fitted_range_m(passing.passage, passing.time_s, baseline_m=baseline_m)
            curve = itertools.repeat(None, passing.ping.size) if fitted is None else fitted
            for ping, time_s, range_m, on_curve in zip(
                passing.ping, passing.time_s, passing.range_m, curve, strict=True
            ):
                yield [number, int(ping), float(time_s), float(range_m), on_curve]

    return _written(("track", "ping", "time_s", "range_m", "fitted_range_m"), rows())


def _beam(beam: BeamMeasurement) -> Iterator[str]:
    fit = beam.fit
    columns = (fit.angle_rad, fit.level_db, fit.u_level_db, fit.limit_db)
    return _written(
        ("angle_deg", "level_db", "u_level_db", "limit_db"),
        (
            [math.degrees(angle_rad), level_db, u_db, limit_db]
            for angle_rad, level_db, u_db, limit_db in zip(
                *(column.tolist() for column in columns), strict=True
            )
        ),
    )


_LAID = ("angle_deg", "laid_db_re_1m2", "laid_low_db_re_1m2", "laid_high_db_re_1m2")
"""Of two receivers: the strength laid on the axis, and what covers it with k = 2."""


def _laid(target: LaidTarget | None) -> tuple[float | None, ...]:
    if target is None or target.strength is None:
        return (None,) * len(_LAID)
    strength = target.strength
    return (
        math.degrees(target.side.angle_rad),
        strength.strength_db,
        strength.low_db,
        strength.high_db if math.isfinite(strength.high_db) else None,
    )


def _strengths(strengths: Sequence[TargetStrength]) -> Iterator[str]:
    heads = ("range_m", "echo_level_db", "axis_db_re_1m2", "edge_db_re_1m2", "edge_deg", "u_db")
    by_two = any(t.laid is not None for t in strengths)
    return _written(
        ("echo", *heads, "at_angle_db_re_1m2", "u_at_angle_db", *(_LAID if by_two else ())),
        (
            [
                number,
                t.echo.range_m,
                t.echo.strength_db,
                t.open_range.axis_db,
                t.open_range.edge_db,
                math.degrees(t.edge_rad),
                t.open_range.u_db,
                t.known_db,
                t.u_known_db,
                *(_laid(t.laid) if by_two else ()),
            ]
            for number, t in enumerate(strengths, 1)
        ),
    )
