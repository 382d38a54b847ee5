"""`exercise` as its user meets it: the contract, a key apart, and nothing that leaks."""

import csv
import json
import re
import struct
from pathlib import Path
from typing import Any

import pytest

from rig.cli import main
from rig.teach.exercises.topics import TOPICS

QUESTIONS = len(TOPICS)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """One question on each topic, drawn once for all tests here."""
    out = tmp_path_factory.mktemp("exercise") / "class" / "monday"
    with pytest.MonkeyPatch.context() as patched:
        lines: list[str] = []
        patched.setattr("builtins.print", lambda *words, **_: lines.append(" ".join(words)))
        given = ["exercise", "--seed", "5", "--count", str(QUESTIONS), "--out", str(out), "--json"]
        assert main(given) == 0
    return {"out": out, **json.loads(lines[-1])}


def key_of(drawn: dict[str, Any]) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = json.loads(Path(drawn["key"]).read_text())
    return entries


# The contract


def test_json_lists_each_question_with_its_picture_topic_and_choices(
    drawn: dict[str, Any],
) -> None:
    assert [q["number"] for q in drawn["questions"]] == list(range(1, QUESTIONS + 1))
    for question in drawn["questions"]:
        assert Path(question["picture"]).is_file()
        assert question["topic"] in TOPICS
        assert question["question"].strip().endswith(("?", "."))
        assert len(question["choices"]) >= 3
    assert {q["topic"] for q in drawn["questions"]} == set(TOPICS)


def test_key_is_a_list_of_answers_with_reasons(drawn: dict[str, Any]) -> None:
    entries = key_of(drawn)
    assert [e["number"] for e in entries] == [q["number"] for q in drawn["questions"]]
    for entry, question in zip(entries, drawn["questions"], strict=True):
        assert entry["answer"] in question["choices"]
        assert entry["topic"] == question["topic"]
        assert len(entry["reason"]) > 40
        assert entry["scene"]


def test_pictures_are_large_enough_to_read(drawn: dict[str, Any]) -> None:
    for question in drawn["questions"]:
        head = Path(question["picture"]).read_bytes()[16:24]
        width, height = struct.unpack(">II", head)
        assert width >= 1280
        assert height >= 720


def test_same_seed_gives_the_same_files_to_the_byte(
    drawn: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["exercise", "--seed", "5", "--count", "2", "--out", str(tmp_path)]) == 0
    said = capsys.readouterr().out
    assert str(tmp_path / "questions.html") in said
    for number in (1, 2):
        name = f"question-{number:02d}.png"
        assert (tmp_path / name).read_bytes() == (drawn["out"] / name).read_bytes()
    assert json.loads((tmp_path / "key" / "key.json").read_text()) == key_of(drawn)[:2]


def test_blank_table_has_a_line_for_each_question(drawn: dict[str, Any]) -> None:
    with open(drawn["answers"], newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["number"] for row in rows] == [str(n) for n in range(1, QUESTIONS + 1)]
    assert all(row["answer"] == "" for row in rows)


def test_topics_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["exercise", "--list", "--json"]) == 0
    listed = json.loads(capsys.readouterr().out)["topics"]
    assert [t["name"] for t in listed] == list(TOPICS)
    assert all(t["title"] for t in listed)


# The key apart


def test_all_but_the_keys_folder_can_be_handed_out(drawn: dict[str, Any]) -> None:
    out = drawn["out"]
    handed = {p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()}
    pictures = {f"question-{n:02d}.png" for n in range(1, QUESTIONS + 1)}
    assert handed == {*pictures, "questions.html", "answers.csv", "key/key.json", "key/key.html"}


def test_sheet_says_nothing_of_answers_reasons_or_scenes(drawn: dict[str, Any]) -> None:
    sheet = Path(drawn["sheet"]).read_text()
    # Without what every question shows: its own text and choices.
    for question in drawn["questions"]:
        for shown in (question["question"], *question["choices"]):
            sheet = sheet.replace(shown.replace("'", "&#x27;"), "")
    for entry in key_of(drawn):
        for secret in (entry["answer"], entry["reason"], *entry["scene"]):
            assert secret.replace("'", "&#x27;") not in sheet
    assert "key" not in sheet.split("</head>")[1]


def test_every_choice_looks_alike_on_the_sheet(drawn: dict[str, Any]) -> None:
    sheet = Path(drawn["sheet"]).read_text()
    boxes = re.findall(r"<li><span[^>]*></span>[a-z]\) ", sheet)
    assert len(boxes) == sum(len(q["choices"]) for q in drawn["questions"])
    assert len({re.sub(r"[a-z]\) $", "", box) for box in boxes}) == 1


def test_pictures_carry_no_words_but_what_drew_them(drawn: dict[str, Any]) -> None:
    """PNG chunks (W3C PNG, third edition): image data, dots to a metre, and one Software text."""
    for question in drawn["questions"]:
        content = Path(question["picture"]).read_bytes()
        place, texts, names = 8, [], set()
        while place < len(content):
            (size,) = struct.unpack(">I", content[place : place + 4])
            name = content[place + 4 : place + 8]
            names.add(name)
            if name == b"tEXt":
                texts.append(content[place + 8 : place + 8 + size].split(b"\0")[0])
            place += size + 12
        assert names <= {b"IHDR", b"tEXt", b"pHYs", b"IDAT", b"IEND"}
        assert texts == [b"Software"]


def test_json_of_the_questions_holds_no_answer(drawn: dict[str, Any]) -> None:
    for question in drawn["questions"]:
        assert set(question) == {"number", "picture", "topic", "question", "choices"}


def test_teachers_sheet_shows_answer_reason_and_scene(drawn: dict[str, Any]) -> None:
    page = Path(drawn["key_sheet"]).read_text()
    for entry in key_of(drawn):
        for told in (entry["answer"], entry["reason"], *entry["scene"]):
            assert told.replace("'", "&#x27;") in page
    # Its pictures are those that were handed out, found from where it lies.
    for source in re.findall(r'src="([^"]*)"', page):
        assert (Path(drawn["key_sheet"]).parent / source).is_file()


# From drawing to marking


@pytest.mark.parametrize("letters", [False, True])
def test_the_key_itself_is_marked_all_right(
    letters: bool, drawn: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open(drawn["answers"], newline="") as file:
        rows = list(csv.DictReader(file))
    for row, entry in zip(rows, key_of(drawn), strict=True):
        letter = "abcd"[entry["choices"].index(entry["answer"])]
        row["answer"] = letter if letters else entry["answer"]
    filled = tmp_path / "filled.csv"
    with open(filled, "w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    assert main(["exercise", "--mark", str(filled), "--key", drawn["key"], "--json"]) == 0
    marks = json.loads(capsys.readouterr().out)
    assert (marks["right"], marks["asked"]) == (QUESTIONS, QUESTIONS)


def test_the_blank_table_is_marked_as_not_answered(
    drawn: dict[str, Any], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["exercise", "--mark", drawn["answers"], "--key", drawn["key"], "--json"]) == 0
    marks = json.loads(capsys.readouterr().out)
    assert (marks["right"], marks["not_answered"]) == (0, QUESTIONS)


# Wrong usage


@pytest.mark.parametrize(
    ("given", "status", "complaint"),
    [
        ([], 2, "--out: missing"),
        (["--key", "key.json"], 2, "--key: found without --mark"),
        (["--mark", "a.csv"], 2, "--key: missing"),
        (["--out", "OUT", "--topic", "moods"], 2, "--topic: 'moods' not found"),
        (["--out", "OUT", "--difficulty", "mean"], 2, "--difficulty: 'mean' not found"),
        (["--out", "OUT", "--count", "201"], 2, "--count: found 201"),
        (["--out", "FILE", "--count", "1"], 1, "the folder cannot be made"),
    ],
)
def test_wrong_usage_is_refused_in_one_line(
    given: list[str],
    status: int,
    complaint: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "file").write_text("")
    places = {"OUT": str(tmp_path / "out"), "FILE": str(tmp_path / "file" / "under")}
    assert main(["exercise", *(places.get(word, word) for word in given)]) == status
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert complaint in said.err
    # A wish that is refused leaves nothing behind.
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("count", ["0", "-1", "many"])
def test_a_count_that_is_none_is_refused(count: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["exercise", "--out", "nowhere", "--count", count])
    assert ended.value.code == 2
    assert "give a whole number of at least 1" in capsys.readouterr().err


def test_answers_that_were_handed_in_are_never_drawn_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "answers.csv").write_text("number,answer\n1,b\n")
    assert main(["exercise", "--count", "1", "--out", str(tmp_path)]) == 1
    assert "is not overwritten" in capsys.readouterr().err
    assert (tmp_path / "answers.csv").read_text() == "number,answer\n1,b\n"
    assert list(tmp_path.iterdir()) == [tmp_path / "answers.csv"]


@pytest.mark.parametrize(("topic", "asked", "looks"), [
    ("hard-or-soft", None, "down"),  # as its bench does
    ("nearer-or-farther", None, "along"),
    ("nearer-or-farther", "down", "down"),
])  # fmt: skip
def test_pictures_run_as_the_bench_looks_or_as_is_asked_for(
    topic: str, asked: str | None, looks: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen = []

    def noted(_: object, run: Any, *__: object, looks: str | None = None, **___: object) -> None:
        seen.append(looks or run.plan.geometry.looks)

    monkeypatch.setattr("rig.show.sheets.exercise_files.draw_picture", noted)
    words = [] if asked is None else ["--looks", asked]
    given = ["exercise", "--topic", topic, "--count", "1", "--out", str(tmp_path / "set"), *words]
    assert main(given) == 0
    assert seen == [looks]
