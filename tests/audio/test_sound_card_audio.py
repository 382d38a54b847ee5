"""The sound card front end on real streams: PortAudio, a sound server, and a world behind.

What is true is what the world's delay line does, in whole samples. A block is
searched with SciPy's own cross-correlation, not with the program's receiver.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import itertools
import json
import os
import signal
import subprocess
import time

import numpy as np
import pytest
from starvation import spared_s

from dsp.ping.pulse.pulses import linear_chirp
from rig.bench.capture import LEAD_S, LOSS, CaptureFlag
from rig.bench.plan import plan_from_table
from rig.cli import opening
from rig.cli.stand import Reopener
from rig.errors import DeviceError
from rig.front_ends.sound_card.card import open_sound_card
from rig.front_ends.sound_card.devices import list_devices
from rig.run.receiver import Receiver
from rig.run.run import run_of

pytestmark = pytest.mark.audio

RATE_HZ = 48000
CHIRP = {"kind": "chirp", "start_hz": 4000.0, "stop_hz": 12000.0, "duration_s": 0.010}
ECHOES = {700: 0.3, 1417: 0.1}
"""Delay after the direct sound in samples, and gain."""


def taps(bulk: int) -> str:
    """The world's delay line: direct sound after `bulk` samples, and the echoes."""
    return ",".join(f"{bulk + d}:{g}" for d, g in {0: 1.0, **ECHOES}.items())


def plan(pulse=CHIRP, **geometry):
    return plan_from_table({"pulse": pulse, "geometry": geometry})


CHIRP_SAMPLES = linear_chirp(4000.0, 12000.0, 0.010, RATE_HZ).samples


def strength_of(row: np.ndarray) -> np.ndarray:
    from scipy.signal import correlate

    return np.abs(correlate(row, CHIRP_SAMPLES, mode="valid"))


def direct_at(row: np.ndarray) -> int:
    """The sample at which the direct sound stands, by cross-correlation."""
    return int(strength_of(row).argmax())


def arrivals(row: np.ndarray) -> list[int]:
    """Samples at which the direct sound and each echo stand, by cross-correlation."""
    strength = strength_of(row)
    direct = int(strength.argmax())
    near = {d: slice(direct + d - 100, direct + d + 101) for d in ECHOES}
    return [direct, *(direct + d - 100 + int(strength[near[d]].argmax()) for d in ECHOES)]


def good_pairs(blocks):
    """The blocks whose own and next direct sound stand one interval apart, unflagged.

    A stream that slipped far, as on a machine that starves, has its echoes in the next block:
    of those nothing can be told.
    """
    for block, following in itertools.pairwise(blocks):
        if not (block.flags | following.flags) & LOSS:
            direct, of_next = (direct_at(b.samples[0]) for b in (block, following))
            if direct == of_next and direct + max(ECHOES) + 600 < block.samples.shape[1]:
                yield block


def test_blocks_hold_the_worlds_delays_whatever_the_latency(
    server, acoustic_world, heard_or_starved
):
    bulk = 23456  # 0.49 s more than the server's own, as hardware may have

    def heard(_):
        with (
            acoustic_world(server, taps(bulk)),
            open_sound_card(plan(), device=server.device) as card,
        ):
            blocks = list(card.blocks(4))
        assert [b.confirms_only for b in blocks] == [False] * 4 + [True]
        assert {b.samples.shape for b in blocks} == {(1, 12000)}
        assert np.diff([b.start_sample for b in blocks]).tolist() == [12000] * 4
        return blocks if list(good_pairs(blocks)) else None

    blocks = heard_or_starved(server, heard)
    if blocks is None:
        return  # said why
    for block in good_pairs(blocks):
        direct, *echoes = arrivals(block.samples[0])
        assert [e - direct for e in echoes] == list(ECHOES)
    if server.kind == "jack":
        # The dummy driver waits for its clients: not a sample goes astray, and the
        # mark, found with one pulse on opening, stands for good.
        for block in blocks:
            if not block.flags & LOSS:
                assert arrivals(block.samples[0])[0] == round(block.mark_s * RATE_HZ)


def drawn_world(server, acoustic_world, sounds, *, noise=1e-5, knocks=()):
    """A world that gives each of many sounds back so, and knocks; its delays are in samples."""
    layout = server.log.with_name("layout.json")
    table = {"seed": 4, "noise": [noise], "noise_from": 400, "noise_samples": 1}
    table |= {"sounds": [[sounds]] * 40, "knocks": list(knocks)}
    layout.write_text(json.dumps(table), encoding="utf-8")
    return acoustic_world(server, str(layout), script="drawn_world_in_jack.py")


def opening_pings(server, blocks) -> int:
    """How many pings the world heard before those of the blocks."""
    said = server.log.with_name("world.log").read_text(encoding="utf-8")
    return int(said.rpartition("sounds heard: ")[2]) - len(blocks)


SHORT = plan({**CHIRP, "duration_s": 0.005}, baseline_m=0.3)
SHORT_SAMPLES = linear_chirp(4000.0, 12000.0, 0.005, RATE_HZ).samples
BULK = 4800
LOUD = 60
"""Samples from a weak direct sound to the echo that is louder, 1.25 ms."""


def direct_due(blocks, *, louder_later=0):
    """Whether each whole block's mark is due where its direct sound is, by cross-correlation."""
    from scipy.signal import correlate

    for block in blocks:
        if block.flags & LOSS:
            continue
        strength = np.abs(correlate(block.samples[0], SHORT_SAMPLES, mode="valid"))
        yield int(strength.argmax()) - louder_later == round(block.mark_s * RATE_HZ)


SELDOM = dataclasses.replace(SHORT, timing=dataclasses.replace(SHORT.timing, ping_interval_s=1.0))
"""Of :data:`SHORT` a second ping is heard while the first is listened for; of this one not."""


@pytest.mark.parametrize("server", ["jack"], indirect=True)
@pytest.mark.parametrize("plan", [SHORT, SELDOM])
def test_a_plain_direct_sound_is_asked_of_two_pings(server, acoustic_world, plan):
    sounds = [[BULK, 1.0], [BULK + 700, 0.3]]
    with (
        drawn_world(server, acoustic_world, sounds),
        open_sound_card(plan, device=server.device) as card,
    ):
        blocks = list(card.blocks(2))
    assert opening_pings(server, blocks) == 2
    assert all(direct_due(blocks))


@pytest.mark.parametrize("server", ["jack"], indirect=True)
@pytest.mark.parametrize(("plan", "ahead"), [(SHORT, 400), (SHORT, 2400), (SELDOM, 2400)])
def test_a_knock_ahead_of_the_first_pulse_moves_no_block(server, acoustic_world, plan, ahead):
    sounds = [[BULK, 1.0], [BULK + 700, 0.3]]
    # As loud as the direct sound, and the world plays it as it is.
    knocks = [[0, BULK - ahead, 0.1]]
    with (
        drawn_world(server, acoustic_world, sounds, knocks=knocks),
        open_sound_card(plan, device=server.device) as card,
    ):
        blocks = list(card.blocks(2))
    assert opening_pings(server, blocks) == 2
    assert all(direct_due(blocks))


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_a_direct_sound_that_one_ping_leaves_open_opens_by_several(server, acoustic_world):
    # 19 dB below an echo. A third sound, 20 dB below that one, would have what rings ahead of it
    # at a 2E/N0 of 22 dB, too little for one ping: 14 dB is the threshold, and 6 above it are
    # asked for. Sent at −20 dB; a chirp's energy is half its samples.
    share = 10 ** (-19 / 20)
    noise = 0.1 * 0.1 * share * np.sqrt(240 / 2) / 10 ** (22 / 20)
    sounds = [[BULK, share], [BULK + LOUD, 1.0], [BULK + LOUD + 960, 0.1]]
    with (
        drawn_world(server, acoustic_world, sounds, noise=noise),
        open_sound_card(SHORT, device=server.device) as card,
    ):
        blocks = list(card.blocks(5))
        run = run_of(Receiver(SHORT, card.info), blocks)
    assert 1 < opening_pings(server, blocks) <= 8
    assert all(direct_due(blocks, louder_later=LOUD))
    # And no ping's own first sound is in doubt again; a busy machine may lose some.
    assert run.good
    assert not any("nothing tells" in result.reason for result in run.results)


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_what_no_ping_tells_is_refused_in_one_line(server, acoustic_world):
    sounds = [[BULK, 10 ** (-19 / 20)], [BULK + LOUD, 1.0]]
    with (
        drawn_world(server, acoustic_world, sounds, noise=1e-4),
        pytest.raises(
            DeviceError, match=r"^a sound 19 dB weaker stands 1.25 ms ahead of .*loopback"
        ),
    ):
        open_sound_card(SHORT, device=server.device)
    assert opening_pings(server, []) == 8


def blocks_around_a_hiccup(card):
    """Ten pings; after the second nothing is played or heard for 0.3 s."""
    rows = card.blocks(9)
    blocks = [next(rows), next(rows)]
    process = card._link._process.pid
    os.kill(process, signal.SIGSTOP)
    time.sleep(0.3)
    os.kill(process, signal.SIGCONT)
    # On a loaded machine PortAudio's ALSA thread now and then gives the stream up
    # after an overrun. The bench says so, and what came before stays.
    with contextlib.suppress(DeviceError):
        blocks.extend(rows)
    return blocks


def test_a_hiccup_makes_no_wrong_echo_look_good(server, acoustic_world):
    with acoustic_world(server, taps(0)), open_sound_card(plan(), device=server.device) as card:
        blocks = blocks_around_a_hiccup(card)
    good = list(good_pairs(blocks))
    assert good
    for block in good:
        direct, *echoes = arrivals(block.samples[0])
        assert [e - direct for e in echoes] == list(ECHOES)
    if server.kind == "jack":
        assert len(blocks) == 10
        flagged = [block.index for block in blocks if block.flags & LOSS]
        # Block 1 was read before the hiccup. It is reported with the buffers right
        # after it, within the two or three pings under way; the rest is not shifted.
        assert set(flagged) & {2, 3, 4}
        whole = [block for block in blocks if not block.flags & LOSS]
        assert {arrivals(block.samples[0])[0] for block in whole} == {round(LEAD_S * RATE_HZ)}


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_golay_pair_takes_turns(server, acoustic_world):
    pair = {"kind": "golay", "centre_hz": 8000.0, "chip_s": 0.00025, "chips": 16}
    with acoustic_world(server, "0:1.0"), open_sound_card(plan(pair), device=server.device) as card:
        blocks = list(card.blocks(2))
    assert [b.pulse_index for b in blocks] == [0, 1, 0]
    first, second, third = (b.samples[0, :1000] for b in blocks)
    assert np.array_equal(first, third)
    assert not np.array_equal(first, second)


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_an_echo_of_the_ping_before_is_named(server, acoustic_world, heard_or_starved):
    # Every 4800 samples a ping, and an echo 5500 after each direct sound.
    chirp = {**CHIRP, "duration_s": 0.005}
    signed = plan_from_table(
        {
            "pulse": chirp,
            "timing": {"ping_interval_s": 0.1, "signed_pings": True},
            "receiver": {"range_stop_m": 6.0},
        }
    )
    world = "0:1.0,1417:0.2,5500:0.3"

    def heard(_number):
        with acoustic_world(server, world), open_sound_card(signed, device=server.device) as card:
            run = run_of(Receiver(signed, card.info), list(card.blocks(20)))
        return run if len(run.good) >= 10 else None

    run = heard_or_starved(server, heard)
    if run is None:
        return  # said why
    direct = 0.12 / run.receiver.sound_speed_m_s
    own = [(e.delay_s - direct) * RATE_HZ for e in run.measurement.echoes]
    late = [(o.echo.delay_s - direct) * RATE_HZ for o in run.measurement.late]
    # Whole samples; the mark and each echo are placed to some hundredths.
    assert own == pytest.approx([1417], abs=0.1)
    assert late == pytest.approx([5500], abs=0.1)
    assert run.measurement.late[0].pings_before == 1


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_loopback_wire_sets_the_mark(server, acoustic_world):
    with (
        acoustic_world(server, taps(2000), "150"),
        open_sound_card(plan(time_zero="loopback"), device=server.device) as card,
    ):
        assert (card.info.microphone, card.info.loopback) == (0, 1)
        blocks = list(card.blocks(1))
    heard, wire = blocks[0].samples
    # The wire delays by 150 samples, the world's direct sound by 2000.
    assert arrivals(heard)[0] - arrivals(wire)[0] == 1850
    assert abs(arrivals(wire)[0] - blocks[0].mark_s * RATE_HZ) <= 3


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_a_second_row_of_pings_starts_afresh(server, acoustic_world):
    with acoustic_world(server, taps(0)), open_sound_card(plan(), device=server.device) as card:
        rows = card.blocks(3)
        next(rows)
        rows.close()
        blocks = list(card.blocks(1))
    assert [b.index for b in blocks] == [0, 1]
    direct, *echoes = arrivals(blocks[0].samples[0])
    assert [e - direct for e in echoes] == list(ECHOES)


@pytest.mark.parametrize("blow", [signal.SIGKILL, signal.SIGSTOP])
def test_a_server_that_dies_or_hangs_ends_in_an_error_within_3_s(server, acoustic_world, blow):
    with acoustic_world(server, taps(0)), open_sound_card(plan(), device=server.device) as card:
        blocks, got = card.blocks(40), []  # ten seconds' worth
        got += [next(blocks), next(blocks)]
        struck_at = spared_s()
        os.kill(server.process.pid, blow)
        with pytest.raises(DeviceError, match="server"):
            got.extend(blocks)
        card.close()
        assert spared_s() - struck_at < 3.0
    # What came before the blow came whole; what it cut off is there, and says so.
    assert {block.samples.shape for block in got} == {(1, 12000)}
    assert not CaptureFlag.MISSING & got[0].flags
    assert [block.index for block in got if CaptureFlag.MISSING in block.flags] in (
        [],
        [len(got) - 1],
    )


def test_a_server_that_hangs_before_opening_ends_in_an_error_within_3_s(server):
    os.kill(server.process.pid, signal.SIGSTOP)
    began = spared_s()
    with pytest.raises(DeviceError):
        open_sound_card(plan(), device=server.device)
    assert spared_s() - began < 3.0


@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_a_sound_process_that_is_killed_is_an_error_at_once(server, acoustic_world):
    with acoustic_world(server, taps(0)), open_sound_card(plan(), device=server.device) as card:
        rows = card.blocks(40)
        next(rows)
        child = card._link._process  # whatever the sound library may do to its process
        os.kill(child.pid, signal.SIGKILL)
        killed_at = spared_s()
        with pytest.raises(DeviceError, match=r"the sound library crashed .signal 9"):
            list(rows)
        assert spared_s() - killed_at < 1.0


@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_a_stand_goes_on_with_a_sound_card_that_was_lost(server, acoustic_world):
    given = argparse.Namespace(front_end="sound-card", device=server.device, level=-20.0)
    given.scene, given.seed, given.calibration = None, 0, None
    with acoustic_world(server, taps(0)):
        bench = opening.bench_of(given, plan())
        reopen = Reopener(given, plan(), None, bench)
        try:
            results = bench.over(bench.run(), 100)
            next(results)
            os.kill(bench.front_end._link._process.pid, signal.SIGKILL)
            with pytest.raises(DeviceError, match="sound library crashed"):
                list(results)
            again = reopen().results
            # Whether a ping is good is the machine's affair; that they come is the stand's.
            assert [next(again).index for _ in range(3)] == [0, 1, 2]
            again.close()
        finally:
            reopen.close()


@pytest.mark.usefixtures("_packages")
def test_a_sound_set_up_that_aborts_the_library_is_an_error(tmp_path, monkeypatch):
    # Without pcm.default PortAudio 19.6 fails an assertion and aborts (seen here).
    broken = tmp_path / "asound.conf"
    broken.write_text("pcm.other { type null }\n")
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(broken))
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    with pytest.raises(DeviceError, match=r"the sound library crashed .signal 6"):
        list_devices()


@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_a_device_that_vanishes_is_an_error_within_3_s(server, acoustic_world):
    with acoustic_world(server, taps(0)), open_sound_card(plan(), device=server.device) as card:
        rows = card.blocks(40)
        next(rows)
        subprocess.run(["pactl", "unload-module", "module-null-sink"], check=True)
        gone_at = spared_s()
        with pytest.raises(DeviceError):
            list(rows)
        card.close()
        assert spared_s() - gone_at < 3.0


@pytest.mark.parametrize("server", ["pulse"], indirect=True)
def test_silence_from_the_world_is_an_error_that_says_what_to_check(server, acoustic_world):
    with (
        acoustic_world(server, "0:0.0"),
        pytest.raises(DeviceError, match=r"no sound came back.*loudspeaker, microphone and level"),
    ):
        open_sound_card(plan(), device=server.device)


def test_devices_are_listed_by_name(server, acoustic_world):
    with acoustic_world(server, taps(0)):
        names = [listing.name for listing in list_devices()]
    assert server.device in names


@pytest.mark.parametrize("server", ["jack"], indirect=True)
def test_a_plan_at_another_rate_than_jacks_is_refused(server, acoustic_world):
    table = {"pulse": CHIRP, "timing": {"sample_rate_hz": 44100.0}}
    with (
        acoustic_world(server, taps(0)),
        pytest.raises(DeviceError, match=r"runs at 48000 Hz.*44100 Hz.*sample_rate_hz = 48000"),
    ):
        open_sound_card(plan_from_table(table), device=server.device)
