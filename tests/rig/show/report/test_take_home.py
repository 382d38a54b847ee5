"""The page to take home: in a real browser, by its keyboard, without its script, and its size."""

import base64
import io
import json
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from typist import typed

from rig.run.opening import open_replay
from rig.show.report.contents import Contents
from rig.show.take_home import album as albums
from rig.show.take_home.album import Album, Stage, chosen_pings, small_png
from rig.show.take_home.document import take_home_html
from rig.show.take_home.sound import SlowSound

Open = Callable[[Path], Any]

pytestmark = pytest.mark.browser

PICTURES = 6
"""Instead of 32, which take some seconds to draw: an hour's are no other."""

MOST_BYTES = 5_000_000
"""What was asked for."""

SHOWN = "[...document.querySelectorAll('figure.at')].map((f, i) => f.hidden ? -1 : i)"
A4_TEXT_PX = 680  # 210 mm less margins of 15 mm each, at CSS's 96 px to the inch


@pytest.fixture(scope="module")
def page(bench: Path, recording: str) -> Path:
    """The page of 60 invented pings; the recording's name is markup that must not run."""
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(albums, "MOST_PICTURES", PICTURES)
        done = typed("replay", recording, "--take-home", "home.html", "--json", folder=bench)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.splitlines()[-1])["take_home"] == "home.html"
    return bench / "home.html"


def shown(opened: Any) -> list[int]:
    """Which of the pictures can be seen, counted from 0."""
    return [place for place in opened.value(SHOWN) if place >= 0]


def press(opened: Any, key: str, code: int) -> None:
    for kind in ("rawKeyDown", "keyUp"):
        opened.call(
            "Input.dispatchKeyEvent", type=kind, key=key, code=key, windowsVirtualKeyCode=code
        )


def test_page_opens_whole_asks_for_nothing_and_plays_nothing(
    open_page: Open, page: Path, recording: str
) -> None:
    opened = open_page(page)
    assert opened.missing_pictures == []
    assert opened.complaints == []
    assert opened.fetched == [page.as_uri()]
    assert opened.value("document.title") == f"Echoes to take home: {recording}"
    # The stages, the sum, the tracks.
    assert opened.value("document.images.length") == PICTURES + 2
    audio = "document.querySelector('audio')"
    assert opened.value(f"{audio}.paused && !{audio}.autoplay && {audio}.controls")
    assert page.stat().st_size < MOST_BYTES
    told = opened.value("document.querySelector('.album p').textContent")
    assert f"of 60 pings, {PICTURES} have one, about one in 12; the others are skipped" in told


def test_slider_is_turned_by_the_keyboard(open_page: Open, page: Path) -> None:
    opened = open_page(page)
    slider = "document.getElementById('ping')"
    assert shown(opened) == [PICTURES - 1]
    # From the page's top the first stop of the tab key is the button before it, then this.
    press(opened, "Tab", 9)
    press(opened, "Tab", 9)
    assert opened.value("document.activeElement.id") == "ping"
    press(opened, "ArrowLeft", 37)
    assert shown(opened) == [PICTURES - 2]
    press(opened, "Home", 36)
    assert shown(opened) == [0]
    assert opened.value(f"{slider}.getAttribute('aria-valuetext')").startswith("Ping 0, the first")
    assert opened.value("document.getElementById('earlier').disabled")
    press(opened, "ArrowRight", 39)
    assert shown(opened) == [1]
    opened.value("document.getElementById('later').click()")
    assert shown(opened) == [2]
    assert opened.complaints == []


def test_pictures_differ_and_each_says_what_it_shows(
    open_page: Open, page: Path, bench: Path, recording: str
) -> None:
    opened = open_page(page)
    sources = opened.value("[...document.querySelectorAll('.at img')].map(i => i.src)")
    words = opened.value("[...document.querySelectorAll('.at img')].map(i => i.alt)")
    assert len(set(sources)) == len(set(words)) == PICTURES
    # Told by `replay` itself, which draws nothing.
    done = typed("replay", recording, "--json", folder=bench)
    heard = json.loads(done.stdout.splitlines()[-1])["per_ping"]
    for place, ping in ((0, 0), (2, 24), (5, 59)):
        assert ping == chosen_pings(60, PICTURES)[place]
        nearest_m = heard[ping]["echoes"][0]["range_m"]
        told = re.search(r"Ping (\d+), .* at ([\d.]+)", words[place])
        assert told is not None
        assert int(told[1]) == ping
        # As many digits as its uncertainty bears: two at the least.
        assert abs(float(told[2]) - nearest_m) <= 0.005


def test_without_a_script_the_last_picture_stands_there(page: Path) -> None:
    text = page.read_text()
    figures = re.findall(r'<figure [^>]*class="at"[^>]*>', text)
    assert ["hidden" in figure for figure in figures] == [True] * (PICTURES - 1) + [False]
    turn = re.search(r'<div class="turn"[^>]*>', text)
    assert turn is not None
    assert "hidden" in turn[0]


def test_no_script_but_its_own_can_run_on_it(open_page: Open, page: Path) -> None:
    opened = open_page(page)
    opened.value(
        "{const s = document.createElement('script'); s.textContent = 'window.ran = 1';"
        "document.body.append(s)}"
    )
    assert opened.value("window.ran === undefined")


@pytest.mark.parametrize(("width_px", "height_px"), [(390, 844), (1920, 1080)])
def test_page_does_not_scroll_sideways(
    open_page: Open, page: Path, width_px: int, height_px: int
) -> None:
    opened = open_page(page)
    opened.call(
        "Emulation.setDeviceMetricsOverride",
        width=width_px,
        height=height_px,
        deviceScaleFactor=1,
        mobile=width_px < 800,
    )
    assert opened.value("document.documentElement.scrollWidth") <= width_px
    # What is turned by a finger is as high as one: 44 CSS px (WCAG 2.1, 2.5.5, from memory).
    for name in ("ping", "earlier", "later"):
        box = opened.value(
            f"(b => [b.left, b.right, b.height])(document.getElementById('{name}')"
            ".getBoundingClientRect())"
        )
        assert box[0] >= 0
        assert box[1] <= width_px
        assert box[2] >= 44


def test_paper_has_the_picture_that_is_shown_and_no_slider(open_page: Open, page: Path) -> None:
    opened = open_page(page)
    opened.call("Emulation.setEmulatedMedia", media="print")
    opened.call(
        "Emulation.setDeviceMetricsOverride",
        width=A4_TEXT_PX,
        height=990,
        deviceScaleFactor=1,
        mobile=False,
    )
    over = opened.value(
        "[...document.querySelectorAll('h1, p, img, td, th')].filter(e =>"
        f"e.getBoundingClientRect().right > {A4_TEXT_PX} + 0.5).map(e => e.outerHTML.slice(0, 60))"
    )
    assert over == []
    gone = "e => getComputedStyle(document.querySelector(e)).display"
    assert opened.value(f"['#turn', 'audio'].map({gone})") == ["none", "none"]
    printed = opened.call("Page.printToPDF", preferCSSPageSize=True)
    assert base64.b64decode(printed["data"]).startswith(b"%PDF")


def test_sound_starts_quiet_and_is_what_listen_writes(
    page: Path, bench: Path, recording: str
) -> None:
    found = re.search(r"data:audio/wav;base64,([^\"]+)", page.read_text())
    assert found is not None
    small, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(found[1])))
    # -20 dB re full scale, and a step of 16 bits.
    step = 2.0**-15
    assert np.abs(small).max() <= 0.1 + step
    done = typed("listen", recording, "--out", "heard.wav", folder=bench)
    assert done.returncode == 0, done.stderr
    heard, heard_hz = soundfile.read(bench / "heard.wav")
    every = heard_hz // rate_hz
    assert every > 1
    kept = heard[::every]
    np.testing.assert_allclose(small, kept[: small.size], rtol=0, atol=step)
    # What the lower rate folds is below what 16 bits round: an even spread over one step.
    above = np.abs(np.fft.rfft(heard)[np.fft.rfftfreq(heard.size, 1 / heard_hz) > rate_hz / 2])
    assert 2 * (above**2).sum() / heard.size**2 < step**2 / 12


def test_no_recording_makes_a_page_of_more_than_5_mb(bench: Path, recording: str) -> None:
    """An hour's pictures are no smaller than their own noise lets them be."""
    with open_replay(bench / recording) as opened:
        run = opened.ping(60)
    album = Album(run, 36_000)
    # What no picture can be worse than: each pixel of another colour.
    noise = np.random.default_rng(7).integers(0, 256, (500, 900, 3), dtype=np.uint8)
    png = small_png(noise)
    album.stages += [Stage(png=png, result=run.results[n]) for n in chosen_pings(60, 32)]
    assert 32 * len(png) > MOST_BYTES
    contents = Contents(run=run, made=datetime(2026, 11, 29, tzinfo=UTC))
    text = take_home_html(contents, album, SlowSound(wav=bytes(600_000), lines=("heard",)))
    assert len(text.encode()) < MOST_BYTES
    kept = re.findall(r'aria-label="Picture at ping (\d+)"', text)
    assert 2 <= len(kept) < 32
    assert kept[-1] == "59"
    assert f"of 60 pings, {len(kept)} have one" in text


def test_an_hour_is_spread_evenly_and_seen_whole() -> None:
    chosen = chosen_pings(36_000, 32)
    assert (len(chosen), chosen[0], chosen[-1]) == (32, 0, 35_999)
    # 35,999 pings in 31 steps, each rounded at either end.
    assert set(np.diff(chosen)) <= {1161, 1162}


def test_page_that_is_there_is_kept_and_another_kind_refused(page: Path, recording: str) -> None:
    before = page.read_bytes()
    done = typed("replay", recording, "--take-home", page.name, folder=page.parent)
    assert (done.returncode, page.read_bytes()) == (1, before)
    assert "is already there" in done.stderr
    done = typed("replay", recording, "--take-home", "home.pdf", folder=page.parent)
    assert done.returncode == 2
    assert ".html" in done.stderr
