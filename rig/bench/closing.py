"""What a ``with`` closes."""

from __future__ import annotations

from typing import Protocol, Self


class Closing(Protocol):
    """Open until it is closed, or until the ``with`` that it stands in ends."""

    def close(self) -> None:
        """Let it go. May be called twice."""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
