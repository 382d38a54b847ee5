"""Marking: what was handed in, held against the key, however a spreadsheet wrote it."""

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.cli import main
from rig.errors import LessonError
from rig.teach.exercises.scoring import (
    HandedIn,
    KeyEntry,
    read_answers,
    read_key,
    score_lines,
    scored,
)

CHOICES = ("it went by: a whole pass", "1.2 m", "it cannot be told")
NAMES = st.text(st.characters(categories=("L", "Zs"), exclude_characters="\xa0"), max_size=8)


@st.composite
def keys(draw: st.DrawFn) -> list[KeyEntry]:
    numbers = draw(st.lists(st.integers(1, 200), min_size=1, max_size=8, unique=True))
    return [
        KeyEntry(
            number=number,
            topic=draw(st.sampled_from(["how-far", "pass-or-stay"])),
            choices=CHOICES,
            answer=draw(st.sampled_from(CHOICES)),
        )
        for number in numbers
    ]


def a_key(answer: str = CHOICES[1], *, numbers: int = 1) -> list[KeyEntry]:
    return [
        KeyEntry(number=n + 1, topic="how-far", choices=CHOICES, answer=answer)
        for n in range(numbers)
    ]


def answered(text: str) -> HandedIn:
    return HandedIn(name="", number=1, answer=text)


# What is right


@pytest.mark.parametrize(
    ("said", "choices", "meant"),
    [
        ("three", ("two, at the least", "three, at the least"), "three, at the least"),
        ("3", ("two, at the least", "three, at the least"), "three, at the least"),
        ("The earlier", ("the earlier one", "the later one"), "the earlier one"),
        ("it goes away.", ("it comes nearer", "it goes away"), "it goes away"),
    ],
)
def test_an_answer_in_a_child_s_own_words_is_taken(
    said: str, choices: tuple[str, ...], meant: str
) -> None:
    key = [KeyEntry(number=1, topic="how-many", choices=choices, answer=meant)]
    assert scored([answered(said)], key).overall.right == 1


def test_a_wrong_answer_is_told_with_its_misreading() -> None:
    key = [
        KeyEntry(
            number=1,
            topic="how-many",
            choices=("two", "three"),
            answer="two",
            misreadings={"three": "a side lobe is a thing"},
        )
    ]
    scores = scored([HandedIn(name="Ada", number=1, answer="b")], key)
    (missed,) = scores.missed
    assert (missed.name, missed.misreading) == ("Ada", "a side lobe is a thing")
    assert any("Ada: question 1" in line for line in score_lines(scores))


@given(keys(), st.data())
def test_right_are_as_many_as_were_answered_by_the_key(
    key: list[KeyEntry], data: st.DataObject
) -> None:
    rights = data.draw(st.lists(st.booleans(), min_size=len(key), max_size=len(key)))
    handed = []
    for entry, right in zip(key, rights, strict=True):
        wrong = data.draw(st.sampled_from(["", *(c for c in CHOICES if c != entry.answer)]))
        text = entry.answer if right else wrong
        handed.append(HandedIn(name="", number=entry.number, answer=text))
    scores = scored(data.draw(st.permutations(handed)), key)
    assert scores.overall.right == sum(rights)
    assert scores.overall.asked == len(key)
    for topic, score in scores.by_topic.items():
        of_topic = [r for e, r in zip(key, rights, strict=True) if e.topic == topic]
        assert (score.right, score.asked) == (sum(of_topic), len(of_topic))


@given(
    keys(),
    st.lists(NAMES, min_size=1, max_size=4, unique_by=lambda n: " ".join(n.split()).casefold()),
)
def test_topics_and_names_add_up_to_the_whole(key: list[KeyEntry], names: list[str]) -> None:
    handed = [HandedIn(name=n, number=e.number, answer=e.choices[0]) for n in names for e in key]
    scores = scored(handed, key)
    assert scores.overall.asked == len(key) * len(names)
    for split in (scores.by_topic, scores.by_name):
        assert sum(s.asked for s in split.values()) == scores.overall.asked
        assert sum(s.right for s in split.values()) == scores.overall.right


@pytest.mark.parametrize(
    "text",
    [
        "1.2 m",
        " 1.2  M ",
        "1.2m",
        "1,2 m",
        "1.2 m.",
        "b",
        "B",
        "b)",
        " B ) ",
        "b) 1.2 m",
        "B) 1,2 m",
    ],
)
def test_case_spaces_letters_and_a_decimal_comma_make_no_difference(text: str) -> None:
    assert scored([answered(text)], a_key()).overall.right == 1


@pytest.mark.parametrize(
    "text", ["12 m", "1.20 m", "d", "a", "ab", "1.2 m or so", "it stayed", "a) 1.2 m"]
)
def test_other_words_are_not_right(text: str) -> None:
    assert scored([answered(text)], a_key()).overall.right == 0


def test_what_is_no_choice_is_named_and_not_merely_wrong() -> None:
    scores = scored([answered("perhaps")], a_key())
    assert [a.answer for a in scores.not_choices] == ["perhaps"]
    assert scored([answered("c")], a_key()).not_choices == ()


def test_questions_left_out_are_asked_and_not_right() -> None:
    scores = scored([answered("b")], a_key(numbers=3))
    assert (scores.overall.right, scores.overall.asked, scores.blank) == (1, 3, 2)


def test_one_pupil_is_one_pupil_however_the_name_is_written() -> None:
    key = a_key(numbers=2)
    handed = [
        HandedIn(name="Ada L", number=1, answer="b"),
        HandedIn(name="ada  l", number=2, answer="b"),
    ]
    assert list(scored(handed, key).by_name) == ["Ada L"]


# How a file may be written


@given(
    st.lists(
        st.tuples(st.integers(1, 99), st.sampled_from([*CHOICES, "", "a"])), min_size=1, max_size=6
    ),
    st.sampled_from([",", ";", "\t"]),
    st.booleans(),
    st.sampled_from(["\n", "\r\n"]),
    st.permutations(["number", "answer", "name"]),
)
def test_reading_gives_back_what_a_spreadsheet_wrote(
    tmp_path_factory: pytest.TempPathFactory,
    rows: list[tuple[int, str]],
    separator: str,
    bom: bool,
    line_end: str,
    columns: list[str],
) -> None:
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator=line_end)
    writer.writerow([c.upper() for c in columns])
    for number, answer in rows:
        writer.writerow([{"number": number, "answer": answer, "name": "x"}[c] for c in columns])
    path = tmp_path_factory.getbasetemp() / "spreadsheet.csv"
    path.write_bytes(text.getvalue().encode("utf-8-sig" if bom else "utf-8"))
    assert [(a.number, a.answer, a.name) for a in read_answers(path)] == [
        (number, answer, "x") for number, answer in rows
    ]


def test_a_name_from_an_older_spreadsheet_is_read(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes("name;number;answer\nZoë;1;b\n".encode("cp1252"))
    assert read_answers(path)[0].name == "Zoë"


def test_empty_lines_and_columns_without_a_head_are_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("\nnumber,answer,\n1,b,\n,,\n\n2,c,left over\n")
    assert [(a.number, a.answer) for a in read_answers(path)] == [(1, "b"), (2, "c")]


# What is refused, in one line, as wrong input


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", "found the columns none"),
        ("question,answer\n1,b\n", "found the columns question, answer"),
        ("number,answer,number\n1,b,1\n", "found the columns"),
        ("number,answer,mood\n1,b,fine\n", "column 'mood'"),
        ("number,answer\none,b\n", "number 'one'"),
        ("number,answer\n-1,b\n", "number '-1'"),
        ("number,answer\n1.0,b\n", "number '1.0'"),
        ("number,answer\n7,b\n", "question 7"),
        ("number,answer\n1,b\n1,c\n", "answered twice"),
        ("number,answer\n", "answers: found none"),
        ("number,answer\n1,\0\n", "is not text"),
    ],
)
def test_wrong_answers_files_are_refused_in_one_line(
    text: str, complaint: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "answers.csv").write_text(text)
    (tmp_path / "key.json").write_text(json.dumps(KEY))
    given = ["exercise", "--mark", str(tmp_path / "answers.csv"), "--key"]
    assert main([*given, str(tmp_path / "key.json")]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("\n") == 1
    assert complaint in said.err


KEY: list[dict[str, Any]] = [
    {"number": 1, "topic": "how-far", "choices": list(CHOICES), "answer": "1.2 m", "reason": "."},
    {"number": 2, "topic": "how-far", "choices": list(CHOICES), "answer": "1.2 m", "reason": "."},
]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{}",
        "[]",
        "[1]",
        '[{"number": 1, "topic": "x", "choices": ["a"], "answer": "b"}]',
        '[{"number": 1, "topic": "x", "choices": ["a"]}]',
        json.dumps([KEY[0], KEY[0]]),
        "[" * 100_000,
    ],
)
def test_what_is_no_key_is_refused(text: str, tmp_path: Path) -> None:
    path = tmp_path / "key.json"
    path.write_text(text)
    with pytest.raises(LessonError, match=r"give the key\.json"):
        read_key(path)


def test_files_that_are_not_there_are_named(tmp_path: Path) -> None:
    with pytest.raises(LessonError, match=r"nowhere\.csv: cannot be read"):
        read_answers(tmp_path / "nowhere.csv")
    with pytest.raises(LessonError, match=r"nowhere\.json: cannot be read"):
        read_key(tmp_path / "nowhere.json")


@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "bytes.csv"
    path.write_bytes(b"number,answer\n" + content)
    complaint, rows = "", ()
    try:
        rows = read_answers(path)
    except LessonError as problem:
        complaint = str(problem)
    assert "\n" not in complaint
    assert all(row.number >= 0 for row in rows)


def test_a_cell_of_a_megabyte_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("number,answer\n1," + "b" * 1_000_000 + "\n")
    with pytest.raises(LessonError, match="is no table") as caught:
        read_answers(path)
    assert "\n" not in str(caught.value)


# The answer on the command line


def test_marks_are_answered_per_topic_and_per_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "key.json").write_text(json.dumps(KEY))
    (tmp_path / "a.csv").write_text("name;number;answer\nAda;1;b\nAda;2;a\nBo;1;1,2 m\nBo;2;oh\n")
    given = ["exercise", "--mark", str(tmp_path / "a.csv"), "--key", str(tmp_path / "key.json")]
    assert main([*given, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "right": 2,
        "asked": 4,
        "topics": [{"topic": "how-far", "right": 2, "asked": 4}],
        "names": [
            {"name": "Ada", "right": 1, "asked": 2},
            {"name": "Bo", "right": 1, "asked": 2},
        ],
        "missed": [
            {
                "name": "Ada",
                "number": 2,
                "chosen": CHOICES[0],
                "answer": CHOICES[1],
                "misreading": "",
            }
        ],
        "not_answered": 0,
        "none_of_the_choices": [{"name": "Bo", "number": 2, "answer": "oh"}],
    }
    assert main(given) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "how-far  2 of 4 right"
    assert "none of the choices: question 2, Bo: 'oh'" in lines
