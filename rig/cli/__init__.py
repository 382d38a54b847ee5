"""The command `echobench`: thin; each subcommand imports what it needs when it runs.

This package is the one place that prints and exits. Results go to standard output,
progress and complaints to standard error. Exit status: 0 done, 1 failed, 2 wrong
usage or input.
"""

from __future__ import annotations

import argparse
import atexit
import codecs
import gc
import importlib
import io
import os
import sys
from collections.abc import Sequence

from rig.cli import options
from rig.errors import (
    CalibrationError,
    EchobenchError,
    LessonError,
    PlanError,
    RecordingError,
    SceneError,
)

# The systems of equations here are small: threads to share them among take a hundred times as
# long on a busy machine, and round differently. It counts as NumPy is loaded, which is later.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# At the end nothing is gone through for rubbish once more: it all goes with the process.
atexit.register(gc.freeze)

_COMMANDS = {
    "pings": ("demo", "run", "replay"),
    "bench": ("plan", "devices", "check", "calibrate"),
    "measure": ("measure", "strength", "beam", "twin"),
    "focus": ("focus",),
    "report": ("report",),
    "lesson": ("lesson",),
    "listen": ("listen",),
    "exercise": ("exercise",),
    "what_if": ("what-if",),
}
"""Which of this package's modules adds which commands, in the order in which they are listed."""


_NEW_OBJECTS = 20_000
"""So many are made before rubbish is looked for: modules and pictures are made of many small
ones, nearly all of which are still in use at each look."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit status."""
    _write_what_can_be_written()
    gc.set_threshold(_NEW_OBJECTS)
    words = sys.argv[1:] if arguments is None else list(arguments)
    given = _parser(words[0] if words else "").parse_args(words)
    try:
        status: int = given.do(given)
        sys.stdout.flush()
    except (PlanError, SceneError, RecordingError, CalibrationError, LessonError) as problem:
        return _complain(problem, 2)
    except EchobenchError as problem:
        return _complain(problem, 1)
    except KeyboardInterrupt:
        print("echobench: stopped at the keyboard", file=sys.stderr)
        return 1
    except BrokenPipeError:
        # Whoever read our output has had enough; keep the interpreter's own
        # flush at exit from complaining about it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    except OSError as problem:
        # Standard output itself: a full disk behind it, say.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return _complain(
            Exception(f"output: cannot be written ({problem.strerror}); give it a place with room"),
            1,
        )
    return status


_IN_ASCII = {"±": "+-", "°": " deg", "×": "x", "−": "-", "µ": "u", "²": "2", "√": "root "}


def _write_what_can_be_written() -> None:
    """Let a screen that knows no ± show one all the same, and stop at nothing."""

    def spelt(problem: UnicodeError) -> tuple[str, int]:
        if not isinstance(problem, UnicodeEncodeError):
            raise problem
        letters = problem.object[problem.start : problem.end]
        return "".join(_IN_ASCII.get(letter, "?") for letter in letters), problem.end

    codecs.register_error("echobench", spelt)
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="echobench")


def _complain(problem: Exception, status: int) -> int:
    print(f"echobench: {problem}", file=sys.stderr)
    return status


def _parser(command: str = "") -> argparse.ArgumentParser:
    """Make the parser: of one command alone, or of all where none is named first.

    One alone starts twice as fast, and no other is asked for its words.
    """
    parser = options.Parser(
        prog="echobench",
        description="Send a ping, hear it come back, see how strong and how far.",
        epilog=f"{options.CAUTION} Each command has its own --help.",
    )
    parser.add_argument(
        "--version", action=options.Version, help="print which version this is, and exit"
    )
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    alone = [module for module, names in _COMMANDS.items() if command in names]
    for module in alone or _COMMANDS:
        importlib.import_module(f"rig.cli.{module}").add_to(commands)
    return parser
