"""Which lessons there are, and what is said of a file that holds none."""

import shutil
from pathlib import Path

import pytest

import rig.teach.lessons.taught
import rig.teach.lessons.template
from rig.errors import LessonError
from rig.teach.lessons.index import lesson_named, lesson_names, lessons

TEMPLATE = Path(rig.teach.lessons.template.__file__)


def test_every_file_among_the_taught_lessons_is_listed_and_none_beside() -> None:
    folder = Path(rig.teach.lessons.taught.__file__).parent
    files = {f.stem.replace("_", "-") for f in folder.glob("*.py") if f.stem != "__init__"}
    assert set(lesson_names()) == files
    assert len(set(lesson_names())) == len(lesson_names())
    assert [lesson.name for lesson in lessons()] == list(lesson_names())


def test_template_is_no_lesson_of_the_index() -> None:
    assert rig.teach.lessons.template.LESSON.name not in lesson_names()


def test_first_lesson_is_that_time_is_distance() -> None:
    assert lesson_names()[0] == "time-is-distance"


def test_a_lesson_is_found_in_a_teachers_own_file(tmp_path: Path) -> None:
    shutil.copy(TEMPLATE, tmp_path / "mine.py")
    assert lesson_named(str(tmp_path / "mine.py")).name == "my-lesson"


def test_a_wrong_name_gets_the_right_one_and_all_others() -> None:
    with pytest.raises(LessonError, match="did you mean 'time-is-distance'") as caught:
        lesson_named("time-is-distanse")
    assert all(name in str(caught.value) for name in lesson_names())
    assert "\n" not in str(caught.value)


def written(folder: Path, text: str) -> str:
    path = folder / "mine.py"
    path.write_text(text)
    return str(path)


def changed(before: str, after: str) -> str:
    text = TEMPLATE.read_text(encoding="utf-8")
    assert before in text
    return text.replace(before, after)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("x = 1\n", "no lesson in it"),
        ("LESSON = 7\n", "no lesson in it"),
        ("def f(:\n", "SyntaxError"),
        ("import no_such_module_anywhere\n", "ModuleNotFoundError"),
        ("raise ValueError('first\\nsecond')\n", "ValueError: first second"),
    ],
)
def test_a_file_that_holds_no_lesson_is_named_in_one_line(
    text: str, complaint: str, tmp_path: Path
) -> None:
    with pytest.raises(LessonError, match=complaint) as caught:
        lesson_named(written(tmp_path, text))
    assert "mine.py" in str(caught.value)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("before", "after", "complaint"),
    [
        ('name="away"', 'name="start"', "'start' twice"),
        ('name="away"', 'name="far away"', "small letters"),
        ('name="away"', 'name="../away"', "small letters"),
        ('name="moved_m"', 'name="first_m"', "'first_m' twice"),
        ('name="start", set_up', 'name="start", pings=0, set_up', "pings: found 0"),
    ],
)
def test_what_an_author_gets_wrong_is_said_before_a_ping_is_sent(
    before: str, after: str, complaint: str, tmp_path: Path
) -> None:
    with pytest.raises(LessonError, match=complaint):
        lesson_named(written(tmp_path, changed(before, after)))


def test_a_file_that_is_not_there_is_complained_of(tmp_path: Path) -> None:
    with pytest.raises(LessonError, match="no such file"):
        lesson_named(str(tmp_path / "gone.py"))
