"""What a recording keeps, and what it still holds after a kill or a full disk.

The format's rules are those of SigMF 1.2 (open standard); the checks marked
`reference` ask the `sigmf` library's own validator.
"""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rig.bench.capture import CaptureBlock, CaptureFlag, StreamInfo
from rig.bench.plan import Plan, plan_from_table
from rig.errors import RecordingError, StorageError
from rig.files.recorder import Recorder
from rig.files.recording import Recording, read_recording

posix_only = pytest.mark.skipif(sys.platform == "win32", reason="asks the POSIX kernel for it")
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="asks the Linux kernel for it")

ROOT = Path(__file__).parents[3]
PLAN_TABLE = {
    "pulse": {"kind": "chirp", "start_hz": 4e3, "stop_hz": 12e3, "duration_s": 0.010},
    "timing": {"sample_rate_hz": 48000, "ping_interval_s": 0.05},
    "receiver": {"range_stop_m": 3.0},
}
INFO = StreamInfo(
    front_end="virtual-tank",
    device="invented bench of a test, 48 kHz",
    sample_rate_hz=48000.0,
    channels=2,
    microphone=0,
    loopback=1,
    latency_s=0.0123456789012345678,
    can_slip=True,
)


def _plan() -> Plan:
    return plan_from_table(PLAN_TABLE)


def _block(index: int, *, frames: int = 240, channels: int = 2, seed: int = 1) -> CaptureBlock:
    rng = np.random.default_rng([seed, index])
    return CaptureBlock(
        index=index,
        samples=rng.uniform(-1, 1, (channels, frames)).astype(np.float32),
        start_sample=index * 2400 - 17,
        mark_s=0.005 + index / 3e7,
        pulse_index=index % 2,
        flags=CaptureFlag.CLIPPED if index % 3 == 0 else CaptureFlag.NONE,
    )


def _record(name: Path, pings: int) -> list[CaptureBlock]:
    blocks = [_block(i) for i in range(pings)]
    with Recorder(name, _plan(), INFO) as recorder:
        for block in blocks:
            recorder.write(block)
    return blocks


def _assert_same(found: CaptureBlock, written: CaptureBlock) -> None:
    assert found.samples.dtype == np.float32
    assert found.samples.shape == written.samples.shape
    # Bytes, not values: a NaN or a negative zero counts too.
    assert found.samples.tobytes() == np.ascontiguousarray(written.samples).tobytes()
    for key in ("index", "start_sample", "mark_s", "pulse_index", "flags", "confirms_only"):
        assert getattr(found, key) == getattr(written, key), key


def _assert_holds(recording: Recording, written: list[CaptureBlock]) -> None:
    found = list(recording.blocks())
    assert len(found) == len(written)
    for a, b in zip(found, written, strict=True):
        _assert_same(a, b)


@st.composite
def _streams(draw: st.DrawFn) -> tuple[StreamInfo, list[CaptureBlock]]:
    channels = draw(st.integers(1, 3))
    info = StreamInfo(
        front_end=draw(st.sampled_from(["virtual-tank", "sound-card", "serial-board"])),
        device=draw(st.text(max_size=30)),
        sample_rate_hz=draw(st.floats(1e3, 2e6)),
        channels=channels,
        microphone=draw(st.integers(0, channels - 1)),
        loopback=draw(st.none() | st.integers(0, channels - 1)),
        latency_s=draw(st.none() | st.floats(0, 10)),
        can_slip=draw(st.booleans()),
        confirms_last=draw(st.booleans()),
    )
    samples = hnp.arrays(
        np.float32,
        st.tuples(st.just(channels), st.integers(1, 40)),
        elements=st.floats(width=32),
    )
    # Times rise, and are whole numbers that a float holds exactly: up to 2^53.
    places = st.integers(-(2**40), 2**53)
    starts = sorted(draw(st.sets(places, min_size=1, max_size=5)))
    blocks = [
        CaptureBlock(
            index=index,
            samples=draw(samples),
            start_sample=start,
            mark_s=draw(st.floats(allow_nan=False, allow_infinity=False)),
            pulse_index=draw(st.integers(0, 1)),
            flags=draw(
                st.sets(st.sampled_from(list(CaptureFlag))).map(
                    lambda names: CaptureFlag(sum(flag.value for flag in names))
                )
            ),
            # Only the last may: after it nothing is sent.
            confirms_only=index == len(starts) - 1 and draw(st.booleans()),
        )
        for index, start in enumerate(starts)
    ]
    return info, blocks


@given(stream=_streams())
@settings(max_examples=60, deadline=None)
def test_what_is_read_is_what_was_written_bit_for_bit(
    tmp_path_factory: pytest.TempPathFactory, stream: tuple[StreamInfo, list[CaptureBlock]]
) -> None:
    info, blocks = stream
    name = tmp_path_factory.mktemp("round") / "trip"
    with Recorder(name, _plan(), info) as recorder:
        for block in blocks:
            recorder.write(block)
            recorder.note(
                block.index, time_zero_s=0.1 + 0.2, method="direct", lost=False, reason=""
            )
    recording = read_recording(f"{name}.sigmf-meta")
    assert recording.info == info
    assert recording.plan == _plan()
    assert recording.lost_at_end == ""
    _assert_holds(recording, blocks)


@pytest.mark.parametrize("ending", ["", ".sigmf-meta", ".sigmf-data"])
def test_either_file_or_the_bare_name_opens_a_recording(tmp_path: Path, ending: str) -> None:
    blocks = _record(tmp_path / "a.b", 2)
    _assert_holds(read_recording(f"{tmp_path / 'a.b'}{ending}"), blocks)


def _check_against_sigmf_1_2(meta: dict[str, object], data_bytes: int) -> None:
    """Check the points of the SigMF 1.2 schema that a recording touches (from memory,
    cross-checked by the validator in the `reference` test below)."""
    top = meta["global"]
    assert isinstance(top, dict)
    assert set(meta) == {"global", "captures", "annotations"}
    assert re.fullmatch(r"\d+\.\d+\.\d", top["core:version"])
    assert top["core:datatype"] == "rf32_le"
    assert 0 < top["core:sample_rate"] <= 1e12
    assert top["core:num_channels"] == 2
    for key in ("core:recorder", "core:hw", "core:description"):
        assert isinstance(top[key], str)
    (extension,) = top["core:extensions"]
    assert set(extension) == {"name", "version", "optional"}
    assert extension["name"] == "echobench"
    assert extension["optional"] is True
    captures = meta["captures"]
    assert isinstance(captures, list)
    starts = [segment["core:sample_start"] for segment in captures]
    assert starts == sorted(starts)
    for segment in captures:
        # ISO 8601, UTC with a Z.
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6}Z", segment["core:datetime"])
        assert all(key.split(":")[0] in ("core", "echobench") for key in segment)
    if captures:
        # Samples are counted per channel; four bytes each, interleaved.
        assert data_bytes == 8 * (starts[-1] + captures[-1]["echobench:samples"])


def test_the_meta_file_keeps_the_sigmf_schema_after_every_step(tmp_path: Path) -> None:
    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        for i in range(4):
            meta = json.loads(recorder.meta_path.read_bytes())
            assert len(meta["captures"]) == i
            _check_against_sigmf_1_2(meta, recorder.data_path.stat().st_size)
            recorder.write(_block(i))
            recorder.note(i, time_zero_s=None, method="direct", lost=True, reason="no mark")
    meta = json.loads(recorder.meta_path.read_bytes())
    _check_against_sigmf_1_2(meta, recorder.data_path.stat().st_size)


def test_the_data_file_is_plain_interleaved_float32(tmp_path: Path) -> None:
    blocks = _record(tmp_path / "r", 3)
    raw = np.fromfile(tmp_path / "r.sigmf-data", dtype="<f4").reshape(-1, 2)
    np.testing.assert_array_equal(raw[240:480, 0], blocks[1].samples[0])
    np.testing.assert_array_equal(raw[240:480, 1], blocks[1].samples[1])


@pytest.mark.reference
@pytest.mark.parametrize("pings", [0, 1, 5])
def test_the_sigmf_library_accepts_a_recording(tmp_path: Path, pings: int) -> None:
    import sigmf
    from sigmf.sigmffile import SigMFFile, fromfile

    assert sigmf.__specification__.startswith("1.2")
    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        for i in range(pings):
            recorder.write(_block(i))
            recorder.note(i, time_zero_s=0.0051, method="loopback", lost=False, reason="")
        # While it is still open, as a kill would leave it.
        if pings:
            fromfile(recorder.meta_path).validate()
        SigMFFile(metadata=recorder.meta_path.read_text()).validate()
    if pings:
        signal_file = fromfile(recorder.meta_path)
        signal_file.validate()
        # Its own reader finds the same samples: shape (frames, channels).
        found = signal_file.read_samples(start_index=240 * (pings - 1), count=240)
        np.testing.assert_array_equal(found.T, _block(pings - 1).samples)


def test_a_note_is_added_to_its_own_ping_only(tmp_path: Path) -> None:
    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        recorder.write(_block(0))
        recorder.write(_block(1))
        recorder.write(_block(2))
        recorder.note(0, time_zero_s=0.0049, method="direct", lost=False, reason="")
        recorder.note(1, time_zero_s=None, method="direct", lost=True, reason='no "mark"\n')
    first, second, third = json.loads(recorder.meta_path.read_bytes())["captures"]
    assert (first["echobench:time_zero_s"], first["echobench:lost"]) == (0.0049, False)
    assert first["echobench:time_zero_method"] == "direct"
    assert (second["echobench:time_zero_s"], second["echobench:lost"]) == (None, True)
    assert second["echobench:reason"] == 'no "mark"\n'
    assert "echobench:lost" not in third
    _assert_holds(read_recording(recorder.meta_path), [_block(i) for i in range(3)])


@given(reason=st.text(max_size=600))
@settings(max_examples=60, deadline=None)
def test_a_reason_of_any_length_leaves_the_meta_file_valid(
    tmp_path_factory: pytest.TempPathFactory, reason: str
) -> None:
    name = tmp_path_factory.mktemp("note") / "r"
    with Recorder(name, _plan(), INFO) as recorder:
        recorder.write(_block(0))
        recorder.write(_block(1))
        recorder.note(0, time_zero_s=1 / 3, method="calibration", lost=True, reason=reason)
    first, _ = json.loads(recorder.meta_path.read_bytes())["captures"]
    found = first["echobench:reason"]
    assert (
        found == reason
        or (found.endswith("...") and reason.startswith(found[:-3]))
        or (found == "" and len(reason) > 10)
    )


def test_a_note_for_a_ping_never_written_is_refused(tmp_path: Path) -> None:
    with (
        Recorder(tmp_path / "r", _plan(), INFO) as recorder,
        pytest.raises(ValueError, match="found 7"),
    ):
        recorder.note(7, time_zero_s=None, method="direct", lost=True, reason="")


@pytest.mark.parametrize("there", ["r.sigmf-meta", "r.sigmf-data"])
def test_an_existing_file_is_never_overwritten(tmp_path: Path, there: str) -> None:
    (tmp_path / there).write_text("precious")
    with pytest.raises(StorageError, match=rf"{there}: is already there.*another name"):
        Recorder(tmp_path / "r", _plan(), INFO)
    assert [path.name for path in tmp_path.iterdir()] == [there]
    assert (tmp_path / there).read_text() == "precious"


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(StorageError, match=r"nowhere/r\.sigmf-data: cannot be made .*folder"):
        Recorder(tmp_path / "nowhere" / "r", _plan(), INFO)


@linux_only
def test_a_folder_that_takes_no_files_is_named() -> None:
    # /proc takes new files from nobody, root included.
    with pytest.raises(StorageError, match=r"/proc/r\.sigmf-data: cannot be made"):
        Recorder("/proc/r", _plan(), INFO)


@linux_only
def test_work_for_a_ping_does_not_grow_with_the_recording(tmp_path: Path) -> None:
    # What is written, not how long it takes: bytes asked of the kernel, wchar of
    # /proc/self/io (proc(5)).
    def written_bytes() -> int:
        table = Path("/proc/self/io").read_text().split()
        return int(table[table.index("wchar:") + 1])

    def bytes_for(index: int) -> int:
        before = written_bytes()
        recorder.write(_block(index))
        recorder.note(index, time_zero_s=None, method="direct", lost=False, reason="")
        return written_bytes() - before

    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        bytes_for(0)
        early = bytes_for(1)
        for i in range(2, 400):
            bytes_for(i)
        late = bytes_for(400)
    # Only the digits of a few counters may grow: under a dozen keys, a few each.
    assert late - early < 40


# A child records without pause, and says after each ping that it is down.
_CHILD = """
import sys
sys.path.insert(0, sys.argv[2])
from tests.rig.files.test_recording import INFO, _block, _plan
from rig.files.recorder import Recorder
with Recorder(sys.argv[1], _plan(), INFO) as recorder:
    i = 0
    while True:
        recorder.write(_block(i, frames=48000))
        if i > 1:
            recorder.note(i - 2, time_zero_s=0.005, method="direct", lost=False, reason="x" * 99)
        i += 1
        sys.stdout.write(f"{i}\\n")
        sys.stdout.flush()
"""


@posix_only
@pytest.mark.parametrize("seed", range(8))
def test_a_kill_at_any_moment_loses_at_most_the_last_ping(tmp_path: Path, seed: int) -> None:
    # Big blocks, so that the child is most of its time inside a write.
    child = subprocess.Popen(
        [sys.executable, "-c", _CHILD, str(tmp_path / "r"), str(ROOT)],
        stdout=subprocess.PIPE,
    )
    assert child.stdout is not None
    assert child.stdout.readline() == b"1\n"
    time.sleep(float(np.random.default_rng(seed).uniform(0, 0.1)))
    child.send_signal(signal.SIGKILL)
    said = child.stdout.read().split()
    child.stdout.close()
    assert child.wait() == -signal.SIGKILL
    done = max([1, *(int(line) for line in said)])

    recording = read_recording(tmp_path / "r.sigmf-meta")
    # Each ping that was said to be down is there; one more may be.
    assert done <= len(recording.pings) <= done + 1
    _assert_holds(recording, [_block(i, frames=48000) for i in range(len(recording.pings))])


def test_a_write_that_a_kill_tears_loses_no_ping_that_was_down(tmp_path: Path) -> None:
    # A kernel may end a write of a process that is killed where a page of memory ends.
    meta, before = tmp_path / "r.sigmf-meta", b""
    writes: list[tuple[bytes, bytes, int]] = []
    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        for i in range(5):
            recorder.write(_block(i))
            after = meta.read_bytes()
            writes.append((before, after, i))
            if i > 1:
                recorder.note(i - 2, time_zero_s=0.005, method="direct", lost=False, reason="x")
                before, after = after, meta.read_bytes()
                writes.append((before, after, i + 1))
            before = after
    for before, after, pings in writes[1:]:
        json.loads(after)
        first = next(i for i, (a, b) in enumerate(zip(before, after, strict=False)) if a != b)
        for torn in range(first, len(after), 13):
            meta.write_bytes(after[:torn] + before[torn:])
            assert pings <= len(read_recording(meta).pings) <= pings + 1, torn


def _cut(path: Path, length: int) -> None:
    os.truncate(path, length)


def test_a_truncated_data_file_gives_its_whole_pings_and_says_what_is_lost(
    tmp_path: Path,
) -> None:
    blocks = _record(tmp_path / "r", 5)
    # 240 frames of 8 bytes a ping: cut within the third.
    _cut(tmp_path / "r.sigmf-data", 240 * 8 * 2 + 1001)
    recording = read_recording(tmp_path / "r.sigmf-meta")
    assert "last 3 pings are lost, 2 whole pings stand" in recording.lost_at_end
    _assert_holds(recording, blocks[:2])


def test_an_unfinished_last_ping_is_left_out_and_said(tmp_path: Path) -> None:
    blocks = _record(tmp_path / "r", 3)
    with (tmp_path / "r.sigmf-data").open("ab") as file:
        file.write(b"part")
    recording = read_recording(tmp_path / "r.sigmf-meta")
    assert "cut off while a ping was being written: 3 whole pings" in recording.lost_at_end
    _assert_holds(recording, blocks)


@given(share=st.floats(0, 1))
@settings(max_examples=80, deadline=None)
def test_a_meta_file_torn_anywhere_gives_the_pings_before_the_tear(
    tmp_path_factory: pytest.TempPathFactory, share: float
) -> None:
    folder = tmp_path_factory.mktemp("torn")
    blocks = _record(folder / "r", 4)
    meta_path = folder / "r.sigmf-meta"
    raw = meta_path.read_bytes()
    first_lines = [m.end() for m in re.finditer(rb'"echobench:confirms_only": \w+\n', raw)]
    length = round(share * (len(raw) - 1))
    _cut(meta_path, length)
    whole = sum(end <= length for end in first_lines)
    if whole == 0:
        with pytest.raises(RecordingError, match=r"r\.sigmf"):
            read_recording(meta_path)
        return
    recording = read_recording(meta_path)
    _assert_holds(recording, blocks[:whole])
    if whole < 4:
        assert "cut off" in recording.lost_at_end


@pytest.mark.parametrize("indent", [None, 0, 1, 4])
def test_metadata_that_another_hand_laid_out_says_the_same(
    tmp_path: Path, indent: int | None
) -> None:
    blocks = _record(tmp_path / "r", 3)
    meta_path = tmp_path / "r.sigmf-meta"
    table = json.loads(meta_path.read_text())
    table["captures"][1]["echobench:scenes"] = [{"targets": [{"a": 1}, {"b": 2}]}]
    meta_path.write_text(json.dumps(table, indent=indent))
    recording = read_recording(meta_path)
    _assert_holds(recording, blocks)
    assert recording.scenes == ({"targets": [{"a": 1}, {"b": 2}]},)


def test_a_torn_note_costs_no_ping(tmp_path: Path) -> None:
    blocks = _record(tmp_path / "r", 3)
    meta_path = tmp_path / "r.sigmf-meta"
    raw = bytearray(meta_path.read_bytes())
    # Half a note over the second ping's blanks, with braces to mislead.
    slot = [m.end() for m in re.finditer(rb'"echobench:confirms_only": \w+\n', raw)][1]
    part = b', "echobench:lost": true, "echobench:reason": "{{ \\'
    raw[slot : slot + len(part)] = part
    meta_path.write_bytes(raw)
    _assert_holds(read_recording(meta_path), blocks)


def test_a_data_file_without_a_whole_ping_is_refused(tmp_path: Path) -> None:
    _record(tmp_path / "r", 2)
    _cut(tmp_path / "r.sigmf-data", 1000)
    with pytest.raises(RecordingError, match=r"r\.sigmf-data: holds no whole ping \(1000 bytes"):
        read_recording(tmp_path / "r.sigmf-meta")


def test_a_recording_without_a_ping_is_refused(tmp_path: Path) -> None:
    _record(tmp_path / "r", 0)
    with pytest.raises(RecordingError, match="no whole ping"):
        read_recording(tmp_path / "r.sigmf-meta")


def test_a_missing_data_file_is_named(tmp_path: Path) -> None:
    _record(tmp_path / "r", 2)
    (tmp_path / "r.sigmf-data").unlink()
    with pytest.raises(RecordingError, match=r"r\.sigmf-data: .*belongs beside r\.sigmf-meta"):
        read_recording(tmp_path / "r.sigmf-meta")


@pytest.mark.parametrize(
    ("content", "complaint"),
    [
        (b"", "is empty"),
        (b"Dear reader, this is a text.", "is not JSON"),
        (b"\x00\xff\xfe\x80", "is not JSON"),
        (b"[1, 2]", "is JSON, but not of a SigMF recording"),
        (b'{"global": {}, "captures": 3}', "is JSON, but not of a SigMF recording"),
        (
            b'{"global": {"core:datatype": "rf32_le", "core:version": "1.2.0"},'
            b' "captures": [{"core:sample_start": 0}], "annotations": []}',
            "not one of this bench.*echobench:plan",
        ),
    ],
)
def test_a_file_that_is_no_recording_gets_one_clear_line(
    tmp_path: Path, content: bytes, complaint: str
) -> None:
    path = tmp_path / "x.sigmf-meta"
    path.write_bytes(content)
    with pytest.raises(RecordingError, match=complaint) as caught:
        read_recording(path)
    assert str(path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_file_of_another_name_is_told_what_would_do(tmp_path: Path) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("not a recording")
    with pytest.raises(RecordingError, match=r"notes\.txt: is not a recording.*--plan"):
        read_recording(path)
    with pytest.raises(RecordingError, match="no such file"):
        read_recording(tmp_path / "nothing")


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ('"echobench:index": 1', '"echobench:index": "one"', r"captures\[1\].*'one'"),
        ('"echobench:mark_s": 0.005,', "", r"captures\[0\].*echobench:mark_s"),
        ('["CLIPPED"]', '["SPILT"]', r"captures\[0\].*SPILT"),
        ('"channels": 2', '"channels": 1', "echobench:stream"),
        ('"core:num_channels": 2', '"core:num_channels": 3', "core:num_channels: found 3"),
        ('"rf32_le"', '"ri16_le"', "found 'ri16_le'; only \"rf32_le\""),
        ('"ping_interval_s"', '"ping_intervall_s"', "ping_intervall_s: unknown key"),
    ],
)
def test_metadata_that_was_changed_is_refused_by_key(
    tmp_path: Path, old: str, new: str, complaint: str
) -> None:
    _record(tmp_path / "r", 2)
    path = tmp_path / "r.sigmf-meta"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    with pytest.raises(RecordingError, match=complaint):
        read_recording(path)


@pytest.mark.parametrize(
    ("front_end", "invented"),
    [("virtual-tank", True), ("emulated-board", True), ("sound-card", False)],
)
def test_an_older_recording_s_front_end_tells_whether_its_scene_was_invented(
    tmp_path: Path, front_end: str, invented: bool
) -> None:
    _record(tmp_path / "r", 1)
    path = tmp_path / "r.sigmf-meta"
    newer = r',\s*"(invented": false|echobench:checksum": "[0-9a-f]{64}")'
    older, keys = re.subn(newer, "", path.read_text())
    assert keys == 2
    path.write_text(older.replace('"virtual-tank"', f'"{front_end}"'))
    assert read_recording(path).info.invented is invented


def _write_until_refused(recorder: Recorder, written: list[CaptureBlock], *, frames: int) -> None:
    for i in range(1000):
        block = _block(i, frames=frames)
        recorder.write(block)
        written.append(block)


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """Return a real file system of 256 KiB, or skip where only an ordinary user runs."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=256k", "tmpfs", str(folder)],
        capture_output=True,
        text=True,
    )
    if mount.returncode:
        pytest.skip(f"mounting a small disk needs root: {mount.stderr.strip()}")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


@linux_only
def test_a_full_disk_names_file_and_space_and_harms_no_ping(small_disk: Path) -> None:
    written: list[CaptureBlock] = []
    with Recorder(small_disk / "r", _plan(), INFO) as recorder:
        with pytest.raises(StorageError, match=r"r\.sigmf-data: .*No space.*0\.0 MB left") as full:
            _write_until_refused(recorder, written, frames=2400)
        assert "\n" not in str(full.value)
        # A note needs no space: its blanks are there already.
        recorder.note(0, time_zero_s=0.005, method="direct", lost=False, reason="")
        json.loads(recorder.meta_path.read_bytes())
    # 256 KiB hold 13 pings of 19.2 kB and a meta file of at least a page.
    assert 10 <= len(written) <= 13
    recording = read_recording(small_disk / "r")
    assert recording.lost_at_end == ""
    _assert_holds(recording, written)


@linux_only
def test_a_disk_too_full_for_a_first_line_is_left_as_it_was(small_disk: Path) -> None:
    with pytest.raises(OSError, match="No space"), (small_disk / "filler").open("wb") as filler:
        filler.write(b"x" * 300_000)
    with pytest.raises(StorageError, match=r"r\.sigmf-meta: cannot be written"):
        Recorder(small_disk / "r", _plan(), INFO)
    assert [path.name for path in small_disk.iterdir()] == ["filler"]


@posix_only
@pytest.mark.parametrize("limit", [7_000, 20_000, 20_001])
def test_a_file_size_limit_stops_a_recording_without_harm(tmp_path: Path, limit: int) -> None:
    # With 4 frames a ping the meta file meets the limit first, at any byte.
    import resource

    written: list[CaptureBlock] = []
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    recorder = Recorder(tmp_path / "r", _plan(), INFO)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
    try:
        with pytest.raises(StorageError, match=r"r\.sigmf-meta: .* written \(File too large"):
            _write_until_refused(recorder, written, frames=4)
        recorder.close()
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    json.loads(recorder.meta_path.read_bytes())
    recording = read_recording(tmp_path / "r")
    assert recording.lost_at_end == ""
    _assert_holds(recording, written)


@posix_only
def test_recording_goes_on_once_there_is_room_again(tmp_path: Path) -> None:
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        recorder.write(_block(0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (3000, hard))
        try:
            with pytest.raises(StorageError):
                recorder.write(_block(1))
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        recorder.write(_block(2))
    _assert_holds(read_recording(tmp_path / "r"), [_block(0), _block(2)])


def test_a_block_of_other_channels_is_refused(tmp_path: Path) -> None:
    with (
        Recorder(tmp_path / "r", _plan(), INFO) as recorder,
        pytest.raises(ValueError, match="found 1 channels; give 2"),
    ):
        recorder.write(_block(0, channels=1))


def test_a_long_recording_is_read_ping_by_ping(tmp_path: Path) -> None:
    import tracemalloc

    with Recorder(tmp_path / "r", _plan(), INFO) as recorder:
        for i in range(40):
            recorder.write(_block(i, frames=24000))
    tracemalloc.start()
    for block in read_recording(tmp_path / "r").blocks():
        assert block.samples.shape == (2, 24000)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # A ping is 192 kB, the file 7.7 MB; a ping, its transpose, the block's copy and
    # the one before it make four or five.
    assert peak < 8 * 192_000


def test_a_long_torn_recording_is_read_segment_by_segment(tmp_path: Path) -> None:
    import tracemalloc

    pings = 1000
    _record(tmp_path / "r", 1)
    meta_path, data_path = tmp_path / "r.sigmf-meta", tmp_path / "r.sigmf-data"
    opening, begin, segment = meta_path.read_text().partition('"captures": [')
    (frames,) = re.findall(r'"echobench:samples": (\d+)', segment)
    segment = segment.removesuffix("\n]\n}\n")
    with meta_path.open("w") as meta:
        meta.write(opening + begin)
        for n in range(pings):
            at = n * int(frames)
            placed = segment.replace('sample_start": 0', f'sample_start": {at}')
            placed = placed.replace('index": 0', f'index": {n}', 1)
            placed = re.sub(r'(start_sample": )-?\d+', rf"\g<1>{at}", placed)
            meta.write("," * (n > 0) + placed)
    os.truncate(data_path, pings * data_path.stat().st_size)
    whole = meta_path.stat().st_size
    os.truncate(meta_path, whole - len(segment) // 2)
    tracemalloc.start()
    recording = read_recording(meta_path)
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # The last ping's first line, ahead of its note, is whole.
    assert len(recording.pings) == pings
    assert "cut off" in recording.lost_at_end
    # The file is 0.6 MB. Read whole, its bytes and its text alone would be twice that; a piece is
    # 64 kB, there three or four times as it is cut up, and a ping's row some 70 bytes.
    assert peak < whole
