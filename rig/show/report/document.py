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
from collections.abc import Mapping, Sequence
from typing import Any

from dsp.uncertainty import stated, unsure
from rig.measure.beam.words import beam_lines
from rig.measure.calibrate.words import calibration_lines
from rig.measure.forecast import forecast, forecast_lines
from rig.measure.passes import Passing, crossed_beam, passings_of
from rig.measure.strength import compared_lines, strength_lines
from rig.run.budget import TABLED_ECHOES
from rig.run.results import Echo, Measurement, PingResult, Side
from rig.show.markup import Markup, bullets, element, figure, joined, page, table
from rig.show.pictures.beam_picture import BeamPicture
from rig.show.pictures.bench_picture import draw_picture
from rig.show.pictures.report_pictures import passes_picture, sum_picture
from rig.show.pictures.saving import drawn_bytes
from rig.show.pictures.scales import range_scale
from rig.show.report.contents import Contents
from rig.show.report.references import references
from rig.show.sides import doubt_lines
from rig.show.style import STYLE
from rig.show.wording import (
    counted,
    late_text,
    metres_text,
    pulse_text,
    signed,
    time_zero_text,
    when_text,
)

_SVG = "image/svg+xml"

_TABLES = {
    "echoes": "echoes of the sum",
    "budgets": "their uncertainty budgets, all terms",
    "pings": "each ping, with its own echoes",
    "passes": "what went by",
    "hits": "each track's ranges, ping by ping, and its fitted curve",
    "beam": "levels over angle",
    "strengths": "target strengths",
}
_KIND = {"pass": "pass", "half": "half a pass", "stay": "stay", "cannot-tell": "cannot tell"}
_DASH = "–"
_ARCH = "R(t) = √(R₀² + v²(t − t₀)²)".replace(" ", "\u00a0")


def report_html(contents: Contents, tables: Mapping[str, str]) -> str:
    """Return the whole page.

    Parameters
    ----------
    contents : Contents
    tables : mapping of str to str
        The CSV files' names, by the names of their tables.
    """
    title = f"Bench report: {contents.name}"
    sections = (
        what_was_measured(contents),
        _plan(contents),
        _picture(contents),
        _calibration(contents),
        echoes_section(contents),
        passes_section(contents),
        _beam(contents),
        _strengths(contents),
        _numbers(tables),
        _sources(contents),
    )
    made = when_text(contents.made)
    return page(
        title,
        element(
            "header",
            element("h1", title),
            element("p", f"Written by echobench on {made}.", class_="made"),
            caution(contents, "in this report"),
        ),
        element("main", *sections),
        style=STYLE,
    )


def caution(contents: Contents, where: str) -> Markup:
    """Say that nothing was measured of what stands `where`; of a real bench, say nothing."""
    if not contents.invented:
        return joined([])
    words = (
        f"Nothing {where} was measured in a room or in water. The pings come from a virtual "
        "tank: its scene is invented, and so is every echo below."
    )
    return element("p", element("strong", "Invented scene. "), words, class_="note")


def section(title: str, *children: str) -> Markup:
    """Return a section under its title."""
    return element("section", element("h2", title), *children)


def _facts(facts: Sequence[tuple[str, str]]) -> Markup:
    return element(
        "dl", *(joined([element("dt", name), element("dd", words)]) for name, words in facts)
    )


# What was measured


def what_was_measured(contents: Contents) -> Markup:
    """Return the section on the recording, the bench and the pings that were lost."""
    run = contents.run
    receiver, info, plan = run.receiver, run.info, run.plan
    time_zero = None if run.last is None else run.last.time_zero
    when = "not stated in the file"
    began = run.origin.began
    if began is not None:
        when = when_text(began, to="seconds")
    speed = f"{stated(receiver.sound_speed_m_s, receiver.u_sound_speed_m_s)} m/s (k = 2)"
    pings = f"{len(run.results)}, of which {run.lost_pings or 'none'} lost"
    if run.clipped_pings:
        pings += f"; {run.clipped_pings} clipped, whose strengths read too low"
    if run.moving_pings:
        pings += (
            f"; in {run.moving_pings} something moved or turned up, and pings were added up only "
            "as far as all stood still"
        )
    facts = [
        ("Recording", contents.name),
        ("Recorded", when),
        ("Front end", info.front_end.replace("-", " ")),
        ("Device", info.device),
        ("Samples", f"{info.sample_rate_hz:g} a second, {counted(info.channels, 'channel')}"),
        ("Pings", pings),
        ("Medium", _medium_text(contents)),
        ("Sound speed", speed),
        ("Time zero", f"{time_zero_text(plan, time_zero)}."),
    ]
    if run.origin.lost_at_end:
        facts.append(("Cut off", run.origin.lost_at_end))
    return section("What was measured", _facts(facts), _lost(run.results))


def _medium_text(contents: Contents) -> str:
    medium = contents.run.receiver.plan.medium
    words = f"{medium.kind.replace('-', ' ')} at {medium.temperature_c:g} °C"
    words += f" ± {2 * medium.u_temperature_c:g} °C"
    if medium.kind == "air":
        words += f", relative humidity {medium.humidity_percent:g} % ± "
        words += f"{2 * medium.u_humidity_percent:g} %"
    if medium.kind == "sea-water":
        words += f", salinity {medium.salinity_g_kg:g} ± {2 * medium.u_salinity_g_kg:g} g/kg"
    return f"{words} (k = 2)"


def _lost(results: Sequence[PingResult]) -> Markup:
    reasons: dict[str, list[int]] = {}
    for result in results:
        if result.lost:
            reasons.setdefault(result.reason or "no reason given", []).append(result.index)
    if not reasons:
        return joined([])
    rows = [(reason, str(len(numbers)), runs_text(numbers)) for reason, numbers in reasons.items()]
    return table(
        ("reason", "pings", "their numbers, from 0"),
        rows,
        caption="Lost pings. Nothing was read off them; none was patched.",
        words=(2,),
    )


def runs_text(numbers: Sequence[int]) -> str:
    """Write rising numbers with neighbours drawn together.

    Examples
    --------
    >>> runs_text([0, 1, 2, 5, 7, 8])
    '0–2, 5, 7–8'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}–{r[-1]}" for r in runs)


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


def _picture(contents: Contents) -> Markup:
    run = contents.run
    note, looks = f"from {contents.name}", contents.looks or run.plan.geometry.looks
    drawn = drawn_bytes("svg", lambda page: draw_picture(page, run, note=note, looks=looks))
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
    return section("The picture", figure(drawn, kind=_SVG, alt=alt, caption=caption))


def ranges_text(echoes: Sequence[Echo]) -> str:
    """Say how many echoes there are, and where the nearest."""
    if not echoes:
        return "no echo above the threshold"
    named = ", ".join(metres_text(e.range_m, e.u_range_m) for e in echoes[:TABLED_ECHOES])
    more = f" and {len(echoes) - TABLED_ECHOES} more" if len(echoes) > TABLED_ECHOES else ""
    return f"{count_text(len(echoes), 'echo')}, at {named} m{more}"


def count_text(count: int, noun: str) -> str:
    """Return how many there are; a noun that ends in -o takes -es."""
    plural = f"{noun}es" if noun.endswith("o") else f"{noun}s"
    return f"{count} {noun if count == 1 else plural}"


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
        _facts(
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


# Echoes


def echoes_section(contents: Contents) -> Markup:
    """Return the section on the echoes of all pings added up, with their budgets."""
    found = contents.run.measurement
    if found.last is None:
        return section("Echoes", element("p", "All pings are lost: there is nothing to add up."))
    scale = range_scale(contents.run.receiver)
    count = found.pings - found.lost_pings
    alt = (
        f"Strength over range of {count_text(count, 'ping')} added up, with the threshold. "
        f"It shows {ranges_text(found.echoes)}."
    )
    parts = [
        element(
            "p",
            f"{count_text(count, 'good ping')} added up in phase. That is right for what "
            "stands still; what moves is smeared, and stands among the passes.",
        ),
        figure(
            sum_picture(found, scale),
            kind=_SVG,
            alt=alt,
            caption="The sum over range. Numbers are those of the table; what else rises above the "
            "threshold are side lobes of the direct sound or of stronger echoes, which were taken "
            "away before weaker ones were looked for.",
        ),
    ]
    parts += _of_pings_before(found)
    if not found.echoes:
        return section("Echoes", *parts, element("p", "No echo stands above the threshold."))
    parts.append(echo_table(found.echoes))
    parts.append(
        element(
            "p",
            "Range is from midway between source and receiver. Strength is the echo’s amplitude "
            "at the microphone. 2E/N0 is twice the echo’s energy over the noise density. The bound "
            "is Cramér and Rao’s: no one can place an echo in that noise with a smaller standard "
            "deviation, whatever the method.",
        )
    )
    if any(echo.side is not None for echo in found.echoes):
        parts.append(
            element(
                "p",
                "An angle is 0 straight ahead, and positive towards the first receiver’s side; "
                "how high a target stands is not told.",
            )
        )
        doubts = doubt_lines(found.echoes)
        parts += [bullets(doubts)] if doubts else []
    return section("Echoes", *parts, *_budgets(found.echoes))


def _of_pings_before(found: Measurement) -> list[Markup]:
    """Name what is late, and what is not told, where pings carry signs."""
    parts = []
    if found.late:
        named = "; ".join(late_text(one) for one in found.late)
        parts.append(
            element(
                "p",
                f"Late, from so far that the next ping had been sent, and no near range: {named}.",
            )
        )
    if found.untold:
        places = ", ".join(metres_text(e.range_m, e.u_range_m) for e in found.untold)
        parts.append(
            element("p", f"Not told of which ping, and so no range: what seems at {places} m.")
        )
    return parts


def echo_table(echoes: Sequence[Echo]) -> Markup:
    """Return echoes as a table, numbered from 1."""
    heads: tuple[str, ...] = (
        "no.",
        "range / m",
        "± (k = 2) / mm",
        "time of flight / ms",
        "strength / dB re full scale",
        "2E/N0 / dB",
        "bound / mm",
    )
    sided = any(echo.side is not None for echo in echoes)
    if sided:
        heads += ("angle / °", "± (k = 2) / °")

    def angle(echo: Echo) -> tuple[str, ...]:
        if not sided:
            return ()
        its = echo.side or Side()
        told_rad, u_rad = its.angle_rad, its.u_angle_rad
        return _number(math.degrees(told_rad), 2), _number(2 * math.degrees(u_rad), 2)

    rows = [
        (
            str(number),
            stated(e.range_m, e.u_range_m, most=6).partition(" ± ")[0],
            unsure(2e3 * e.u_range_m),
            _number(1e3 * e.delay_s, 4),
            _number(e.strength_db, 1),
            _number(e.snr_db, 1),
            unsure(1e3 * e.bound_m),
            *angle(e),
        )
        for number, e in enumerate(echoes, 1)
    ]
    return table(heads, rows, caption="Echoes in the sum, the nearest first.")


def _number(value: float | None, digits: int) -> str:
    if value is None or not math.isfinite(value):
        return _DASH
    return signed(value, digits)


def _budgets(echoes: Sequence[Echo]) -> list[Markup]:
    made = [
        _budget(number, echo)
        for number, echo in enumerate(echoes[:TABLED_ECHOES], 1)
        if echo.budget is not None
    ]
    if not made:
        return []
    words = (
        "What each range’s uncertainty is made of. A term is a standard uncertainty; its share "
        "is that of the variance. Combined is the root of the sum of squares; expanded is twice "
        "that, and holds the truth about 95 times in 100."
    )
    if len(echoes) > TABLED_ECHOES:
        words += f" The nearest {TABLED_ECHOES} are shown; the CSV file has all."
    return [
        element("h3", "Uncertainty budgets"),
        element("p", words),
        element("div", *made, class_="budgets"),
    ]


def _budget(number: int, echo: Echo) -> Markup:
    budget = echo.budget
    if budget is None:
        return joined([])
    rows = [
        element(
            "tr",
            element("th", term.name, scope="row"),
            element("td", unsure(1e3 * term.u, like=1e3 * budget.combined)),
            element("td", _number(100 * share, 1)),
            element(
                "td",
                element("span", style=f"width: {100 * share:.1f}%"),
                class_="bar",
                aria_hidden="true",
            ),
        )
        for term, share in zip(budget.terms, budget.shares, strict=True)
        if term.u > 0
    ]
    for name, value in (("combined", budget.combined), ("expanded, k = 2", budget.expanded())):
        rows.append(
            element(
                "tr",
                element("th", name, scope="row"),
                element("td", unsure(1e3 * value)),
                element("td"),
                element("td", class_="bar"),
                class_="total" if name == "combined" else None,
            )
        )
    heads = [element("th", head, scope="col") for head in ("term", "u / mm", "share / %")]
    caption = f"Echo {number}, {stated(echo.range_m, echo.u_range_m, most=6)} m"
    made = element(
        "table",
        element("caption", caption),
        element("thead", element("tr", *heads, element("td"))),
        element("tbody", *rows),
    )
    return element(
        "div", made, class_="wide whole", tabindex="0", role="region", aria_label=caption
    )


# Passes


def passes_section(contents: Contents) -> Markup:
    """Return the section on what was followed from ping to ping; empty where nothing was."""
    passings = passings_of(contents.run)
    if not passings:
        return joined([])
    baseline_m = contents.run.receiver.plan.geometry.baseline_m
    words = "; ".join(
        f"{n} {_kind(p)}, {p.range_m.min():.2f} to {p.range_m.max():.2f} m"
        for n, p in enumerate(passings, 1)
    )
    heads = (
        "no.",
        "what",
        "seen / s",
        "hits",
        "closest range / m",
        "crossing speed / m/s",
        "closing speed / m/s",
        "besides",
    )
    rows = [_pass_row(number, passing) for number, passing in enumerate(passings, 1)]
    return section(
        "What went by",
        element(
            "p",
            "Echoes followed from ping to ping. A target on a straight way at an even speed draws "
            f"{_ARCH}, an arch; one that stays draws a streak. Where neither can be told from the "
            "other, that is said.",
        ),
        figure(
            passes_picture(passings, baseline_m=baseline_m),
            kind=_SVG,
            alt=f"Range over time of {count_text(len(passings), 'track')}, with fitted curves "
            f"and what is left over: {words}.",
            caption="Above, each hit and the fitted curves; tracks without a line could not be "
            "told. Below, each hit’s range less its curve.",
        ),
        table(
            heads,
            rows,
            caption="Tracks in the order of their first hits; each ± is k = 2.",
            words=(1, 7),
        ),
    )


def _kind(passing: Passing) -> str:
    """Name what a track did; half an arch of what crossed the beam is no half pass."""
    told = passing.passage
    if told.kind == "half" and told.tilt_rad is not None and crossed_beam(passing):
        return "half an arch, whole pass"
    return _KIND[told.kind]


def _pass_row(number: int, passing: Passing) -> tuple[str, ...]:
    told = passing.passage
    closing = _DASH
    if passing.unfolded is not None and told.kind != "stay":
        closing = _with_u(passing.unfolded.speed_m_s, passing.unfolded.u_speed_m_s, 4)
    return (
        str(number),
        _kind(passing),
        f"{told.first_s:.2f}–{told.last_s:.2f}",
        str(told.hits),
        _with_u(told.closest_range_m, told.u_closest_range_m, 4),
        _with_u(told.crossing_speed_m_s, told.u_crossing_speed_m_s, 4),
        closing,
        _besides(passing),
    )


def _with_u(value: float | None, u: float | None, digits: int) -> str:
    if value is None or u is None:
        return _DASH
    return stated(value, u, most=digits)


def _besides(passing: Passing) -> str:
    told = passing.passage
    words = [told.reason] if told.reason else []
    if told.kind in ("pass", "half") and told.closest_time_s is not None:
        words.append(f"closest at {told.closest_time_s:.2f} s")
    if told.tilt_rad is not None:
        words.append(f"strongest {signed(math.degrees(told.tilt_rad))}° from there")
    if told.strong_hits is not None and passing.forecast_hits is not None:
        foretold = f"{passing.forecast_hits:.0f}"
        if told.kind == "half":
            foretold += " for a whole pass"
        words.append(f"{told.strong_hits} hits within half power, foretold {foretold}")
    found = passing.closing if told.kind == "cannot-tell" else None
    if found is not None and not found.even:
        words.append("nearer and farther at a speed that changed")
    elif found is not None and passing.unfolded is None:
        words.append(
            f"closing at {_with_u(found.speed_m_s, found.u_speed_m_s, 4)} m/s, or that and any "
            f"multiple of {2 * found.fastest_m_s:.4f} m/s"
        )
    return "; ".join(words)


# Beam and strength


def _beam(contents: Contents) -> Markup:
    beam = contents.beam
    if beam is None:
        return joined([])
    fit = beam.fit
    alt = (
        f"Echo level over angle from the axis, {count_text(beam.echoes, 'echo')}, with the fitted "
        f"{fit.shape}: half power at {math.degrees(fit.half_power_rad):.2f}°, axis tilted by "
        f"{math.degrees(fit.tilt_rad):.2f}°; and the footprint over range."
    )
    return section(
        "The beam",
        figure(
            drawn_bytes("svg", lambda page: BeamPicture(page, beam, note=f"From {contents.name}.")),
            kind=_SVG,
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
