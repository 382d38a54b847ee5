"""Codes, addresses and words of the room."""

from __future__ import annotations

import dataclasses
import math
import socket
import threading

import numpy as np
import pytest
from PIL import Image, ImageOps
from typist import PATIENCE_S

from rig.errors import DeviceError
from rig.run.results import Echo, LateEcho, PingResult, Side
from rig.show.room import limits
from rig.show.room.address import Address, bound, hosts_of, read_address, url_of
from rig.show.room.invitation import qr_lines, qr_modules, room_lines
from rig.show.room.joining import LENGTH, LETTERS, Joining, new_code
from rig.show.room.room import Room
from rig.show.room.serving import RoomServer, Served, server
from rig.show.room.words import MOST_ECHOES, ping_words


def test_code_has_no_letter_that_looks_like_another() -> None:
    codes = {new_code() for _ in range(200)}
    assert len(codes) == 200
    assert all(len(code) == LENGTH and set(code) <= set(LETTERS) for code in codes)
    assert not set(LETTERS) & set("IL1O0S5")


def test_wrong_codes_are_told_from_right_ones_and_wear_out_an_address_alone() -> None:
    clock = [0.0]
    joining = Joining("ABC234", lambda: clock[0])
    assert joining.join("abc 2-34", "10.0.0.2") is not None
    for _ in range(int(limits.WRONG_CODES[1])):
        assert joining.join("ABC235", "10.0.0.3") is None
    assert joining.join("ABC234", "10.0.0.3") is None
    assert joining.tried_too_often("10.0.0.3")
    assert joining.join("ABC234", "10.0.0.2") is not None
    clock[0] += 1 / limits.WRONG_CODES[0]
    assert joining.join("ABC234", "10.0.0.3") is not None


def test_trying_all_codes_from_many_addresses_takes_longer_than_a_room_is_open() -> None:
    tries_a_second = limits.WRONG_CODES_IN_ALL[0]
    # Half of them, on average, at the pace at which wrong ones are looked at.
    assert len(LETTERS) ** LENGTH / 2 / tries_a_second > 100 * 24 * 3600
    joining = Joining("ABC234", lambda: 0.0)
    for number in range(int(limits.WRONG_CODES_IN_ALL[1])):
        joining.join("wrong", f"10.0.{number}.1")
    assert joining.join("ABC234", "10.1.0.1") is None


def test_visitors_are_told_apart_and_their_words_are_not_those_they_keep() -> None:
    joining = Joining("ABC234", lambda: 0.0)
    kept = [joining.join("ABC234", "10.0.0.2") for _ in range(3)]
    visitors = [joining.visitor(word) for word in kept]
    assert len(set(visitors)) == 3
    assert not set(kept) & set(visitors)
    assert joining.visitor("another") is None
    assert joining.visitor(None) is None


def test_who_is_here_is_not_forgotten_for_those_who_join_again_and_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(limits, "MOST_JOINED", 4)
    clock, here = [0.0], set[str | None]()
    joining = Joining("ABC234", lambda: clock[0], here=here.__contains__)
    kept = [joining.join("ABC234", "10.0.0.2") for _ in range(2)]
    here |= {joining.visitor(word) for word in kept}
    for _ in range(20):
        assert joining.join("ABC234", "10.0.0.3") is not None
    assert {joining.visitor(word) for word in kept} == here
    assert joining.joined > len(here)
    clock[0] += 1.0
    joined = [joining.join("ABC234", "10.0.0.4") for _ in range(70)]
    assert joined[-1] is None, "one address joins but so often"
    clock[0] += 60.0
    assert joining.join("ABC234", "10.0.0.4") is not None


def test_host_that_a_browser_may_name_is_the_address_with_its_port_alone() -> None:
    address = read_address("127.0.0.1:0")
    listening = bound(address)
    try:
        port = listening.getsockname()[1]
        assert hosts_of(address, listening) == {f"127.0.0.1:{port}", f"localhost:{port}"}
        assert url_of(address, listening) == f"http://127.0.0.1:{port}/"
        with pytest.raises(DeviceError, match=f"port {port}.*name an address"):
            bound(Address(port=port))
    finally:
        listening.close()


def test_taken_port_that_nobody_named_gives_way_to_a_free_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        monkeypatch.setattr("rig.show.room.address.PORT", other.getsockname()[1])
        listening = bound(Address())
        assert listening.getsockname()[1] != other.getsockname()[1]
        listening.close()


def test_qr_picture_on_a_terminal_has_the_modules_of_the_picture() -> None:
    """Read back by the lamps that a letter lights: a module is dark where its half is not lit."""
    link = "http://192.168.4.17:8470/#ABC234"
    halves = {"█": (0, 0), "▀": (0, 1), "▄": (1, 0), " ": (1, 1)}
    rows: list[list[int]] = []
    for line in qr_lines(link):
        letters = [halves[letter] for letter in line[len("\x1b[97;40m") : -len("\x1b[0m")]]
        rows += [[upper for upper, _ in letters], [lower for _, lower in letters]]
    modules = qr_modules(link)
    size = len(modules)
    assert np.array_equal(np.array(rows)[2 : 2 + size, 2 : 2 + size], modules)
    # The three corners of every QR picture: a dark ring, a light one, a dark middle
    # (ISO/IEC 18004, finder pattern; from memory).
    finder = ImageOps.expand(Image.new("1", (3, 3), 1), 1, 0)
    finder = np.array(ImageOps.expand(finder, 1, 1)).astype(bool)
    for corner in (modules[:7, :7], modules[:7, -7:], modules[-7:, :7]):
        assert np.array_equal(corner, finder)


def test_room_says_for_whom_it_is() -> None:
    with Room(Address(port=0)) as room:
        lines = room_lines(room)
    assert room.url in lines[0]
    assert "Only this computer" in lines[1]
    assert room.link == f"{room.url}#{room.code}"


def test_room_that_does_not_begin_to_serve_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    go_on = threading.Event()

    def late(served: Served) -> RoomServer:
        go_on.wait(PATIENCE_S)
        return server(served)

    monkeypatch.setattr("rig.show.room.room.server", late)
    monkeypatch.setattr("rig.show.room.room._BEGIN_S", 0.01)
    with pytest.raises(DeviceError, match=r"room: nothing answers at http.* leave --room out"):
        Room(Address(port=0))
    go_on.set()
    for thread in threading.enumerate():
        if thread.name == "room":
            thread.join(PATIENCE_S)
            assert not thread.is_alive()


def echo(range_m: float, u_range_m: float = 0.001, strength_db: float = -31.4) -> Echo:
    return Echo(
        range_m=range_m,
        path_m=2 * range_m,
        delay_s=range_m / 170,
        u_range_m=u_range_m,
        strength_db=strength_db,
        snr_db=30.0,
        bound_m=0.0001,
    )


def ping(*echoes: Echo, reason: str | None = None) -> PingResult:
    return PingResult(
        index=17,
        sent_s=1.7,
        lost=reason is not None,
        reason=reason or "",
        echoes=echoes,
    )


def test_words_tell_each_echo_with_twice_its_uncertainty() -> None:
    head, lines = ping_words(ping(echo(1.5), echo(0.8, 0.02), echo(0.9, 0.1, math.nan)))
    assert head == "Ping 17: 3 echoes"
    assert lines == ("0.80 m ± 4 cm, −31 dB", "0.90 m ± 0.2 m", "1.500 m ± 2 mm, −31 dB")


def test_words_tell_of_a_lost_ping_why_it_is_lost() -> None:
    assert ping_words(ping(reason="the cable is out")) == (
        "Ping 17: lost",
        ("the cable is out",),
    )
    assert ping_words(ping()) == ("Ping 17: no echo above the threshold", ())
    assert ping_words(None) == ("No ping yet", ())


def test_words_say_to_which_side_as_two_receivers_tell_it_and_which_echo_is_late() -> None:
    def aside(angle_deg: float) -> Echo:
        side = Side(angle_rad=math.radians(angle_deg), u_angle_rad=0.01)
        return dataclasses.replace(echo(1.0), side=side)

    _, lines = ping_words(ping(aside(13.6), aside(-12.6), aside(-0.2), aside(math.nan)))
    # Angles are positive to the left, as the sketch from above draws them.
    sides = ("13° to the right", "14° to the left", "straight ahead")
    assert {line.split("dB")[1] for line in lines} == {"", *(f", {side}" for side in sides)}
    late = LateEcho(echo=echo(6.0), pings_before=1, seems_m=0.84)
    head, lines = ping_words(dataclasses.replace(ping(), late=(late,)))
    assert head == "Ping 17: no echo above the threshold"
    assert lines == ("late: 6.000 m, of the ping before; it seems 0.840 m",)


def test_words_count_echoes_that_are_too_many_to_be_read() -> None:
    head, lines = ping_words(ping(*(echo(0.5 + 0.1 * n) for n in range(12))))
    assert head == "Ping 17: 12 echoes"
    assert lines[MOST_ECHOES:] == ("and 4 more, farther away",)
