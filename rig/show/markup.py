"""HTML out of nested calls; whatever is not markup already is escaped."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Collection, Iterable, Sequence

_VOID = frozenset({"br", "img", "input", "link", "meta"})
_BLOCKS = frozenset({"figure", "h1", "h2", "h3", "li", "p", "section", "table", "tr", "ul", "ol"})

_WHOLE_ROWS = 10
"""A table of no more rows is not broken over two pages."""


class Markup(str):
    """Text that is HTML. Made by :func:`element` and :func:`joined` alone."""

    __slots__ = ()


def element(name: str, /, *children: str, **attributes: str | None) -> Markup:
    r"""Return an element.

    Parameters
    ----------
    name : str
    *children : str
        Escaped, unless they are :class:`Markup`.
    **attributes : str or None
        A trailing underscore falls off the name, other ones turn into hyphens;
        None leaves the attribute out.

    Examples
    --------
    >>> element("p", "5 < 6 ", element("em", "really"), class_="note")
    '<p class="note">5 &lt; 6 <em>really</em></p>\n'
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{html.escape(value)}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{written}>")
    end = "\n" if name in _BLOCKS else ""
    return Markup(f"<{name}{written}>{joined(children)}</{name}>{end}")


def joined(children: Iterable[str]) -> Markup:
    """Return children one after the other, each escaped unless it is markup."""
    return Markup(
        "".join(child if isinstance(child, Markup) else html.escape(child) for child in children)
    )


_ALONE = "default-src 'none'; img-src {pictures}; style-src 'unsafe-inline'"
"""Nothing is fetched and nothing runs, whatever a file's name may hold."""


def page(
    title: str, *body: str, style: str, pictures_beside: bool = False, script: str = ""
) -> str:
    """Return a whole page that needs no network, and no script but the one given.

    Its pictures are inside it, or also in files `pictures_beside` it. A `script` is known by
    its hash: it alone runs, whatever else a page may hold, and then sound inside the page may
    play.

    References
    ----------
    W3C, *Content Security Policy Level 3* (from memory).
    """
    policy = _ALONE.format(pictures="'self' data:" if pictures_beside else "data:")
    if script:
        known = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode("ascii")
        policy += f"; media-src data:; script-src 'sha256-{known}'"
        body = (*body, element("script", Markup(script)))
    head = element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title),
        # A browser would ask the server for an icon of its own accord.
        element("link", rel="icon", href="data:,"),
        element("style", Markup(style)),
    )
    html_element = element("html", head, "\n", element("body", *body), lang="en")
    return f"<!DOCTYPE html>\n{html_element}\n"


def headed_page(
    title: str, made: str, note: Markup, *sections: str, style: str, script: str = ""
) -> str:
    """Return a :func:`page` under its title: what made it, what is to be noted, its sections."""
    head = element("header", element("h1", title), element("p", made, class_="made"), note)
    return page(title, head, element("main", *sections), style=style, script=script)


def figure(picture: bytes, *, kind: str, alt: str, caption: str) -> Markup:
    """Return a picture that lies inside the page.

    Parameters
    ----------
    picture : bytes
    kind : str
        Its media type, such as ``"image/svg+xml"``.
    alt : str
        What it shows, for those who cannot see it.
    caption : str
    """
    return element(
        "figure",
        element("img", src=inside(picture, kind), alt=alt),
        element("figcaption", caption),
    )


def inside(content: bytes, kind: str) -> str:
    """Return the address of a file's content that lies inside the page, by its media type."""
    return f"data:{kind};base64,{base64.b64encode(content).decode('ascii')}"


def table(
    heads: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    caption: str,
    words: Collection[int] = (),
) -> Markup:
    """Return a table whose first column names its rows; a wide one scrolls on a screen.

    Parameters
    ----------
    heads : sequence of str
    rows : iterable of sequence of str
    caption : str
    words : collection of int
        The columns, from 0, that hold words and not numbers.
    """

    def kind(column: int) -> str | None:
        return "words" if column in words else None

    # A quantity and its unit stay on one line.
    names = [head.replace(" / ", "\u00a0/\u00a0") for head in heads]
    body = [
        element(
            "tr",
            element("th", row[0], scope="row"),
            *(element("td", cell, class_=kind(i)) for i, cell in enumerate(row[1:], 1)),
        )
        for row in rows
    ]
    made = element(
        "table",
        element("caption", caption),
        element(
            "thead",
            element(
                "tr",
                *(element("th", h, scope="col", class_=kind(i)) for i, h in enumerate(names)),
            ),
        ),
        element("tbody", *body),
    )
    # A box that scrolls must be reachable by the keyboard, and say what it is.
    box = "wide whole" if len(body) <= _WHOLE_ROWS else "wide"
    return element("div", made, class_=box, tabindex="0", role="region", aria_label=caption)


def bullets(lines: Iterable[str]) -> Markup:
    """Return a list of lines."""
    return element("ul", *(element("li", line) for line in lines))
