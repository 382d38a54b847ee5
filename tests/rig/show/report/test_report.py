"""What a report holds: its numbers, its words, its sources, and where it is written."""

import csv
import dataclasses
import json
import math
import re
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from typist import typed

from rig.bench.capture import CaptureFlag
from rig.bench.plan import Plan, plan_from_table
from rig.errors import StorageError
from rig.front_ends.virtual_tank import open_virtual_tank
from rig.run.receiver import Receiver
from rig.run.run import Origin, run_of, run_with
from rig.show.report.contents import Contents
from rig.show.report.document import report_html
from rig.show.report.files import report_path, write_report
from rig.show.report.numbers import csv_tables
from rig.show.report.pictures import pictures_of
from rig.show.report.references import references
from rig.tank.scene import scene_from_table

pytestmark = pytest.mark.usefixtures("unseen_pictures")

MADE = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
VOID = {"br", "img", "link", "meta"}


class Page(HTMLParser):
    """A page's elements and text; complains of one that is not closed where it should be."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self._open: list[str] = []
        self.feed(text)
        self.close()
        assert self._open == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self._open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def rows_of(path: Path) -> list[dict[str, str]]:
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file, strict=True))


def a_plan(pulse: dict[str, Any] | None = None, **tables: Any) -> Plan:
    chirp = {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.005}
    receiver = {"range_stop_m": 3.0}
    return plan_from_table({"pulse": pulse or chirp, "receiver": receiver, **tables})


def contents_of(
    plan: Plan,
    *,
    pings: int = 4,
    lost: tuple[int, ...] = (),
    targets: tuple[float, ...] = (1.2,),
    source: str = "one.sigmf-meta",
) -> Contents:
    """A report's contents from balls on the axis, some pings marked as lost by the stream."""
    kind = plan.medium.kind
    scene = scene_from_table(
        {
            "medium": {"kind": kind, "sound_speed_m_s": 343.99 if kind == "air" else 1482.0},
            "noise": {"level_db": -80.0},
            "target": [
                {"body": "sphere", "radius_m": 0.05, "position_m": [place, 0.0, 0.0]}
                for place in targets
            ],
        }
    )
    with open_virtual_tank(plan, scene=scene, seed=1) as tank:
        blocks = [
            dataclasses.replace(b, flags=CaptureFlag.MISSING) if b.index in lost else b
            for b in tank.blocks(pings)
        ]
        receiver = Receiver(plan, tank.info)
    return Contents(run=run_of(receiver, blocks, origin=Origin(name=source)), made=MADE)


def page_of(contents: Contents) -> Page:
    tables = {name: f"{name}.csv" for name in csv_tables(contents)}
    return Page(report_html(contents, tables, pictures_of(contents)))


@pytest.fixture(scope="module")
def plain() -> Contents:
    return contents_of(a_plan())


# The page


def test_page_holds_all_its_pictures_each_with_words_for_it(written: dict[str, Path]) -> None:
    page = Page(written["page"].read_text(encoding="utf-8"))
    pictures = page.all("img")
    assert len(pictures) == 4  # bench, sum, tracks, beam
    for picture in pictures:
        assert (picture["src"] or "").startswith("data:image/svg+xml;base64,")
        assert len(picture["alt"] or "") > 40


def test_page_needs_no_network_and_no_script(written: dict[str, Path]) -> None:
    text = written["page"].read_text(encoding="utf-8")
    page = Page(text)
    assert not {"script", "iframe", "object", "embed", "base"} & {t for t, _ in page.elements}
    outside = [
        (tag, name, value)
        for tag, attributes in page.elements
        for name, value in attributes.items()
        if name in ("src", "href") and not (value or "").startswith("data:")
    ]
    assert outside == []
    assert not any(n.startswith("on") for _, attributes in page.elements for n in attributes)
    assert "url(" not in text
    assert "@import" not in text


def test_page_says_its_language_and_names_every_head_of_a_table(
    written: dict[str, Path],
) -> None:
    page = Page(written["page"].read_text(encoding="utf-8"))
    assert page.all("html") == [{"lang": "en"}]
    assert all(head["scope"] in ("row", "col") for head in page.all("th"))
    assert len(page.all("caption")) == len(page.all("table"))


def test_odd_file_names_are_text(written: dict[str, Path], recording: str) -> None:
    page = Page(written["page"].read_text(encoding="utf-8"))
    assert recording in page.words
    assert {"alt", "src"} == {name for image in page.all("img") for name in image}


def test_page_says_that_a_virtual_tank_s_scene_is_invented(plain: Contents) -> None:
    assert "its scene is invented" in page_of(plain).words


def test_page_does_not_call_a_sound_card_s_pings_invented(plain: Contents) -> None:
    info = dataclasses.replace(plain.run.info, front_end="sound-card", invented=False)
    run = run_with(Receiver(plain.run.plan, info), plain.run.results)
    assert "invented" not in page_of(dataclasses.replace(plain, run=run)).words


def test_page_leaves_out_what_was_not_measured(plain: Contents) -> None:
    words = page_of(plain).words
    assert "not stated in the file" in words  # no date is made up
    for title in ("Calibration", "The beam", "How strong the targets are"):
        assert title not in words


def test_page_counts_lost_pings_and_gives_each_reason() -> None:
    words = page_of(contents_of(a_plan(), pings=6, lost=(1, 2, 4))).words
    assert "6, of which 3 lost" in words
    assert "the stream reported: missing" in words
    assert "1–2, 4" in words


def test_report_of_a_run_whose_pings_are_all_lost_says_so() -> None:
    contents = contents_of(a_plan(), pings=3, lost=(0, 1, 2))
    words = page_of(contents).words
    assert "All pings are lost" in words
    assert "3, of which 3 lost" in words


def test_report_without_an_echo_says_so() -> None:
    words = page_of(contents_of(a_plan(), targets=())).words
    assert "No echo stands above the threshold" in words


def test_what_is_late_is_named_with_its_true_range_and_stands_in_no_table() -> None:
    # By pings every 40 ms a ball 8.2 m away seems to stand 6.88 m nearer.
    plan = a_plan(timing={"ping_interval_s": 0.04, "signed_pings": True})
    page = page_of(contents_of(plan, pings=9, targets=(1.2, 8.2)))
    assert "8.20 m, of the ping before; it seems 1.32 m" in page.words
    alts = [attrs["alt"] or "" for tag, attrs in page.elements if tag == "img" and "alt" in attrs]
    assert any("It shows 1 echo, at 1.20" in alt for alt in alts)


def test_an_edge_time_s_missing_strength_is_a_dash_and_an_empty_cell(plain: Contents) -> None:
    # A device of edge times hands on one copy of the pulse, with no strength and no noise.
    heard, last = plain.run.receiver, plain.run.results[-1]
    assert last.alone is not None
    receiver = Receiver(heard.plan, dataclasses.replace(heard.info, edge_step_s=1e-6))
    copy = heard.shape.at_bins(0.007, last.alone.envelope.size)
    edge = dataclasses.replace(last, alone=dataclasses.replace(last.alone, envelope=copy))
    run = run_with(receiver, [edge])
    assert len(run.echoes) == 1
    assert math.isnan(run.echoes[0].strength_db)
    contents = dataclasses.replace(plain, run=run)
    assert "nan" not in page_of(contents).words
    (row,) = csv.DictReader(csv_tables(contents)["echoes"])
    assert row["strength_db"] == ""
    assert row["snr_db"] == ""


def test_a_page_shows_the_latest_of_too_many_tracks_under_their_own_numbers(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    contents = contents_of(a_plan(), targets=(1.2, 2.0))
    rows = list(csv.DictReader(csv_tables(contents)["passes"]))
    assert [row["track"] for row in rows] == ["1", "2"]
    assert "Shown are" not in page_of(contents).words
    monkeypatch.setattr("rig.show.report.pictures.MOST_SHOWN", 1)
    page = page_of(contents)
    assert "Shown are the latest 1 of 2." in page.words
    (alt,) = (its["alt"] or "" for its in page.all("img") if "track" in (its["alt"] or ""))
    assert "Range over time of 1 track, with fitted curves and what is left over: 2 " in alt


# Its numbers


@pytest.fixture(scope="module")
def measured(bench: Path, recording: str) -> dict[str, Any]:
    done = typed(
        *("measure", recording, "--calibration", "echobench-calibration.json", "--json"),
        folder=bench,
    )
    answer: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return answer


def test_echoes_are_those_of_measure(written: dict[str, Path], measured: dict[str, Any]) -> None:
    rows = rows_of(written["echoes"])
    assert len(rows) == len(measured["echoes"]) >= 2
    for row, echo in zip(rows, measured["echoes"], strict=True):
        told = {name: value for name, value in echo.items() if name != "budget"}
        assert {name: float(row[name]) for name in told} == told


def test_budgets_are_those_of_measure(written: dict[str, Path], measured: dict[str, Any]) -> None:
    terms = [
        (str(n), t["term"], t["u_m"], t["share"])
        for n, echo in enumerate(measured["echoes"], 1)
        for t in echo["budget"]
    ]
    rows = rows_of(written["budgets"])
    assert terms == [
        (r["echo"], r["term"], float(r["u_m"]), float(r["share_of_variance"])) for r in rows
    ]


def test_passes_are_those_of_measure(written: dict[str, Path], measured: dict[str, Any]) -> None:
    rows = rows_of(written["passes"])
    assert {p["kind"] for p in measured["passes"]} == {"pass", "stay"}
    assert len(rows) == len(measured["passes"])
    for row, told in zip(rows, measured["passes"], strict=True):
        kept = {
            name: row[name] if name == "kind" else row[name] and float(row[name]) for name in told
        }
        assert kept == {name: "" if value is None else value for name, value in told.items()}


def test_each_ping_s_echoes_are_those_of_replay(
    bench: Path, recording: str, written: dict[str, Path]
) -> None:
    words = ("replay", recording, "--calibration", "echobench-calibration.json", "--json")
    answer = json.loads(typed(*words, folder=bench).stdout.splitlines()[-1])
    ranges = [(p["index"], e["range_m"]) for p in answer["per_ping"] for e in p["echoes"]]
    rows = [r for r in rows_of(written["pings"]) if r["echo"]]
    assert ranges == [(int(r["ping"]), float(r["range_m"])) for r in rows]


def test_fitted_curve_is_that_of_a_straight_way(written: dict[str, Path]) -> None:
    (told,) = [r for r in rows_of(written["passes"]) if r["kind"] == "pass"]
    hits = [r for r in rows_of(written["hits"]) if r["track"] == told["track"]]
    assert len(hits) == int(told["hits"])
    for hit in hits:
        way_m = float(told["crossing_speed_m_s"]) * (
            float(hit["time_s"]) - float(told["closest_time_s"])
        )
        square = float(told["closest_range_m"]) ** 2 + way_m**2
        # A baseline b bends the curve; halfway between along and across it, the square of
        # the range falls short by b²/8 · way²/R² at the most.
        bend = 0.06**2 / 8 * way_m**2 / square
        assert square - bend - 1e-9 <= float(hit["fitted_range_m"]) ** 2 <= square + 1e-9


def test_tables_keep_to_rfc_4180(written: dict[str, Path]) -> None:
    """Lines end in CRLF, all have as many fields, and each column is named once."""
    tables = {name: path for name, path in written.items() if name != "page"}
    assert set(tables) == {"echoes", "budgets", "pings", "passes", "hits", "beam", "strengths"}
    for path in tables.values():
        text = path.read_bytes().decode("utf-8")
        assert re.search(r"(?<!\r)\n", text) is None
        assert text.endswith("\r\n")
        rows = list(csv.reader(text.splitlines(), strict=True))
        assert len(rows) > 1
        assert {len(row) for row in rows} == {len(rows[0])}
        assert len(set(rows[0])) == len(rows[0])


def test_numbers_of_the_page_are_the_table_s_rounded(
    written: dict[str, Path],
) -> None:
    words = Page(written["page"].read_text(encoding="utf-8")).words
    for row in rows_of(written["echoes"]):
        assert f"{float(row['range_m']):.4f}" in words
        # Two digits of the uncertainty, whatever their place.
        u_mm = 2e3 * float(row["u_range_m"])
        assert f"{u_mm:.{1 - math.floor(math.log10(u_mm))}f}" in words


# Its sources


def sources(contents: Contents) -> str:
    return " ".join(r.source for r in references(contents))


SPEED = {"air": "Cramer", "fresh-water": "Marczak", "sea-water": "Chen and F. J. Millero"}


@pytest.mark.parametrize("kind", list(SPEED))
def test_sound_speed_s_source_is_that_of_the_medium_and_of_no_other(kind: str) -> None:
    contents = contents_of(a_plan(medium={"kind": kind}))
    named = sources(contents)
    assert {name for name in SPEED.values() if name in named} == {SPEED[kind]}


@pytest.mark.parametrize(
    ("pulse", "author"),
    [
        ({"kind": "chirp", "start_hz": 4e3, "stop_hz": 9e3, "duration_s": 5e-3}, "Klauder"),
        ({"kind": "barker13", "centre_hz": 8e3, "chip_s": 5e-4}, "Barker"),
        ({"kind": "golay", "centre_hz": 8e3, "chip_s": 5e-4, "chips": 8}, "Golay"),
        ({"kind": "tone", "centre_hz": 8e3, "duration_s": 2e-3}, None),
    ],
)
def test_pulse_s_source_is_its_own(pulse: dict[str, Any], author: str | None) -> None:
    named = sources(contents_of(a_plan(pulse=pulse)))
    found = [name for name in ("Klauder", "R. H. Barker", "Golay") if name in named]
    assert len(found) == (author is not None)
    assert author is None or author in found[0]


def test_sources_of_what_was_not_done_are_left_out(plain: Contents) -> None:
    for author in ("Wiener", "York", "Foote", "Tobin", "Urick", "Vaughan"):
        assert author not in sources(plain)
    for author in ("Turin", "Rohling", "Van Trees", "JCGM 100:2008", "Kinsler"):
        assert author in sources(plain)


def test_page_lists_every_source(plain: Contents) -> None:
    words = page_of(plain).words
    assert all(reference.source in words for reference in references(plain))


# Where it is written


def test_report_is_named_after_its_recording(tmp_path: Path) -> None:
    assert report_path("there/one.sigmf-meta", None) == Path("one-report.html")
    assert report_path("one.wav", tmp_path) == tmp_path / "one-report.html"
    assert report_path("one.wav", tmp_path / "other.HTML") == tmp_path / "other.HTML"


@pytest.mark.parametrize("out", ["report.pdf", "no-folder/", "noname"])
def test_a_place_that_is_no_page_and_no_folder_is_refused(out: str, tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"ends in .* and is no folder; give --out"):
        report_path("one.wav", f"{tmp_path}/{out}")


def test_written_files_are_whole_and_leave_nothing_else(plain: Contents, tmp_path: Path) -> None:
    files = write_report(tmp_path / "one.html", plain)
    assert files[0] == tmp_path / "one.html"
    assert sorted(files) == sorted(tmp_path.iterdir())
    words = Page(files[0].read_text(encoding="utf-8")).words
    assert all(file.name in words for file in files[1:])


def test_tables_of_an_earlier_report_do_not_outlive_it(plain: Contents, tmp_path: Path) -> None:
    stale, other = tmp_path / "one-strengths.csv", tmp_path / "one-notes.csv"
    for file in (stale, other):
        file.write_text("echo,range_m\r\n1,9.9\r\n")
    files = write_report(tmp_path / "one.html", plain)
    assert not stale.exists()
    assert other.exists()  # no table of a report: somebody's own
    assert sorted([*files, other]) == sorted(tmp_path.iterdir())


def test_an_earlier_table_that_cannot_be_removed_is_said_before_the_page_is_there(
    plain: Contents, tmp_path: Path
) -> None:
    (tmp_path / "one-beam.csv").mkdir()
    with pytest.raises(StorageError, match=r"one-beam.csv: a table .* cannot be removed"):
        write_report(tmp_path / "one.html", plain)
    assert not (tmp_path / "one.html").exists()


def test_a_file_name_that_is_no_text_does_not_stop_the_report(
    plain: Contents, tmp_path: Path
) -> None:
    source = b"\xff.wav".decode("utf-8", "surrogateescape")  # as Python reads such a name
    run = run_with(plain.run.receiver, plain.run.results, origin=Origin(name=source))
    files = write_report(tmp_path / "one.html", dataclasses.replace(plain, run=run))
    assert "Bench report: ?.wav" in files[0].read_text(encoding="utf-8")


def test_a_report_that_cannot_be_written_is_one_line(bench: Path, recording: str) -> None:
    for out in ("no/such/folder/r.html", "plan.toml/r.html"):
        done = typed("report", recording, "--out", out, folder=bench)
        assert done.returncode == 1
        assert done.stdout == ""
        assert done.stderr.count("\n") == 1
        assert re.match(r"echobench: no|echobench: plan", done.stderr)
        assert "cannot be written" in done.stderr


def test_report_of_what_is_no_recording_is_wrong_input(bench: Path) -> None:
    done = typed("report", "scene.toml", "--json", folder=bench)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1


def test_command_says_where_the_report_is(bench: Path, recording: str, tmp_path: Path) -> None:
    done = typed("report", recording, "--out", str(tmp_path), folder=bench)
    assert done.returncode == 0, done.stderr
    assert all(str(path) in done.stdout for path in tmp_path.iterdir())
    assert len(list(tmp_path.iterdir())) == 6  # the page, and five tables


def test_picture_and_its_words_run_as_is_asked_for() -> None:
    contents = contents_of(a_plan())
    down = dataclasses.replace(contents, looks="down")
    assert "from the top down" in page_of(contents).words
    assert "from left to right" in page_of(down).words
