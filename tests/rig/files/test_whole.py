"""A file is written whole or not at all, and what stood there stays where it cannot be."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from rig.errors import StorageError
from rig.files.whole import write_whole

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="asks the POSIX kernel for it")


@pytest.fixture
def small_files() -> Iterator[None]:
    """Let no file grow beyond 1000 bytes, as on a disk that is all but full."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1000, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize(
    ("content", "bytes_there"),
    [(b"\x00\xff", b"\x00\xff"), ("ü\n", b"\xc3\xbc\n"), ("a\udcff", b"a?")],
    ids=["bytes", "text", "a file name that is no text"],
)
def test_a_new_file_holds_what_was_given(
    tmp_path: Path, content: str | bytes, bytes_there: bytes
) -> None:
    write_whole(tmp_path / "new", content, what="page")
    assert (tmp_path / "new").read_bytes() == bytes_there
    assert [path.name for path in tmp_path.iterdir()] == ["new"]


@posix_only
@pytest.mark.usefixtures("small_files")
@pytest.mark.parametrize("old", [None, b"precious"])
def test_a_file_that_finds_no_room_leaves_all_as_it_was(tmp_path: Path, old: bytes | None) -> None:
    path = tmp_path / "picture.png"
    if old is not None:
        path.write_bytes(old)
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(StorageError, match=r"picture\.png: the picture cannot be written \(File"):
        write_whole(path, bytes(1001), what="picture")
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before


@posix_only
def test_a_link_stays_one_and_its_file_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "file").write_text("old")
    (tmp_path / "link").symlink_to(tmp_path / "elsewhere" / "file")
    write_whole(tmp_path / "link", "new", what="page")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "elsewhere" / "file").read_text() == "new"


@posix_only
def test_a_pipe_is_written_to_and_stays_a_pipe(tmp_path: Path) -> None:
    path = tmp_path / "pipe"
    os.mkfifo(path)
    reader = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    try:
        write_whole(path, "through", what="page")
        assert os.read(reader, 100) == b"through"
    finally:
        os.close(reader)
    assert path.is_fifo()


def test_what_a_killed_process_left_is_no_hindrance(tmp_path: Path) -> None:
    (tmp_path / f".echobench-{os.getpid()}.part").write_text("torn")
    write_whole(tmp_path / "file", "whole", what="page")
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


@posix_only
def test_a_file_may_be_read_by_whom_the_user_lets_read(tmp_path: Path) -> None:
    write_whole(tmp_path / "file", "x", what="page")
    (tmp_path / "plain").write_text("x")
    assert (tmp_path / "file").stat().st_mode == (tmp_path / "plain").stat().st_mode


@pytest.mark.parametrize("name", ["nowhere/file", "."])
def test_a_place_that_takes_no_file_is_named_in_one_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(StorageError, match=r"the page cannot be written.*; give a path") as caught:
        write_whole(tmp_path / name, "x", what="page")
    assert str(caught.value).startswith(str(tmp_path / name))
    assert "\n" not in str(caught.value)
