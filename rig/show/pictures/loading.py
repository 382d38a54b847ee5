"""What draws, loaded without what it would tell of itself."""

from __future__ import annotations

import sys


def load_figures() -> None:
    """Load what figures are made of; where nobody reads its help, without lists of keywords.

    Matplotlib asks each class for what it can be set to, and writes that into its docstrings: a
    quarter of a second, of three that a command with a picture takes. A session that can be asked
    for help has prompts.
    """
    if "matplotlib.figure" not in sys.modules and not hasattr(sys, "ps1"):
        import matplotlib.artist

        lists = matplotlib.artist.kwdoc
        matplotlib.artist.kwdoc = lambda _: ""  # type: ignore[assignment]
        try:
            import matplotlib.figure
        finally:
            matplotlib.artist.kwdoc = lists
