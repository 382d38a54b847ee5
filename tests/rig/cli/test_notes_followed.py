"""What the hardware notes say that the program prints is what it prints."""

import re
from pathlib import Path

import pytest
from typist import typed

from rig.bench.start_plans import start_plan

NOTES = Path(__file__).parents[3] / "hardware_notes"


def block(page: str, marker: str) -> str:
    """Return the fenced TOML of a page that holds some words."""
    (found,) = (b for b in re.findall(r"```toml\n(.*?)```", page, re.DOTALL) if marker in b)
    return str(found)


@pytest.fixture(scope="module")
def page() -> str:
    return (NOTES / "bench_in_air.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, page: str) -> Path:
    made = tmp_path_factory.mktemp("notes")
    (made / "book.toml").write_text(block(page, "a book on edge"), encoding="utf-8")
    assert typed("plan", "--write", "air", "bench.toml", folder=made).returncode == 0
    return made


def test_the_air_bench_s_plan_shows_what_its_page_says(bench: Path, page: str) -> None:
    step = page.partition("**2. ")[2].partition("**3. ")[0]
    said = re.findall(r"`([^`\n]*(?:\n[^`\n]*)?)`", step.partition("*Seen:*")[2])
    done = typed("plan", "--plan", "bench.toml", folder=bench)
    assert len(said) == 2
    for words in said:
        assert " ".join(words.split()) in done.stdout


def test_check_prints_the_lines_that_its_step_names(bench: Path, page: str) -> None:
    step = page.partition("**4. ")[2].partition("**5. ")[0]
    named = re.findall(r"`([a-z ]+)`", step.partition("*Seen:*")[2].partition("\n\n")[0])
    done = typed("check", "--plan", "bench.toml", "--scene", "book.toml", folder=bench)
    lines = [line.strip() for line in done.stdout.splitlines() if line.endswith(" fit")]
    printed = [name for name in named if any(line.startswith(name) for line in lines)]
    # Only a stream that can slip has a line for that; the tank's cannot.
    assert [name for name in named if name not in ("fit", "slip that may hide")] == printed
    assert len(lines) == len(printed)
    for name in [*printed, "slip that may hide"]:
        assert f"`{name} … NOT FIT`" in step, name


def test_the_book_is_measured_where_the_page_has_it(bench: Path, page: str) -> None:
    run = ("run", "--plan", "bench.toml", "--scene", "book.toml", "--pings", "40")
    assert typed(*run, "--record", "monday", "--json", folder=bench).returncode == 0
    said = typed("measure", "monday.sigmf-meta", folder=bench).stdout
    for words in ("Echoes in the sum", "± (k = 2)", "time of flight", "Budget of the range"):
        assert words in said
        assert words in " ".join(page.split())
    assert "What went by" in said
    assert re.search(r"stay: .* at 1\.0000 ± 0\.0020 m", said)
    assert "says `1.0000` m, `± (k = 2)` of `0.0020`" in page


DISCS = [
    (40, "0.00025", "0.3"),
    (25, "0.0004", "0.35"),
]


@pytest.mark.parametrize(("khz", "duration_s", "from_m"), DISCS)
def test_a_piezo_disc_s_row_is_what_its_plan_shows(
    tmp_path: Path, khz: int, duration_s: str, from_m: str
) -> None:
    tank = (NOTES / "tank.md").read_text(encoding="utf-8")
    plan = block(tank, "ten periods").replace("centre_hz = 40000.0", f"centre_hz = {khz}000.0")
    plan = plan.replace("duration_s = 0.00025", f"duration_s = {duration_s}")
    plan = plan.replace("range_start_m = 0.3 ", f"range_start_m = {from_m} ")
    rows = re.findall(rf"\| {khz} kHz \| ([\d.]+) mm \| ([\d.]+) mm \| (.*?) \| ([\d.]+) mm", tank)
    assert len(rows) >= 2
    for wavelength, radius, cone, apart in rows:
        face = f"radius_m = {float(radius) / 1e3:g}"
        (tmp_path / "disc.toml").write_text(plan.replace("radius_m = 0.025", face))
        done = typed("plan", "--plan", "disc.toml", folder=tmp_path)
        assert done.returncode == 0, done.stderr
        assert f"wavelength {wavelength} mm" in done.stdout
        assert f"two echoes closer than {apart} mm in range" in done.stdout
        assert ("no cone" if cone.startswith("none") else f"cone {cone} to each") in done.stdout
        assert "caution" not in done.stdout


def test_the_tank_s_own_plan_tells_apart_what_the_page_says(tmp_path: Path) -> None:
    tank = (NOTES / "tank.md").read_text(encoding="utf-8")
    (tmp_path / "tank.toml").write_text(start_plan("tank"), encoding="utf-8")
    done = typed("plan", "--plan", "tank.toml", folder=tmp_path)
    (apart,) = re.findall(r"it, tells apart ([\d.]+ mm)", " ".join(tank.split()))
    assert f"two echoes closer than {apart} in range" in done.stdout
