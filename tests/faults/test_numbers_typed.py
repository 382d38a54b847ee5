"""A number that is typed and cannot be is refused in one line, and none overflows on its way."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_bench import EMPTY, PLAN
from typist import typed

RUN = ("run", "--plan", "plan.toml", "--scene", "scene.toml")
LESSON = ("lesson", "time-is-distance", "--part", "out-and-back", "--out", "out")
TYPED = {
    "pings": (*RUN, "--pings={}"),
    "seed": (*RUN, "--pings=1", "--seed={}"),
    "speed": ("beam", "good", "--speed-m-s={}"),
    "uncertainty of speed": ("beam", "good", "--speed-m-s=1", "--u-speed-m-s={}"),
    "source level": ("strength", "good", "--source-level-db={}"),
    "slowness": ("listen", "good", "--out=x.wav", "--slow={}"),
    "prediction": (*LESSON, "--predict={}"),
    "given": (*LESSON, "--predict=1", "--given=near_m={}"),
}
IMPOSSIBLE = ["nan", "inf", "-inf", "1e999", "1e308", "-1e308", "9" * 5000, "", "x\ny", "True"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("typed")
    (made / "plan.toml").write_text(PLAN)
    (made / "scene.toml").write_text(EMPTY)
    done = typed(*RUN, "--pings", "2", "--record", "good", "--json", folder=made)
    assert done.returncode == 0, done.stderr
    return made


@pytest.mark.parametrize("number", IMPOSSIBLE, ids=lambda n: repr(n[:9]))
@pytest.mark.parametrize("words", TYPED.values(), ids=TYPED)
def test_a_number_that_cannot_be_is_one_line_and_status_2(
    folder: Path, words: tuple[str, ...], number: str
) -> None:
    done = typed(*(word.format(number) for word in words), folder=folder)
    assert done.returncode == 2, (done.stdout, done.stderr)
    (complaint,) = done.stderr.splitlines()
    assert complaint.startswith("echobench")
    assert complaint.isprintable()
