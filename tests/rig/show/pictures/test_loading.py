"""What is loaded to draw, in a process of its own: the lists that go into matplotlib's help."""

import subprocess
import sys

import pytest

ASK = """
import sys
{first}
from rig.show.pictures.loading import load_figures
load_figures()
from matplotlib.artist import kwdoc
from matplotlib.lines import Line2D
from matplotlib.patches import Circle
print("agg_filter:" in Line2D.set.__doc__, "agg_filter:" in Circle.__init__.__doc__)
print("agg_filter:" in kwdoc(Line2D))
"""


@pytest.mark.parametrize(
    ("first", "told"), [("", "False False\nTrue\n"), ("sys.ps1 = '>>> '", "True True\nTrue\n")]
)
def test_lists_for_help_are_made_where_someone_may_ask(first: str, told: str) -> None:
    words = [sys.executable, "-W", "error", "-c", ASK.format(first=first)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert (done.stdout, done.stderr) == (told, "")
