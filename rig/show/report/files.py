"""Where a report is written: one HTML file and the CSV files beside it."""

from __future__ import annotations

import os
from pathlib import Path

from rig.errors import StorageError
from rig.files.whole import write_whole
from rig.show.pictures.side_by_side import LoadedAhead
from rig.show.report.contents import Contents
from rig.show.report.document import report_html
from rig.show.report.numbers import TABLES, csv_tables
from rig.show.report.pictures import pictures_of

_SUFFIXES = (".html", ".htm")
_REMEDY = "give --out a folder that is there, may be written to and has room"


def report_path(recording: str | os.PathLike[str], out: str | os.PathLike[str] | None) -> Path:
    """Return where a recording's report goes.

    Parameters
    ----------
    recording : path
    out : path or None
        A folder that is there, or the file's own name, which ends in .html; None for
        a file in the folder at work, named after the recording.

    Raises
    ------
    StorageError
        Where the name is neither.
    """
    name = f"{Path(recording).stem}-report.html"
    if out is None:
        return Path(name)
    path = Path(out)
    if os.path.isdir(path):
        return path / name
    if path.suffix.lower() not in _SUFFIXES:
        raise StorageError(
            f"{os.fspath(out)}: ends in {path.suffix or 'no suffix'!r} and is no folder; "
            "give --out a folder that is there, or a file whose name ends in .html"
        )
    return path


def write_report(
    path: str | os.PathLike[str], contents: Contents, begun: LoadedAhead | None = None
) -> tuple[Path, ...]:
    """Write a report; what is there of the same name is replaced, each file whole or not at all.

    A table that an earlier report of the same name had, and this one has not, is removed:
    left there, its numbers would be taken for this recording's.

    Parameters
    ----------
    path : path
        Of the HTML file; as :func:`report_path` gives it.
    contents : Contents
    begun : LoadedAhead, optional
        What :func:`rig.show.report.pictures.begun_for` has begun, to draw its pictures.

    Returns
    -------
    tuple of Path
        The HTML file, then the CSV files, which begin with its name.

    Raises
    ------
    StorageError
    """
    page = Path(path)
    tables = csv_tables(contents)
    names = {table: f"{page.stem}-{table}.csv" for table in tables}
    text = report_html(contents, names, pictures_of(contents, begun))
    written = [page.with_name(name) for name in names.values()]
    for target, table in zip(written, tables.values(), strict=True):
        write_whole(target, table, what="report", remedy=_REMEDY)
    for name in TABLES:
        if name not in tables:
            _remove(page.with_name(f"{page.stem}-{name}.csv"))
    # The page comes last: it names the others.
    write_whole(page, text, what="report", remedy=_REMEDY)
    return (page, *written)


def _remove(stale: Path) -> None:
    try:
        stale.unlink(missing_ok=True)
    except OSError as problem:
        raise StorageError(
            f"{stale}: a table of an earlier report cannot be removed ({problem.strerror}); "
            "give --out another name"
        ) from problem
