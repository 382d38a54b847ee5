"""Whatever is put into the page comes out as text."""

from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st

from rig.show.markup import Markup, element, figure, table


class Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.text += data


def read(markup: str) -> Reader:
    reader = Reader()
    reader.feed(markup)
    reader.close()
    return reader


# HTML reads a carriage return as a line's end and knows no surrogates and no NUL.
texts = st.text(
    st.characters(exclude_categories=["Cs", "Cc"]) | st.sampled_from("<>&\"';=/!-"), max_size=40
)


@given(text=texts, title=texts)
def test_text_and_attributes_come_back_as_they_were(text: str, title: str) -> None:
    reader = read(element("em", text, title=title))
    assert reader.tags == [("em", {"title": title})]
    assert reader.text == text


@given(cells=st.lists(texts, min_size=2, max_size=4), caption=texts)
def test_no_cell_adds_an_element_to_a_table(cells: list[str], caption: str) -> None:
    heads = [f"head {i}" for i in range(len(cells))]
    tags = [tag for tag, _ in read(table(heads, [cells], caption=caption)).tags]
    assert tags.count("th") == len(heads) + 1  # a row is named by its first cell
    assert tags.count("td") == len(cells) - 1
    assert set(tags) == {"div", "table", "caption", "thead", "tbody", "tr", "th", "td"}


def test_markup_inside_markup_is_not_escaped_again() -> None:
    inner = element("b", "5 < 6")
    assert isinstance(inner, Markup)
    assert element("i", inner) == "<i><b>5 &lt; 6</b></i>"


def test_adding_text_to_markup_gives_text_that_is_escaped_later() -> None:
    assert element("i", element("b", "x") + "<u>") == "<i>&lt;b&gt;x&lt;/b&gt;&lt;u&gt;</i>"


def test_picture_lies_inside_the_page_with_its_alternative_text() -> None:
    made = figure(b"<svg/>", kind="image/svg+xml", alt='an "x"', caption="c")
    ((_, _), (tag, attributes), _) = read(made).tags
    # base64 of these six bytes, computed with coreutils' base64
    assert (tag, attributes) == (
        "img",
        {"src": "data:image/svg+xml;base64,PHN2Zy8+", "alt": 'an "x"'},
    )
