"""The page to take home: pictures with a slider, the slowed echo, the numbers, in one file.

It opens anywhere, offline. A little script of its own turns the slider; without it the last
picture stands there, and all else is the same.

References
----------
WHATWG, *HTML Living Standard*: `input type=range`, which the arrow keys, Page Up and Down, Home
and End turn; the `hidden` attribute; `audio`, which plays only when it is asked to. W3C, *WAI-ARIA
1.2*: `aria-valuetext`. From memory.
"""

from __future__ import annotations

from collections.abc import Sequence

from rig.run.results import PingResult
from rig.show.markup import Markup, bullets, element, headed_page, inside, joined
from rig.show.report.contents import Contents
from rig.show.report.echoes import echoes_section
from rig.show.report.parts import caution, ranges_text, section, what_was_measured
from rig.show.report.passes import passes_section
from rig.show.report.pictures import passes_drawn, sum_drawn
from rig.show.style import STYLE
from rig.show.take_home.album import Album, Stage
from rig.show.take_home.sound import SlowSound
from rig.show.wording import counted, when_text

LARGEST_BYTES = 4_900_000
"""A page is smaller than that, so that it goes through a school's mail."""

_SECTION_BYTES = 700_000
_CAUTION = (
    "It starts quiet, and only when you start it. Turn the loudspeaker or headphones down first, "
    "then up."
)

_STYLE = """
body { max-width: 82rem; }
main > section { max-width: 62rem; }
main > section.album { max-width: none; }
.at { overflow-x: auto; }
.at img { min-width: 60rem; max-width: 80rem; }
.at figcaption { position: sticky; left: 0; color: var(--ink); font-size: 1rem;
  max-width: min(46rem, calc(100vw - 2.5rem)); }
.turn { display: flex; flex-wrap: wrap; gap: .4rem .8rem; align-items: center; margin: .8rem 0;
  max-width: 80rem; }
.turn[hidden], figure[hidden], .narrow { display: none; }
@media screen and (max-width: 62rem) { .narrow { display: block; } }
.turn label { flex: 0 0 100%; }
.turn input { flex: 1 1 5rem; min-width: 0; width: 0; height: 2.75rem; accent-color: var(--ink); }
.turn button { min-height: 2.75rem; min-width: 4.5rem; font: inherit; color: var(--ink);
  background: #fff; border: 1px solid var(--ink); border-radius: .2rem; }
.turn button:disabled { color: var(--soft); border-color: var(--line); }
:focus-visible { outline: 3px solid var(--ink); outline-offset: 2px; }
audio { display: block; width: 100%; max-width: 46rem; margin: .8rem 0; }
@media print {
  .turn, audio, .by-ear { display: none; }
  .at { overflow: visible; }
  .at img { min-width: 0; max-width: 100%; }
}
"""

_SCRIPT = """
"use strict";
const slider = document.getElementById("ping");
const stages = [...document.querySelectorAll("figure.at")];
const earlier = document.getElementById("earlier");
const later = document.getElementById("later");
function show() {
  const at = Number(slider.value) - 1;
  stages.forEach((stage, place) => { stage.hidden = place !== at; });
  slider.setAttribute("aria-valuetext", stages[at].querySelector("figcaption").textContent);
  earlier.disabled = at === 0;
  later.disabled = at === stages.length - 1;
}
function step(by) {
  slider.value = Number(slider.value) + by;
  show();
}
if (slider) {
  slider.addEventListener("input", show);
  earlier.addEventListener("click", () => step(-1));
  later.addEventListener("click", () => step(1));
  document.getElementById("turn").hidden = false;
  show();
}
"""


def take_home_html(contents: Contents, album: Album, sound: SlowSound) -> str:
    """Return the whole page, smaller than :data:`LARGEST_BYTES`.

    Where all pictures would make it larger, every second is left out until it is not; and
    a table that is too long for it is left out. The page says so.

    Parameters
    ----------
    contents : Contents
    album : Album
        That has seen all pings.
    sound : SlowSound
    """
    rest = (
        _listening(sound),
        _short("Echoes", echoes_section(contents, sum_drawn(contents.run))),
        _short("What went by", passes_section(contents, passes_drawn(contents.run))),
        _short("What was measured", what_was_measured(contents)),
    )
    stages = list(album.stages)
    while True:
        text = _page(contents, _pictures(contents, album, stages), *rest)
        if len(text.encode("utf-8", "replace")) < LARGEST_BYTES or len(stages) < 2:
            return text
        # From the end, so that the last stays.
        stages = stages[::-1][::2][::-1]


def _page(contents: Contents, *sections: Markup) -> str:
    title = f"Echoes to take home: {contents.name}"
    return headed_page(
        title,
        f"Written by echobench on {when_text(contents.made)}. It needs no network.",
        caution(contents, "on this page"),
        *sections,
        style=STYLE + _STYLE,
        script=_SCRIPT,
    )


def _pictures(contents: Contents, album: Album, stages: Sequence[Stage]) -> Markup:
    if not stages:
        return section("The pictures", element("p", "The recording holds no ping."))
    order = "left to right" if album.looks == "down" else "the top down"
    words = (
        f"Read each from {order} as cause, now, past; the darker, the stronger. "
        f"{_which(len(contents.run.results), len(stages), album.rows)}"
    )
    turn = element(
        "div",
        element("label", "Which ping: slide, or press the arrow keys", for_="ping"),
        element("button", "earlier", type="button", id="earlier"),
        element(
            "input",
            type="range",
            id="ping",
            min="1",
            max=str(len(stages)),
            step="1",
            value=str(len(stages)),
            autocomplete="off",
        ),
        element("button", "later", type="button", id="later"),
        class_="turn",
        id="turn",
        hidden="",
    )
    figures = [_stage(stage, last=stage is stages[-1]) for stage in stages]
    return element(
        "section",
        element("h2", "The pictures"),
        element("p", words),
        turn if len(stages) > 1 else joined([]),
        element("p", "Draw the picture sideways to see all of it.", class_="narrow"),
        *figures,
        class_="album",
    )


def _which(pings: int, pictures: int, rows: int) -> str:
    """Say which pings have a picture, and what is skipped."""
    if pictures == pings:
        return "Each ping has its picture."
    apart = (pings - 1) / max(pictures - 1, 1)
    about = float(f"{round(apart):.2g}")
    share = f", about one in {about:g}" if about > 1 else ""
    words = (
        f"Not each ping has a picture: of {counted(pings, 'ping')}, {pictures} have one{share}; "
        "the others are skipped, so that the page stays small."
    )
    if apart <= rows:
        return f"{words} They all stand in the histories, which go back {rows} pings."
    return f"{words} A history goes back {rows} pings, so that of some nothing is shown."


def _stage(stage: Stage, *, last: bool) -> Markup:
    result = stage.result
    told = _told(result)
    alt = (
        "Three panels over one range axis: the bench with its cone, the strength of this ping's "
        f"echoes over range, and the history of the pings before it. {told}"
    )
    return element(
        "figure",
        element("img", src=inside(stage.png, "image/png"), alt=alt),
        element("figcaption", told),
        class_="at",
        tabindex="0",
        role="group",
        aria_label=f"Picture at ping {result.index}",
        hidden=None if last else "",
    )


def _told(result: PingResult) -> str:
    head = f"Ping {result.index}, {result.sent_s:.2f} s after the first, which is ping 0: "
    if result.index == 0:
        head = "Ping 0, the first: "
    if result.lost:
        return f"{head}lost ({result.reason or 'no reason given'})."
    return f"{head}{ranges_text(result.echoes)}."


def _listening(sound: SlowSound) -> Markup:
    title = "The echo, slowed down"
    if not sound.wav:
        return section(title, element("p", f"There is no sound here: {'; '.join(sound.lines)}."))
    return section(
        title,
        element("p", element("strong", "Start quiet. "), _CAUTION, class_="note by-ear"),
        element(
            "audio",
            src=inside(sound.wav, "audio/wav"),
            controls="",
            preload="metadata",
            aria_label="One ping and its echoes, slowed down",
        ),
        element(
            "p",
            "The ping leaves, then the echoes come back, as the strength strip shows them; slowed "
            "so far that hands can clap to the first of them. What is heard:",
        ),
        bullets(f"{line[0].upper()}{line[1:]}." for line in sound.lines),
    )


def _short(title: str, made: Markup) -> Markup:
    """Return a section of the report's, or say that it is too long for this page."""
    if len(made.encode("utf-8", "replace")) <= _SECTION_BYTES:
        return made
    return section(
        title,
        element("p", "Too long for a page to take home. The command “report” writes all of it."),
    )
