"""The switch `--room`, and what a command does with the room."""

from __future__ import annotations

import argparse
import contextlib
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.show.room.address import Address
    from rig.show.room.room import Room


def add_room(command: argparse.ArgumentParser) -> None:
    """Add the room's page; without it nothing listens."""
    command.add_argument(
        "--room",
        metavar="ADDRESS[:PORT]",
        nargs="?",
        const="",
        type=_address,
        help="serve a page on which a class follows what is shown, joined by a code; by itself "
        "for this computer alone, with an address of this computer for all who reach it "
        "(see hardware_notes/class_on_its_own_screens.md)",
    )


def _address(text: str) -> Address:
    from rig.show.room.address import Address, read_address

    try:
        return read_address(text) if text else Address()
    except ValueError as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem


@contextlib.contextmanager
def opened_room(given: argparse.Namespace) -> Iterator[Room | None]:
    """Open the room that was asked for, say how it is joined, and close it at the end."""
    if given.room is None:
        yield None
        return
    from rig.show.room.invitation import room_lines
    from rig.show.room.room import Room

    with Room(given.room) as room:
        for line in room_lines(room):
            print(line, file=sys.stderr)
        yield room


def in_room(do: Callable[[argparse.Namespace], int]) -> Callable[[argparse.Namespace], int]:
    """Return a command that has the room, if one was asked for, open while it runs.

    It finds the room as ``given.there``. Where it ends with its answer on the terminal, and not
    with a window's closing, the room stays open until Enter.
    """

    def done(given: argparse.Namespace) -> int:
        with opened_room(given) as there:
            given.there = there
            status = do(given)
            if given.picture is not None:
                stay(given, there)
            return status

    return done


def show_code_picture(room: Room | None) -> None:
    """Show a QR picture of the address and the code on a terminal, where no window has it."""
    if room is None or not sys.stderr.isatty():
        return
    from rig.show.room.invitation import qr_lines

    for line in qr_lines(room.link):
        print(line, file=sys.stderr)


def stay(given: argparse.Namespace, room: Room | None) -> None:
    """Keep the room open after the last ping until Enter, where someone is there to press it."""
    if room is None or given.json or not sys.stdin.isatty():
        return
    sys.stdout.flush()
    print("The room stays open with its last picture; Enter closes it.", file=sys.stderr)
    sys.stdin.readline()
