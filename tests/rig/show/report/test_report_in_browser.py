"""The report in a real browser: all pictures there, nothing to complain of, all on the paper."""

import base64
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.browser

Open = Callable[[Path], Any]

A4_TEXT_PX = 680  # 210 mm less margins of 15 mm each, at CSS's 96 px to the inch


def test_report_opens_with_every_picture_and_no_complaint(
    open_page: Open, written: dict[str, Path]
) -> None:
    page = open_page(written["page"])
    # The bench, the sum, the tracks and the beam.
    assert page.value("document.images.length") == 4
    assert page.missing_pictures == []
    assert page.complaints == []


def test_report_asks_for_nothing_but_itself(open_page: Open, written: dict[str, Path]) -> None:
    page = open_page(written["page"])
    assert page.fetched == [written["page"].as_uri()]


def test_a_check_like_this_sees_missing_pictures_and_errors(
    open_page: Open, tmp_path: Path
) -> None:
    """Else the checks above would prove nothing."""
    broken = tmp_path / "broken.html"
    broken.write_text(
        '<!DOCTYPE html><img alt="gone" src="data:image/png;base64,AAAA">'
        '<img alt="away" src="not-there.png"><script>console.error("oh"); missing()</script>'
    )
    page = open_page(broken)
    assert page.missing_pictures == ["gone", "away"]
    kinds = {complaint["method"] for complaint in page.complaints}
    assert {"Runtime.consoleAPICalled", "Runtime.exceptionThrown"} <= kinds
    assert any(url.endswith("not-there.png") for url in page.fetched)


def test_a_file_name_that_is_markup_is_shown_and_does_nothing(
    open_page: Open, written: dict[str, Path], recording: str
) -> None:
    page = open_page(written["page"])
    assert page.value("document.querySelector('h1').textContent") == f"Bench report: {recording}"
    assert page.value("document.title") == f"Bench report: {recording}"


def test_browser_reads_the_page_by_the_standard(open_page: Open, written: dict[str, Path]) -> None:
    page = open_page(written["page"])
    assert page.value("document.compatMode") == "CSS1Compat"  # no quirks
    assert page.value("document.characterSet") == "UTF-8"
    assert page.value("document.documentElement.lang") == "en"


def overflowing(page: Any, width_px: int) -> list[str]:
    """What reaches beyond the text's edges, by half a pixel or more."""
    found: list[str] = page.value(
        "[...document.querySelectorAll('h1, h2, p, li, dd, img, table, th, td')].filter(e => {"
        "const b = e.getBoundingClientRect();"
        f"return b.left < -0.5 || b.right > {width_px} + 0.5;"
        "}).map(e => e.tagName + ': ' + e.textContent.slice(0, 60))"
    )
    return found


def test_nothing_is_cut_off_on_a4(open_page: Open, written: dict[str, Path]) -> None:
    page = open_page(written["page"])
    page.call("Emulation.setEmulatedMedia", media="print")
    page.call(
        "Emulation.setDeviceMetricsOverride",
        width=A4_TEXT_PX,
        height=990,
        deviceScaleFactor=1,
        mobile=False,
    )
    assert overflowing(page, A4_TEXT_PX) == []


@pytest.mark.parametrize("width_px", [360, 1280])
def test_page_does_not_scroll_sideways_on_a_screen(
    open_page: Open, written: dict[str, Path], width_px: int
) -> None:
    page = open_page(written["page"])
    page.call(
        "Emulation.setDeviceMetricsOverride",
        width=width_px,
        height=800,
        deviceScaleFactor=1,
        mobile=False,
    )
    assert page.value("document.documentElement.scrollWidth") <= width_px


def test_report_prints_on_a4(open_page: Open, written: dict[str, Path]) -> None:
    page = open_page(written["page"])
    # A printer that would have taken another paper: the page's own wish counts.
    printed = page.call("Page.printToPDF", preferCSSPageSize=True, paperWidth=5, paperHeight=5)
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", base64.b64decode(printed["data"]))
    assert len(boxes) >= 2
    for width_pt, height_pt in boxes:
        # 210 mm × 297 mm in points of 1/72 inch; a browser rounds to whole pixels, 0.75 pt.
        assert abs(float(width_pt) - 595.28) <= 0.75
        assert abs(float(height_pt) - 841.89) <= 0.75
