"""A lesson's sheet in a real browser: all pictures there, nothing to complain of, all on paper."""

import base64
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from blank_paper import blank_paper
from typist import typed

pytestmark = pytest.mark.browser

Open = Callable[[Path], Any]
A4_TEXT_PX = 680  # 210 mm less margins of 15 mm each, at CSS's 96 px to the inch


@pytest.fixture(scope="module")
def sheet(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One with numbers and one part without a prediction."""
    folder = tmp_path_factory.mktemp("lesson")
    words = ("lesson", "time-is-distance", "--predict", "5.8", "--json")
    with blank_paper():  # where pictures stand is looked at, and not what is in them
        done = typed(*words, folder=folder)
    assert done.returncode == 0, done.stderr
    return folder / str(json.loads(done.stdout.splitlines()[-1])["sheet"])


def test_sheet_opens_with_every_picture_and_asks_for_nothing(open_page: Open, sheet: Path) -> None:
    page = open_page(sheet)
    # Five parts, and thirteen steps of the bench.
    assert page.value("document.images.length") == 18
    assert page.missing_pictures == []
    assert page.complaints == []
    assert page.fetched == [sheet.as_uri()]
    assert page.value("document.scripts.length") == 0
    assert page.value("document.title") == "Time is distance"


@pytest.mark.parametrize(("media", "width_px"), [("print", A4_TEXT_PX), ("screen", 360)])
def test_nothing_of_a_sheet_is_cut_off(
    open_page: Open, sheet: Path, media: str, width_px: int
) -> None:
    page = open_page(sheet)
    page.call("Emulation.setEmulatedMedia", media=media)
    size = {"width": width_px, "height": 990, "deviceScaleFactor": 1, "mobile": False}
    page.call("Emulation.setDeviceMetricsOverride", **size)
    assert page.value("document.documentElement.scrollWidth") <= width_px
    if media == "print":
        cut_off = page.value(
            "[...document.querySelectorAll('h1, h2, h3, p, dd, img, table, th, td, .rule')]"
            ".filter(e => { const b = e.getBoundingClientRect();"
            f"return b.left < -0.5 || b.right > {width_px} + 0.5; }})"
            ".map(e => e.tagName + ': ' + e.textContent.slice(0, 60))"
        )
        assert cut_off == []


def test_sheet_has_room_to_write(open_page: Open, sheet: Path) -> None:
    page = open_page(sheet)
    heights: list[float] = page.value(
        "[...document.querySelectorAll('.talk')].map("
        "t => [...t.querySelectorAll('.rule')].map(r => r.getBoundingClientRect().height))"
    )
    assert heights
    for lines in heights:
        assert len(lines) >= 2
        # Ruled paper for schools has lines 7 to 10 mm apart (common practice, no source).
        assert all(7 <= height * 25.4 / 96 <= 10 for height in lines)
    # Four parts were not predicted, and have a line for it.
    assert page.value("document.querySelectorAll('.blank').length") == 4


def test_sheet_prints_on_a4(open_page: Open, sheet: Path) -> None:
    printed = open_page(sheet).call(
        "Page.printToPDF", preferCSSPageSize=True, paperWidth=5, paperHeight=5
    )
    boxes = re.findall(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", base64.b64decode(printed["data"]))
    assert len(boxes) >= 2
    for width_pt, height_pt in boxes:
        # 210 mm × 297 mm in points of 1/72 inch; a browser rounds to whole pixels, 0.75 pt.
        assert abs(float(width_pt) - 595.28) <= 0.75
        assert abs(float(height_pt) - 841.89) <= 0.75
