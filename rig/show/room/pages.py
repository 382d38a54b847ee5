"""The room's two pages, and what stands around them so that nothing foreign runs in them."""

from __future__ import annotations

import importlib.resources

from rig.show.markup import Markup, element

ALT = "The picture of the bench as the teacher's window shows it; its numbers stand as text below."

LEGEND = (
    "Range, ± twice its standard uncertainty (19 times in 20 the true range lies within), "
    "strength at the microphone, in dB re full scale, and, with two receivers, the side."
)

WHOSE = "This picture is the bench's: its keys and its mouse work there, not here."

POLICY = (
    "default-src 'none'; img-src 'self' blob: data:; style-src 'self'; script-src 'self'; "
    "connect-src 'self' ws://{host}; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
"""Scripts and styles are our two files; nothing else runs, and no other host is asked."""

SHEET_POLICY = (
    "default-src 'none'; img-src data:; style-src 'unsafe-inline'; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'none'; sandbox"
)
"""For a sheet of one's own guesses: words and pictures inside it, and nothing that runs."""

HEADERS = {
    "X-Frame-Options": "DENY",
    "Cache-Control": "no-store",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
"""WHATWG *Fetch* and *HTML*, RFC 7034 for the first (from memory)."""


def own_file(name: str) -> bytes:
    """Return our script or our style."""
    return importlib.resources.files(__package__).joinpath(name).read_bytes()


def join_page(xsrf_form: str, *, refused: str = "") -> str:
    """Return the page on which the code is typed.

    Parameters
    ----------
    xsrf_form : str
        The form's hidden field, as HTML.
    refused : str
        Why the last code was not taken; empty at first.
    """
    form = element(
        "form",
        element("label", "The code that stands beside the address", for_="code"),
        element(
            "input",
            id="code",
            name="code",
            type="text",
            autocomplete="off",
            autocapitalize="characters",
            spellcheck="false",
            maxlength="12",
            required="",
            autofocus="",
            aria_describedby="refused" if refused else None,
        ),
        Markup(xsrf_form),
        element("button", "Join"),
        method="post",
        action="/join",
    )
    words = [element("p", refused, id="refused", role="alert")] if refused else []
    return _page(
        "Join the bench",
        element("main", element("h1", "Join the bench"), *words, form),
        kind="join",
    )


def room_page() -> str:
    """Return the page that shows the bench."""
    look = element(
        "section",
        element(
            "div",
            element("img", id="picture", alt=ALT, hidden=""),
            id="frame",
            tabindex="0",
            role="region",
            aria_label="Picture of the bench; scrolls where it is shown in full size",
        ),
        element("button", "Full size", id="larger", type="button"),
        element("p", WHOSE, class_="legend"),
        id="look",
    )
    naming = element(
        "form",
        element(
            "label",
            element("span", "A nickname, if you like; not your name"),
            element("input", id="nickname", type="text", maxlength="24", autocomplete="off"),
            class_="row",
        ),
        element("button", "Use it"),
        id="naming",
        hidden="",
    )
    own = element(
        "p", element("a", "My own guesses, to print or keep", href="/own", target="_blank")
    )
    asked = element(
        "section",
        element("h2", id="heading"),
        element("p", id="words"),
        element("div", id="questions"),
        element("p", id="said", role="status", class_="said", hidden=""),
        naming,
        element("div", own, id="own", hidden=""),
        id="asked",
        hidden="",
        aria_label="What is asked",
    )
    numbers = element(
        "section",
        element("h2", id="head"),
        element("ul", id="lines"),
        element("p", LEGEND, id="legend", class_="legend"),
        element("p", id="told", class_="aside", aria_live="polite"),
        id="numbers",
        aria_label="The newest ping in words",
    )
    rejoin = element(
        "p", element("a", "Join anew", href="/"), " if it does not come back.", id="rejoin",
        hidden="",
    )  # fmt: skip
    head = element(
        "header",
        element("h1", "The bench"),
        element("p", "Connecting …", id="state", role="status"),
    )
    return _page("The bench", head, rejoin, element("main", look, asked, numbers), kind="room")


def bare_page(words: str) -> str:
    """Return a page that says one thing, for what is not given out."""
    return _page(words, element("main", element("h1", words)), kind="join", runs=False)


def _page(title: str, *body: str, kind: str, runs: bool = True) -> str:
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title),
        element("link", rel="icon", href="data:,"),
        element("link", rel="stylesheet", href="/room.css"),
    )
    script = []
    if runs:
        needed = "This page needs its script: allow it for this address."
        script = [element("noscript", element("p", needed)), element("script", src="/room.js")]
    html = element("html", head, "\n", element("body", *body, *script, class_=kind), lang="en")
    return f"<!DOCTYPE html>\n{html}\n"
