"""The notebooks that ship, run as a reader runs them, and held to what they claim."""

import re
import textwrap
from pathlib import Path

import nbclient
import nbformat
import pytest
from typist import PATIENCE_S

ROOT = Path(__file__).parents[3]
FOLDER = ROOT / "recordings"

CLAIMS = {
    "first_ping": """
        assert abs(run.echoes[0].range_m - 1.25) < 2 * run.echoes[0].u_range_m
        # Rounding alone: the bench's own sum is the same.
        assert abs(by_hand_m - echo.range_m) < 1e-6
        # By hand: a way of 2 √(1.25² + 0.06²) m, which the direct sound's 0.12 m shortens before
        # it is stretched by 343.99 / 349.96: 2.4622 m, a range of 1.2296 m. The written digits
        # and ten times the noise's 0.04 mm.
        assert abs(misled.range_m - 1.2296) < 0.0005
        assert recorded.origin.name == "bench-ball.sigmf-meta"
    """,
    "beam": """
        # The formula's number is written to four places: 1e-5 of the angle, and not seen.
        assert abs(measured_deg - formula_deg) < 2 * u_deg
        assert abs(beam.fit.size_m - radius_m) < 2 * beam.u_size_m
        assert not beam.cautions
        assert run.lost_pings == 0
    """,
}


def read(name):
    return nbformat.read(FOLDER / f"{name}.ipynb", as_version=4)


def test_each_notebook_that_ships_is_run_here():
    assert {path.stem for path in FOLDER.glob("*.ipynb")} == set(CLAIMS)


@pytest.mark.parametrize("name", CLAIMS)
def test_a_notebook_is_valid_and_small_and_holds_no_results(name):
    book = read(name)
    nbformat.validate(book)
    assert (FOLDER / f"{name}.ipynb").stat().st_size < 100_000
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert "invented" in book.cells[0].source


# On Windows the kernel's client says that it starts a thread of its own for its sockets.
@pytest.mark.filterwarnings("ignore:Proactor event loop:RuntimeWarning")
@pytest.mark.parametrize("name", CLAIMS)
def test_a_notebook_runs_and_what_it_claims_is_so(name, tmp_path, monkeypatch):
    for variable in ("IPYTHONDIR", "JUPYTER_RUNTIME_DIR", "JUPYTER_CONFIG_DIR"):
        monkeypatch.setenv(variable, str(tmp_path / variable.lower()))
    book = read(name)
    book.cells.append(nbformat.v4.new_code_cell(textwrap.dedent(CLAIMS[name])))
    nbclient.NotebookClient(
        book,
        timeout=int(PATIENCE_S),
        startup_timeout=int(PATIENCE_S),
        iopub_timeout=int(PATIENCE_S),
        kernel_name="python3",
        resources={"metadata": {"path": str(FOLDER)}},
    ).execute()
    shown = [out for cell in book.cells for out in cell.get("outputs", [])]
    kinds = {kind for out in shown for kind in out.get("data", {})}
    assert {"text/html", "image/png"} & kinds
    assert not [out.text for out in shown if out.get("name") == "stderr"]


def test_readme_s_ten_lines_are_those_that_the_notebook_begins_with(capsys):
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (block,) = re.findall(r"<!-- ten lines of Python -->\n```python\n(.*?)\n```", readme, re.DOTALL)
    first = next(cell for cell in read("first_ping").cells if cell.cell_type == "code")
    assert block == first.source
    assert len(block.splitlines()) <= 10
    exec(compile(block, "README.md", "exec"), {})
    # The scene's ball stands at 1.25 m; to the millimetre, within the ±2 mm that are claimed.
    said = re.fullmatch(r"([\d.]+) m ± ([\d.]+) m \(k = 2\)\n", capsys.readouterr().out)
    assert abs(float(said[1]) - 1.25) <= float(said[2])


def test_the_wheel_is_held_to_the_same_lines():
    assert "<!-- ten lines of Python -->" in (ROOT / ".ci" / "wheel_check").read_text("utf-8")
