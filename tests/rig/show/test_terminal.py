"""Pings as text."""

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dsp.ping.pulse.profiles import EchoProfile
from rig.run.results import LateEcho, PingResult
from rig.show.terminal import ASCII, BLOCKS, echo_table, ruler_lines, strip_line


def strip(bench, result, width=100, encoding="utf-8"):
    return strip_line(
        result, bench.plan, width, sound_speed_m_s=bench.sound_speed_m_s, encoding=encoding
    )


@pytest.mark.parametrize("width", [60, 80, 100, 160])
def test_no_line_is_wider_than_the_terminal(air, rng, width):
    results = [
        *air.passing(4, rng, lost=[2]),
        air.ping(4, [(0.5 + 0.2 * i, -40) for i in range(20)], rng),
    ]
    lines = [strip(air, r, width) for r in results] + list(ruler_lines(air.plan, width))
    assert max(len(line) for line in lines) <= width


def test_echo_stands_under_its_range_on_the_ruler(air, rng):
    names, rule = ruler_lines(air.plan, 130)
    line = strip(air, air.ping(0, [(3.0, -35.0)], rng), 130)
    start, columns = rule.index("+"), len(rule.split()[1])
    # From 1 m on, past the direct sound.
    past = start + columns // 5
    darkest = past + line[past : start + columns].index(BLOCKS[-1])
    tick = names.index(" 3 ") + 1
    # A column is 5 m / 102; the echo's own width, 2 cm, is less than half of one.
    assert rule[tick] == "+"
    assert abs(darkest - tick) <= 1


def test_noise_alone_leaves_the_strip_empty(air, rng):
    result = air.ping(0, [], rng)
    noise = rng.normal(size=(2, result.profile.envelope.size))
    quiet = EchoProfile(envelope=1e-4 * (noise[0] + 1j * noise[1]), bin_s=result.profile.bin_s)
    line = strip(air, dataclasses.replace(result, profile=quiet))
    assert line.split() == ["0", "none"]


def test_stronger_is_darker(air, rng):
    ramp = [
        max(strip(air, air.ping(0, [(2.5, db)], rng))[30:60], key=BLOCKS.index)
        for db in (-66.0, -58.0, -52.0, -46.0, -38.0)
    ]
    assert [BLOCKS.index(c) for c in ramp] == sorted(BLOCKS.index(c) for c in ramp)
    assert len(set(ramp)) >= 4


def test_plain_characters_where_the_terminal_lacks_blocks(air, rng):
    result = air.ping(0, [(2.0, -35.0)], rng)
    for encoding in ("ascii", "latin-1", "no-such-encoding"):
        assert strip(air, result, encoding=encoding).isascii()
    blocks, plain = strip(air, result), strip(air, result, encoding="ascii")
    assert blocks.translate(str.maketrans(BLOCKS, ASCII)) == plain


def test_lost_ping_says_why(air, rng):
    assert "lost: the cable fell out" in strip(
        air, air.ping(7, [], rng, lost="the cable\nfell out")
    )


@given(reason=st.text(max_size=60), encoding=st.sampled_from(["ascii", "cp1252", "utf-8"]))
def test_any_reason_is_one_line_that_the_terminal_can_show(reason, encoding):
    from rig.bench.plan import Plan
    from rig.bench.pulse_kinds import Chirp

    plan = Plan(pulse=Chirp(start_hz=4e3, stop_hz=12e3, duration_s=0.01))
    lost = PingResult(index=0, sent_s=0.0, lost=True, reason=reason)
    line = strip_line(lost, plan, 80, sound_speed_m_s=343.0, encoding=encoding)
    line.encode(encoding)
    assert len(line.splitlines()) == 1


def test_echoes_that_find_no_room_are_counted(air, rng):
    result = air.ping(0, [(0.5 + 0.4 * i, -40.0) for i in range(9)], rng)
    assert strip(air, result).endswith("0.500 0.900 1.300 +6")


def test_late_echoes_and_those_not_told_are_counted_and_no_line_is_too_long(air, rng):
    ping = air.ping(0, [(0.5 + 0.2 * i, -40) for i in range(20)], rng)
    late = [LateEcho(echo=e, pings_before=1, seems_m=e.range_m) for e in ping.echoes[:12]]
    for own in (ping.echoes[:1], ping.echoes):
        line = strip(air, dataclasses.replace(ping, echoes=own, late=late, untold=ping.echoes), 80)
        assert line.endswith(f"; 12 late; {len(ping.echoes)} ?")
        assert len(line) <= 80


def test_table_has_a_line_for_each_echo_nearest_first(air, rng):
    head, *lines = echo_table(air.ping(0, [(2.5, -40.0), (1.25, -50.0)], rng).echoes)
    assert head.startswith("range / m")
    assert [line.split()[0] for line in lines] == ["1.2500", "2.5000"]
    assert {len(line) for line in lines} == {len(head)}
    # 2·√(1.25² + 0.06²)/343.963 s, by hand.
    assert lines[0].split()[2] == "7.2766"
