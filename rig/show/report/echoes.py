"""A page's echoes: their table, their budgets, and those of pings before."""

from __future__ import annotations

import math
from collections.abc import Sequence

from dsp.uncertainty import stated, unsure
from rig.run.budget import TABLED_ECHOES
from rig.run.results import Echo, Measurement, Side
from rig.show.markup import Markup, bullets, element, figure, joined, table
from rig.show.report.contents import Contents
from rig.show.report.parts import SVG, ranges_text, section
from rig.show.sides import doubt_lines
from rig.show.wording import counted, late_text, metres_text, signed

DASH = "–"


def echoes_section(contents: Contents, picture: bytes | None) -> Markup:
    """Return the section on the echoes of all pings added up, with their budgets."""
    found = contents.run.measurement
    if picture is None:
        return section("Echoes", element("p", "All pings are lost: there is nothing to add up."))
    count = found.pings - found.lost_pings
    alt = (
        f"Strength over range of {counted(count, 'ping')} added up, with the threshold. "
        f"It shows {ranges_text(found.echoes)}."
    )
    parts = [
        element(
            "p",
            f"{counted(count, 'good ping')} added up in phase. That is right for what "
            "stands still; what moves is smeared, and stands among the passes.",
        ),
        figure(
            picture,
            kind=SVG,
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
        return number_text(math.degrees(told_rad), 2), number_text(2 * math.degrees(u_rad), 2)

    rows = [
        (
            str(number),
            stated(e.range_m, e.u_range_m, most=6).partition(" ± ")[0],
            unsure(2e3 * e.u_range_m),
            number_text(1e3 * e.delay_s, 4),
            number_text(e.strength_db, 1),
            number_text(e.snr_db, 1),
            unsure(1e3 * e.bound_m),
            *angle(e),
        )
        for number, e in enumerate(echoes, 1)
    ]
    return table(heads, rows, caption="Echoes in the sum, the nearest first.")


def number_text(value: float | None, digits: int) -> str:
    """Return a number, or a dash where there is none."""
    if value is None or not math.isfinite(value):
        return DASH
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
            element("td", number_text(100 * share, 1)),
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
