"""What pages of a recording have in common: caution, sections, and what was measured."""

from __future__ import annotations

from collections.abc import Sequence

from dsp.uncertainty import stated
from rig.measure.second_receiver import pair_doubts
from rig.run.budget import TABLED_ECHOES
from rig.run.results import Echo, PingResult
from rig.show.markup import Markup, element, joined, table
from rig.show.report.contents import Contents
from rig.show.wording import counted, metres_text, time_zero_text, when_text

SVG = "image/svg+xml"


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


def fact_list(facts: Sequence[tuple[str, str]]) -> Markup:
    """Return names with what is said of each."""
    return element(
        "dl", *(joined([element("dt", name), element("dd", words)]) for name, words in facts)
    )


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
        pings += f"; {run.clipped_pings} clipped, whose strengths may read too low"
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
    if doubts := pair_doubts(run):
        facts.append(("Angles", f"not to be trusted: {'; '.join(doubts)}"))
    if run.origin.lost_at_start:
        facts.append(("Left out", run.origin.lost_at_start))
    if run.origin.lost_at_end:
        facts.append(("Cut off", run.origin.lost_at_end))
    return section("What was measured", fact_list(facts), _lost(run.results))


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


def ranges_text(echoes: Sequence[Echo]) -> str:
    """Say how many echoes there are, and where the nearest."""
    if not echoes:
        return "no echo above the threshold"
    named = ", ".join(metres_text(e.range_m, e.u_range_m) for e in echoes[:TABLED_ECHOES])
    more = f" and {len(echoes) - TABLED_ECHOES} more" if len(echoes) > TABLED_ECHOES else ""
    return f"{counted(len(echoes), 'echo')}, at {named} m{more}"
