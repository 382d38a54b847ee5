"""Words out of a file reach a page as words, and a table as a table's cell."""

from __future__ import annotations

import csv
import json
import re
from collections import Counter
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from mutations import without_checksum
from small_bench import BALL, PLAN
from typist import typed

HOSTILE = '<script>alert(1)</script><img src=x onerror="alert(1)">&lt;\'"'
FORMULA = "=HYPERLINK(1)"

BOARD = """
[board]
port = "{}"
"""


class Elements(HTMLParser):
    """Counts a page's elements with their attributes' names, and keeps its words."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.found: Counter[tuple[str, ...]] = Counter()
        self.words = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found[(tag, *(name for name, _ in attrs))] += 1

    def handle_data(self, data: str) -> None:
        self.words += data


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("markup")
    (made / "plan.toml").write_text(PLAN + BOARD.format("plain"))
    (made / "scene.toml").write_text(BALL)
    tank = ("--plan", "plan.toml", "--scene", "scene.toml")
    done = typed("run", *tank, "--pings", "3", "--record", "plain", "--json", folder=made)
    assert done.returncode == 0, done.stderr
    at = ("--at", "0.8", "--sphere-radius", "0.05", "--calibration", "plain.json")
    done = typed("calibrate", *tank, "--pings", "4", *at, folder=made)
    assert done.returncode == 0, done.stderr
    return made


def with_words(tree: Any, words: str, kept: tuple[str, ...]) -> Any:
    """Put words in the place of each text of a tree that is free to be any."""
    if isinstance(tree, dict):
        return {k: v if k in kept else with_words(v, words, kept) for k, v in tree.items()}
    if isinstance(tree, list):
        return [with_words(item, words, kept) for item in tree]
    return words if isinstance(tree, str) else tree


KEPT_IN_META = ("core:datatype", "core:version", "kind", "taper", "weighting", "time_zero")
KEPT_IN_META += (
    "shape",
    "looks",
    "body",
    "surface",
    "prints",
    "echobench:flags",
    "core:datetime",
    "front_end",
)
KEPT_IN_CALIBRATION = ("made", "plan", "front_end", "device", "method")


def recorded(folder: Path, words: str, name: str) -> None:
    """Make a recording whose texts are all `words`."""
    meta = json.loads(without_checksum((folder / "plain.sigmf-meta").read_bytes()))
    (folder / f"{name}.sigmf-meta").write_text(json.dumps(with_words(meta, words, KEPT_IN_META)))
    (folder / f"{name}.sigmf-data").write_bytes((folder / "plain.sigmf-data").read_bytes())


def report(folder: Path, words: str, name: str) -> tuple[Elements, list[Path]]:
    """Report a recording and a calibration whose texts are all `words`."""
    recorded(folder, words, name)
    calibration = json.loads(without_checksum((folder / "plain.json").read_bytes()))
    calibration = with_words(calibration, words, KEPT_IN_CALIBRATION)
    (folder / "words.json").write_text(json.dumps(calibration))
    done = typed("report", name, "--calibration", "words.json", "--json", folder=folder)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout.splitlines()[-1])
    page = (folder / answer["report"]).read_text(encoding="utf-8")
    return Elements(page), [folder / table for table in answer["tables"]]


def test_markup_in_every_text_of_a_recording_and_a_calibration_adds_no_element(
    folder: Path,
) -> None:
    plain, _ = report(folder, "plain words", "plainly")
    marked, _ = report(folder, HOSTILE, "<img src=x>")
    assert marked.found == plain.found
    assert HOSTILE in marked.words


def test_no_cell_of_a_table_is_a_formula(folder: Path) -> None:
    # A spreadsheet takes a cell for one that begins with = + - @, a tab or a line's end, unless
    # it is a number.
    _, tables = report(folder, FORMULA, "=1+1")
    assert len(tables) >= 3
    for table in tables:
        with table.open(encoding="utf-8", newline="") as file:
            cells = [cell for row in csv.reader(file) for cell in row]
        for cell in cells:
            assert not re.match(r"[=+@\t\r\n]|-(?![0-9])", cell), (table.name, cell)


def test_a_picture_of_a_recording_with_odd_words_is_drawn(folder: Path) -> None:
    # $ begins a formula where text is set; what steers a terminal is no letter of a font.
    for words in ("$\\frac{", "\x1b[31m\x00\n", "\u202e\ufffe", HOSTILE):
        recorded(folder, words, "odd")
        done = typed("replay", "odd", "--picture", "odd.svg", "--json", folder=folder)
        assert (done.returncode, done.stderr) == (0, "")
        assert "<script" not in (folder / "odd.svg").read_text(encoding="utf-8")


def test_names_of_pupils_do_not_steer_the_terminal(folder: Path) -> None:
    key = [{"number": 1, "topic": "\x1b[2Jrange", "choices": ["a", "b"], "answer": "a"}]
    (folder / "key.json").write_text(json.dumps(key))
    (folder / "answers.csv").write_text("name,number,answer\n\x1b[31mred\x07,1,\x1b[0mc\n")
    words = ("exercise", "--mark", "answers.csv", "--key", "key.json")
    done = typed(*words, folder=folder)
    assert done.returncode == 0, done.stderr
    assert all(line.isprintable() for line in done.stdout.splitlines())
