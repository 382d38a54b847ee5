"""What is typed at a terminal."""

from __future__ import annotations

import sys


def drop_typed() -> None:
    """Drop lines that were typed before they were asked for, where the system can."""
    if not sys.stdin.isatty():
        return
    try:
        import termios
    except ImportError:  # Windows
        return
    termios.tcflush(sys.stdin, termios.TCIFLUSH)
