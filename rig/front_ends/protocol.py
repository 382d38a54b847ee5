"""The one contract that every front end keeps."""

from __future__ import annotations

from collections.abc import Iterator
from types import TracebackType
from typing import Protocol, Self

from rig.bench.capture import CaptureBlock, StreamInfo
from rig.tank.truth import Truth


class FrontEnd(Protocol):
    """Sends pings and hands on what came back, as samples; it knows no echoes.

    A front end is opened by the ``open_…`` function of its module, which fails
    there or not at all. :meth:`blocks` then yields one block for each ping, in
    order; a ping whose samples did not come whole is yielded all the same,
    flagged, never skipped and never patched. When the device is gone for good
    it raises :class:`rig.errors.DeviceError`.
    """

    @property
    def info(self) -> StreamInfo:
        """What is true of every block."""

    @property
    def truth(self) -> Truth | None:
        """What really stands there, which only a made-up scene tells; for eyes, not for blocks."""

    def blocks(self, pings: int) -> Iterator[CaptureBlock]:
        """Send `pings` pings and yield a block for each.

        A stream with ``confirms_last`` sends one more at the end and yields it
        with ``confirms_only`` set. All blocks of a stream have the same shape.
        """

    def close(self) -> None:
        """Let the device go. May be called twice."""

    def __enter__(self) -> Self: ...

    def __exit__(
        self,
        kind: type[BaseException] | None,
        problem: BaseException | None,
        trace: TracebackType | None,
    ) -> None: ...
