"""The report as one HTML page that needs nothing but itself: no network, no script.

Each section says what was found and with what it may be compared; one that has
nothing to say is left out.

References
----------
WHATWG, *HTML Living Standard*; W3C, *CSS Paged Media Module Level 3* (page size and
breaks); W3C, *Content Security Policy Level 3*. From memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rig.measure.beam.words import beam_lines
from rig.measure.calibrate.words import calibration_lines
from rig.measure.forecast import forecast, forecast_lines
from rig.measure.strength import compared_lines, strength_lines
from rig.show.markup import Markup, bullets, element, figure, headed_page, joined, table
from rig.show.pictures.beam_picture import BeamPicture
from rig.show.pictures.saving import drawn_bytes
from rig.show.report.contents import Contents
from rig.show.report.echoes import echoes_section
from rig.show.report.parts import (
    SVG,
    caution,
    fact_list,
    ranges_text,
    section,
    what_was_measured,
)
from rig.show.report.passes import passes_section
from rig.show.report.pictures import Pictures
from rig.show.report.references import references
from rig.show.style import STYLE
from rig.show.wording import counted, pulse_text, when_text

_TABLES = {
    "echoes": "echoes of the sum",
    "budgets": "their uncertainty budgets, all terms",
    "pings": "each ping, with its own echoes",
    "passes": "what went by",
    "hits": "each track's ranges, ping by ping, and its fitted curve",
    "beam": "levels over angle",
    "strengths": "target strengths",
}


def report_html(contents: Contents, tables: Mapping[str, str], pictures: Pictures) -> str:
    """Return the whole page.

    Parameters
    ----------
    contents : Contents
    tables : mapping of str to str
        The CSV files' names, by the names of their tables.
    pictures : Pictures
        Of the same contents.
    """
    title = f"Bench report: {contents.name}"
    sections = (
        what_was_measured(contents),
        _plan(contents),
        _picture(contents, pictures.bench),
        _calibration(contents),
        echoes_section(contents, pictures.sum),
        passes_section(contents, pictures.passes),
        _beam(contents),
        _strengths(contents),
        _numbers(tables),
        _sources(contents),
    )
    return headed_page(
        title,
        f"Written by echobench on {when_text(contents.made)}.",
        caution(contents, "in this report"),
        *sections,
        style=STYLE,
    )


# The plan


def _plan(contents: Contents) -> Markup:
    plan = contents.run.receiver.plan
    lines = [f"{pulse_text(plan)}.", *(_sentence(w) for w in forecast_lines(plan, forecast(plan)))]
    tables = []
    for name, keys in plan.as_table().items():
        if name == "board" and "board" not in contents.run.receiver.info.front_end:
            continue
        # The kind first: it says what the others are.
        ordered = sorted(keys.items(), key=lambda item: item[0] != "kind")
        rows = [(key, _value_text(value)) for key, value in ordered]
        tables.append(table(("key", "value"), rows, caption=f"[{name}]"))
    return section(
        "The plan, and what it foretold",
        bullets(lines),
        element("h3", "Every key of the plan"),
        element("div", *tables, class_="plan"),
    )


def _sentence(words: str) -> str:
    return f"{words[0].upper()}{words[1:]}."


def _value_text(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:.9g}" if isinstance(value, float) else str(value)


# The picture


def _picture(contents: Contents, drawn: bytes) -> Markup:
    run = contents.run
    looks = contents.looks or run.plan.geometry.looks
    found = "No ping came through."
    if run.last is not None:
        found = f"The last good ping shows {ranges_text(run.last.echoes)}."
    seen_from = "the side" if run.plan.geometry.second is None else "above"
    alt = (
        f"Three panels over one range axis: the bench from {seen_from} with its cone, the strength "
        f"of the last ping's echoes over range, and the history of all pings. {found}"
    )
    order = "left to right" if looks == "down" else "the top down"
    caption = (
        f"The bench, the last ping, and the pings before it. Read from {order} as cause, now, "
        "past; the darker, the stronger."
    )
    return section("The picture", figure(drawn, kind=SVG, alt=alt, caption=caption))


# Calibration


def _calibration(contents: Contents) -> Markup:
    c = contents.run.receiver.calibration
    if c is None:
        return joined([])
    used = []
    if c.sound_speed.method != "formula":
        used.append("the sound speed")
    geometry, info = contents.run.receiver.plan.geometry, contents.run.receiver.info
    if geometry.time_zero == "calibration" and not info.knows_leaving and c.time_zero is not None:
        used.append("time zero")
    if contents.run.receiver.plan.receiver.weighting == "equalised":
        used.append("the pulse as it was heard")
    taken = f"Taken from it: {', '.join(used)}." if used else "Nothing of it was needed here."
    conditions = f"{c.plan.medium.kind.replace('-', ' ')} at {c.plan.medium.temperature_c:g} °C"
    return section(
        "Calibration",
        fact_list(
            [
                ("File", contents.run.origin.calibration_name),
                ("Made", when_text(c.made)),
                ("Device", f"{c.device} ({c.front_end.replace('-', ' ')})"),
                ("Conditions", conditions),
            ]
        ),
        element("p", f"{taken} Each ± is k = 2."),
        bullets(line.strip() for line in calibration_lines(c)[1:]),
    )


# Beam and strength


def _beam(contents: Contents) -> Markup:
    beam = contents.beam
    if beam is None:
        return joined([])
    fit = beam.fit
    alt = (
        f"Echo level over angle from the axis, {counted(beam.echoes, 'echo')}, with the fitted "
        f"{fit.shape}: half power at {math.degrees(fit.half_power_rad):.2f}°, axis tilted by "
        f"{math.degrees(fit.tilt_rad):.2f}°; and the footprint over range."
    )
    return section(
        "The beam",
        figure(
            drawn_bytes("svg", lambda page: BeamPicture(page, beam, note=f"From {contents.name}.")),
            kind=SVG,
            alt=alt,
            caption="The beam as measured, against theory.",
        ),
        bullets(_sentence(line.strip()) for line in beam_lines(beam)),
    )


def _strengths(contents: Contents) -> Markup:
    if not contents.strengths:
        return joined([])
    compared = compared_lines(contents.strengths)
    both = "both answers are given."
    if contents.run.plan.geometry.second is not None:
        both += (
            " Two tell how far aside it stands, and so what the beam took off; not how high, where "
            "it takes off more."
        )
    return section(
        "How strong the targets are",
        element(
            "p",
            f"Source level: {contents.strengths_from}. One receiver cannot tell a small target on "
            f"the axis from a larger one towards the edge of the cone: {both}",
        ),
        *(
            joined(
                [
                    element("h3", f"Echo {number}"),
                    bullets(_sentence(line.strip()) for line in strength_lines(target)),
                ]
            )
            for number, target in enumerate(contents.strengths, 1)
        ),
        bullets(map(_sentence, compared)) if compared else joined([]),
    )


# What it rests on


def _numbers(tables: Mapping[str, str]) -> Markup:
    rows = [(_TABLES[name], file) for name, file in tables.items()]
    return section(
        "The numbers",
        element(
            "p",
            "In full precision in CSV files beside this one. A column’s name ends in its unit; "
            "u_ is a standard uncertainty; an empty cell is not known.",
        ),
        table(("what", "file"), rows, caption="CSV files (RFC 4180).", words=(1,)),
    )


def _sources(contents: Contents) -> Markup:
    items = [
        element("li", f"{r.used_for[0].upper()}{r.used_for[1:]}: {r.source}.")
        for r in references(contents)
    ]
    return section(
        "References",
        element(
            "p",
            "The sources of the formulas behind these numbers. The program’s own notes say where "
            "a formula was written down from memory of its source.",
        ),
        element("ol", *items),
    )
