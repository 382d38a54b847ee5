"""A recording's format: SigMF 1.2, an open standard, with keys of this bench's own.

A recording is two files. ``NAME.sigmf-data`` holds the raw samples, interleaved
little-endian float32. ``NAME.sigmf-meta`` is JSON: the plan, the stream, and one
capture segment for each ping; recordings/README.md lists the keys.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

META_SUFFIX = ".sigmf-meta"
DATA_SUFFIX = ".sigmf-data"

SIGMF_VERSION = "1.2.0"
NAMESPACE_VERSION = "1.0.0"
DATATYPE = "rf32_le"
SAMPLE = np.dtype("<f4")

PLAN, STREAM, CHECKSUM = "echobench:plan", "echobench:stream", "echobench:checksum"
"""What stands once for all pings; the last is of the two before it."""

CAPTURES = '"captures": ['
"""What the segments stand behind, as it is written; a reader finds a torn file's by it."""

TAIL = b"\n]\n}\n"
"""What stands behind the segments."""


def paths_of(name: str | os.PathLike[str]) -> tuple[Path, Path]:
    """Return the meta and the data file of a recording, named by either or by neither suffix."""
    base = os.fspath(name).removesuffix(META_SUFFIX).removesuffix(DATA_SUFFIX)
    return Path(base + META_SUFFIX), Path(base + DATA_SUFFIX)
