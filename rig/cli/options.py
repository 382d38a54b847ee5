"""The words on the command line that several commands share."""

from __future__ import annotations

import argparse
import os
from collections.abc import Callable, Sequence
from typing import Any, NoReturn

from rig.bench.front_end_names import FRONT_ENDS
from rig.errors import one_line

CAUTION = (
    "Start quiet and keep ears away from the loudspeaker. Keep mains equipment away from a tank."
)


class Parser(argparse.ArgumentParser):
    """A parser that complains in one line."""

    def error(self, message: str) -> NoReturn:
        """Complain in one line, as everything else here does."""
        self.exit(2, f"{self.prog}: {one_line(message)}; see {self.prog} --help\n")

    def parse_known_args(self, args: Any = None, namespace: Any = None) -> tuple[Any, list[str]]:
        """Leave no word over, for which the command that was named would not be blamed."""
        known, unknown = super().parse_known_args(args, namespace)
        if unknown:
            self.error(f"unrecognized arguments: {' '.join(unknown)}")
        return known, unknown


class Version(argparse.Action):
    """Prints the version and ends; looked up only when it is asked for."""

    def __init__(self, option_strings: Sequence[str], dest: str, **how: Any) -> None:
        super().__init__(option_strings, dest, nargs=0, **how)

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> NoReturn:
        """Print the version as it was installed."""
        from importlib.metadata import PackageNotFoundError, version

        try:
            print(f"{parser.prog} {version('echobench')}")
        except PackageNotFoundError:
            print(f"{parser.prog}, not installed: run from its source")
        parser.exit()


def command(
    commands: Any, name: str, do: Callable[[argparse.Namespace], int], words: str
) -> argparse.ArgumentParser:
    """Add a command that does `do`, with what every command takes."""
    command: argparse.ArgumentParser = commands.add_parser(
        name, help=words, description=words[0].upper() + words[1:] + "."
    )
    command.set_defaults(
        do=do,
        command=name,
        picture=None,
        record=None,
        calibration=None,
        looks=None,
        angles=False,
    )
    command.set_defaults(unattended=None)
    command.add_argument(
        "--json", action="store_true", help="print one JSON object as the last line"
    )
    return command


def add_front_end(
    command: argparse.ArgumentParser, *, needs_plan: bool = True, has_scene: bool = False
) -> None:
    """Add what opens a front end; what `has_scene` of its own takes none."""
    command.add_argument(
        "--plan", metavar="FILE", required=needs_plan, help="the plan, a TOML file"
    )
    command.add_argument(
        "--front-end", choices=FRONT_ENDS, default="virtual-tank", help="what sends and hears"
    )
    if not has_scene:
        command.add_argument(
            "--scene", metavar="FILE", help="the virtual tank's scene, a TOML file"
        )
    add_seed(command)
    command.add_argument(
        "--device",
        metavar="NAME|NUMBER",
        help="the sound device (see `echobench devices`), or the board's serial port",
    )
    command.add_argument(
        "--level",
        metavar="DB",
        type=float,
        default=-20.0,
        help="output level of a sound card, dB re full scale (default: -20). " + CAUTION,
    )


def add_pings(command: argparse.ArgumentParser) -> None:
    """Add how many pings to send."""
    command.add_argument("--pings", metavar="N", type=count, help="how many pings to send")


def add_seed(command: argparse.ArgumentParser) -> None:
    """Add the seed of the virtual tank's noise."""
    command.add_argument(
        "--seed",
        metavar="K",
        type=seed,
        default=0,
        help="of the virtual tank's noise; the same seed gives the same samples (default: 0)",
    )


def add_record(command: argparse.ArgumentParser) -> None:
    """Add where to record to."""
    command.add_argument(
        "--record",
        metavar="NAME",
        type=recording_name,
        help="record to NAME.sigmf-meta and NAME.sigmf-data: 4 bytes a sample of each channel, so "
        "0.7 GB an hour at 48 kHz, and 7 GB at 500 kHz",
    )


def add_picture(command: argparse.ArgumentParser) -> None:
    """Add where to save the picture."""
    command.add_argument(
        "--picture",
        metavar="FILE",
        type=picture_name,
        help="save the picture: .png, .svg or .pdf; opens no window",
    )


def add_looks(command: argparse.ArgumentParser) -> None:
    """Add which way the picture runs."""
    command.add_argument(
        "--looks",
        choices=("along", "down"),
        help="draw the ranges along the page or down it (default: as the plan says the pair looks)",
    )


def add_angles(command: argparse.ArgumentParser) -> None:
    """Add whether the picture shows angles."""
    command.add_argument(
        "--angles",
        action="store_true",
        help="draw how far aside echoes came from in a strip below the history: for a plan with "
        "two receivers",
    )


def add_span(command: argparse.ArgumentParser, *, first: str, last: str) -> None:
    """Add from which range to which; `first` and `last` say what lies between."""
    for name, default, words in (("--from-m", 0.0, first), ("--to-m", float("inf"), last)):
        command.add_argument(
            name,
            metavar="R",
            type=number_in(low=0.0),
            default=default,
            help=f"{words} (default: the plan's)",
        )


def add_recording(command: argparse.ArgumentParser) -> None:
    """Add the recording, and the plan to process it by."""
    command.add_argument("recording", metavar="RECORDING", help=".sigmf-meta, WAV or FLAC file")
    command.add_argument(
        "--plan", metavar="FILE", help="process by this plan; a sound file needs one"
    )


def add_calibration(
    command: argparse.ArgumentParser,
    words: str = "a stored calibration, whose sound speed and time zero are then used; a plan that "
    "needs one takes echobench-calibration.json beside it",
) -> None:
    """Add the stored calibration."""
    command.add_argument("--calibration", metavar="FILE", help=words)


def recording_name(text: str) -> str:
    """Read the name of a recording to be made, which a folder alone is not."""
    if os.path.basename(text) in ("", ".", ".."):
        raise argparse.ArgumentTypeError(
            f"found {text!r}, which names no file; give a name in that folder"
        )
    return text


def picture_name(text: str) -> str:
    """Read the name of a picture, whose suffix says the kind, before anything is pinged."""
    from rig.errors import StorageError
    from rig.show.pictures.saving import check_picture_path

    try:
        check_picture_path(text)
    except StorageError as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem
    return text


def count(text: str) -> int:
    """Read a whole number of at least 1."""
    try:
        count = int(text)
    except ValueError:
        count = 0
    if count < 1:
        raise argparse.ArgumentTypeError(f"found {text!r}; give a whole number of at least 1")
    return count


def number_in(*, low: float = -1e6, high: float = 1e6) -> Callable[[str], float]:
    """Return what reads a number from `low` to `high`: no length or speed of a bench is beyond."""

    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise argparse.ArgumentTypeError(
                f"found {text!r}; give a number from {low:g} to {high:g}"
            )
        return value

    return read


def seed(text: str) -> int:
    """Read a whole number of at least 0."""
    try:
        seed = int(text)
    except ValueError:
        seed = -1
    if seed < 0:
        raise argparse.ArgumentTypeError(f"found {text!r}; give a whole number of at least 0")
    return seed
