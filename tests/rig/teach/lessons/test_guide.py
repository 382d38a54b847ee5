"""What the guides say can be done, and what they quote is so."""

import re
import shlex
import textwrap
import tomllib
from pathlib import Path

import numpy as np
import pytest

from dsp.physics.medium import sound_speed_fresh_water_m_s
from dsp.physics.targets import (
    cylinder_target_strength_db,
    elastic_sphere_form_function,
    plate_target_strength_db,
    sphere_target_strength_db,
)
from rig.bench.plan import plan_from_table
from rig.cli import _parser
from rig.tank.scene import scene_from_table
from rig.teach.lessons.index import lesson_names, lessons

ROOT = Path(__file__).parents[4]
GUIDE = ROOT / "rig" / "teach" / "lessons" / "README.md"
NOTES = ROOT / "hardware_notes"
PAGES = sorted(
    [ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "recordings" / "README.md", GUIDE]
    + [page for page in NOTES.rglob("*.md") if "build" not in page.parts]
)


def named(page):
    return str(page.relative_to(ROOT))


def text_of(page):
    return page.read_text(encoding="utf-8")


def fenced(page, language):
    """The blocks of one language, without the indent that a list gives them."""
    blocks = re.findall(rf"^([ ]*)```{language}\n(.*?)^[ ]*```", text_of(page), re.DOTALL | re.M)
    return [textwrap.dedent(block) for _, block in blocks]


def commands_in(page):
    """All that stands as a command of ours: lines of shell, and words between backticks."""
    lines = [line for block in fenced(page, "sh") for line in block.splitlines()]
    typed = [shlex.split(line, comments=True) for line in lines if line.startswith("echobench ")]
    prose = re.sub(r"```.*?```", "", text_of(page), flags=re.DOTALL)
    quoted = [shlex.split(words) for words in re.findall(r"`echobench ([^`]+)`", prose)]
    return [words[1:] for words in typed] + quoted


def heading_anchors(page):
    """The anchors that a page's headings get, as code hosts make them (common practice)."""
    headings = re.findall(r"^#+ (.+)$", text_of(page), re.M)
    return {re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in headings}


def command_names():
    (commands,) = (a for a in _parser()._actions if a.dest == "command" or a.choices)
    return set(commands.choices)


def refused(words):
    """Whether the command takes these words amiss; nothing is run."""
    try:
        _parser().parse_args(words)
    except SystemExit as ended:
        return ended.code != 0
    return False


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_command_in_the_guides_is_one_that_the_program_takes(page, capsys):
    for words in commands_in(page):
        if len(words) == 1 or "[" in " ".join(words):
            # Named in passing, or a summary of what there is: the command alone is claimed.
            assert words[0] in command_names() or words[0].startswith("-"), words
            continue
        assert not refused(words), (words, capsys.readouterr().err)


def test_the_guides_do_hold_commands():
    # Else a change of their layout would leave the test above with nothing to test.
    assert {"lesson", "exercise", "listen", "report"} <= {w[0] for w in commands_in(GUIDE)}
    in_air = NOTES / "bench_in_air.md"
    assert {"plan", "devices", "check", "run", "replay", "measure"} <= {
        words[0] for words in commands_in(in_air)
    }


@pytest.mark.parametrize("which", ["Linux and macOS", "Windows"])
def test_the_test_commands_stand_where_ci_and_workflow_look_for_them(which):
    readme = text_of(ROOT / "README.md")
    (command,) = re.findall(rf"<!-- test command: {which} -->\n```\w+\n(.+)\n```\n", readme)
    assert command.endswith("python -m pytest")
    looked_for = {".ci/run": ["Linux and macOS"], ".github/workflows/checks.yml": [which]}
    for file, names in looked_for.items():
        assert all(name in text_of(ROOT / file) for name in names), file


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_link_leads_to_what_is_there(page):
    for target in re.findall(r"\]\(([^)\s]+)\)", text_of(page)):
        if re.match(r"https?://", target):
            continue
        path, _, anchor = target.partition("#")
        found = (page.parent / path).resolve() if path else page
        assert found.exists(), target
        if anchor:
            assert anchor in heading_anchors(found), target


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_file_named_in_passing_is_there(page):
    named_paths = re.findall(
        r"`((?:dsp|rig|tests|recordings|hardware_notes|\.ci)/[\w./-]*)`", text_of(page)
    )
    for path in named_paths:
        assert (ROOT / path).exists(), path


@pytest.mark.parametrize("page", PAGES, ids=named)
def test_every_plan_and_scene_in_the_guides_is_taken(page):
    for block in fenced(page, "toml"):
        tables = tomllib.loads(block)
        if "pulse" in tables:
            assert plan_from_table(tables, source=named(page)).interval_samples > 0
        else:
            scene = scene_from_table(tables, source=named(page))
            assert scene.medium.sound_speed_m_s > 0


def rows_of(page, first_heading):
    """Rows of the table whose head begins so, each a list of its cells."""
    lines = text_of(page).splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| {first_heading} |"))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def test_the_guide_lists_the_lessons_in_order_with_their_minutes():
    listed = [(row[0].strip("`"), int(row[1])) for row in rows_of(GUIDE, "lesson")]
    assert listed == [(lesson.name, lesson.minutes) for lesson in lessons()]


def test_each_misreading_is_cured_by_a_lesson_and_part_that_there_is():
    rows = rows_of(GUIDE, "they say")
    assert len(rows) >= 10
    parts = {lesson.name: {part.name for part in lesson.parts} for lesson in lessons()}
    cured_by = set()
    for row in rows:
        if row[3] == "the table alone":
            continue
        for cure in row[3].split(";"):
            name, *part_names = (word.strip().strip("`") for word in cure.split(","))
            assert name in lesson_names(), row[0]
            assert set(part_names) <= parts[name], row[0]
            cured_by.add(name)
    assert cured_by == set(lesson_names())


# The same bodies as the table's rows, by the formulas named under it.
LAMBDA_M = {"8 kHz": 343.2 / 8e3, "40 kHz": 343.2 / 40e3, "120 kHz": 1482.35 / 120e3}
STEEL = {
    "density_ratio": 7800 / 998,
    "compression_ratio": 5900 / 1482.35,
    "shear_ratio": 3200 / 1482.35,
}


def steel_db(radius_m, wavelength_m):
    form = elastic_sphere_form_function(2 * np.pi * radius_m / wavelength_m, **STEEL)
    return 20 * np.log10(radius_m / 2 * abs(form))


def strength_db(target, wavelength_m, *, in_water):
    """What a row of the table should say."""
    sizes = [float(x) for x in re.findall(r"\d+\.?\d*", target)]
    if target.startswith("ball"):
        radius_m = 1e-3 * sizes[0]
        if in_water:
            return steel_db(radius_m, wavelength_m)
        return sphere_target_strength_db(radius_m, wavelength_m)
    if target.startswith("cork"):
        return sphere_target_strength_db(1e-3 * sizes[0], wavelength_m, surface="soft")
    if target.startswith("plate"):
        return plate_target_strength_db(sizes[0] * sizes[1], wavelength_m)
    if target.startswith(("rod", "post")):
        return cylinder_target_strength_db(1e-3 * sizes[0], sizes[1], wavelength_m)
    one_db = sphere_target_strength_db(1e-3, wavelength_m, surface="soft")
    # Powers of bubbles that are scattered at random add up (common practice).
    return one_db + (10 * np.log10(60) if target.startswith("60") else 0.0)


def test_target_strengths_in_the_notes_are_what_the_formulas_give():
    told = 0
    for target, *cells in rows_of(NOTES / "targets.md", "target"):
        for (band, wavelength_m), cell in zip(LAMBDA_M.items(), cells, strict=True):
            if not cell:
                continue
            number = float(cell.split()[0].replace("\N{MINUS SIGN}", "-"))
            due_db = strength_db(target, wavelength_m, in_water=band == "120 kHz")
            # Written to a tenth.
            assert number == pytest.approx(float(due_db), abs=0.05 + 1e-9), (target, band)
            told += 1
    assert told >= 20


def test_target_strengths_in_the_notes_are_those_of_handbooks():
    rows = {row[0]: row[1:] for row in rows_of(NOTES / "targets.md", "target")}

    def number(target, column):
        return float(rows[target][column].replace("\N{MINUS SIGN}", "-"))

    # A rigid ball of 20 mm in air by a sum of modes, computed with scipy from the series of
    # Anderson 1950: −42.185 dB at 8 kHz, −39.830 dB at 40 kHz. Rounded to a tenth.
    assert number("ball, radius 20 mm", 0) == pytest.approx(-42.185, abs=0.051)
    assert number("ball, radius 20 mm", 1) == pytest.approx(-39.830, abs=0.051)
    # Urick's table 9.1 (memory): (A/λ)² of a 0.1 m square at 8.58 mm, +1.33025 dB.
    assert number("plate 0.10 × 0.10 m, square on", 1) == pytest.approx(1.33025, abs=0.051)


def test_steel_s_ups_and_downs_are_as_told():
    text = " ".join(text_of(NOTES / "targets.md").split())
    told = "has −45.5 dB at 120 kHz and −53.9 dB at 200 kHz, where a hard one would have −46"
    assert told in text
    assert steel_db(0.01, 1482.35 / 120e3) == pytest.approx(-45.5, abs=0.05)
    assert steel_db(0.01, 1482.35 / 200e3) == pytest.approx(-53.9, abs=0.05)
    hard_db = sphere_target_strength_db(0.01, [1482.35 / 120e3, 1482.35 / 200e3])
    assert hard_db == pytest.approx([-46, -46], abs=0.5)


def test_exposure_times_are_niosh_s():
    # NIOSH 98-126 (memory): 85 dB(A) for 480 min, half of it for each 3 dB more.
    lines = [line for line in text_of(NOTES / "safety.md").splitlines() if "| " in line]
    levels, times = (
        [float(x) for x in re.findall(r"\d+\.?\d*", line)]
        for line in (lines[0], next(line for line in lines if "time / min" in line))
    )
    assert len(levels) >= 4
    for level_dba, minutes in zip(levels, times, strict=True):
        assert minutes == pytest.approx(480 / 2 ** ((level_dba - 85) / 3), rel=1e-9)


def test_what_a_degree_does_is_as_told():
    in_air = text_of(NOTES / "bench_in_air.md")
    in_water = text_of(NOTES / "tank.md")
    # CoolProp: 0.584 m/s for each °C at 343.96 m/s (20 °C, 50 %); fresh water (IAPWS-95)
    # 1465.9295 and 1496.7014 m/s at 15 and 25 °C, 1482.3462 at 20 °C. Told to two digits.
    air_mm, water_m_s = 1e3 * 0.584 / 343.96, (1496.7014 - 1465.9295) / 10
    water_mm = 1e3 * water_m_s / 1482.3462
    assert f"1 °C is {air_mm:.1f} mm in each metre" in in_air
    assert f"{water_m_s:.1f} m/s for each °C, which is {water_mm:.1f} mm in each" in in_water
    # The plan's own speed at 20 °C; this project promises 0.05 m/s of IAPWS-95.
    (told,) = re.findall(r"a sound speed of ([\d.]+) m/s", in_water)
    assert float(told) == pytest.approx(float(sound_speed_fresh_water_m_s(20.0)), abs=0.006)
    assert float(told) == pytest.approx(1482.3462, abs=0.05)
