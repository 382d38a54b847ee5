"""What is typed at a terminal, and the line on which it is waited for."""

from __future__ import annotations

import sys

_WIDE = 70
"""Letters that the line on which Enter is waited for has at the most."""


def write_over(words: str) -> None:
    """Write on the line on which Enter is waited for, over what stands there."""
    print(f"\r{words:<{_WIDE}}", end="", flush=True)


def drop_typed() -> None:
    """Drop lines that were typed before they were asked for, where the system can."""
    if not sys.stdin.isatty():
        return
    try:
        import termios
    except ImportError:  # Windows
        return
    termios.tcflush(sys.stdin, termios.TCIFLUSH)
