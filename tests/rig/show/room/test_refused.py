"""What the room refuses; the run goes on in each case."""

from __future__ import annotations

import asyncio
import contextlib
import json
import re
import socket
import struct
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from urllib.parse import urlencode, urlsplit

import numpy as np
import pytest
from room_visits import (
    ask,
    cookie_header,
    frame_words,
    give_code,
    joined,
    opened_line,
    to_its_end,
)
from tornado.httpclient import HTTPClientError
from tornado.websocket import WebSocketClientConnection, WebSocketClosedError
from typist import PATIENCE_S

from rig.show.room import limits
from rig.show.room.address import Address, read_address
from rig.show.room.room import Room

DOTS = np.full((72, 128, 4), 255, np.uint8)
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


@dataclass(frozen=True, slots=True)
class Watched:
    """A room, and the headers of a page that has joined."""

    room: Room
    headers: dict[str, str]

    @property
    def place(self) -> tuple[str, int]:
        found = urlsplit(self.room.url)
        assert found.hostname is not None
        assert found.port is not None
        return found.hostname, found.port


def raw(watched: Watched, sent: bytes) -> bytes:
    """Send bytes on a plain socket, and return all that comes until it is closed."""
    with socket.create_connection(watched.place, timeout=PATIENCE_S) as line:
        came = b""
        with contextlib.suppress(OSError):  # closed while we were still sending
            line.sendall(sent)
            line.shutdown(socket.SHUT_WR)
            while more := line.recv(65536):
                came += more
    return came


def hold_still(share: limits.Bucket) -> None:
    """Let no time pass for a share, which would grow again while a busy machine is about it."""
    share._clock_s = lambda: share._then_s


async def tried(url: str, headers: dict[str, str], *, origin: str | None = None) -> None:
    """Open a line and close it again."""
    async with opened_line(url, headers, origin=origin):
        pass


def wrong_code(watched: Watched) -> None:
    answer = give_code(watched.room.url, "AAAAAA")
    assert answer.status == 403
    assert list(answer.cookies) == [name for name in answer.cookies if name.endswith("-form")]


def no_code(watched: Watched) -> None:
    for path in ("/", "/own", "/asked/one.png"):
        answer = ask(watched.room.url, path)
        assert answer.status == (200 if path == "/" else 404)
        assert b"picture" not in answer.body
    with pytest.raises(HTTPClientError, match="403"):
        asyncio.run(tried(watched.room.url, {}))


def many_wrong_codes(watched: Watched) -> None:
    """After a dozen the right one is refused too, from that address, until some time has gone."""
    hold_still(watched.room._served.joining._wrong["127.0.0.1"])
    stati = {give_code(watched.room.url, "BBBBBB").status for _ in range(12)}
    assert stati <= {403, 429}
    assert give_code(watched.room.url, watched.room.code).status == 429


def form_without_token(watched: Watched) -> None:
    body = urlencode({"code": watched.room.code}).encode()
    assert ask(watched.room.url, "/join", method="POST", body=body, headers=FORM).status == 403


def form_from_elsewhere(watched: Watched) -> None:
    headers = {**FORM, "Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    headers |= cookie_header({f"room-{watched.place[1]}-form": "x"})
    body = urlencode({"code": watched.room.code, "_xsrf": "x"}).encode()
    assert ask(watched.room.url, "/join", method="POST", body=body, headers=headers).status == 403


def line_of_another_origin(watched: Watched) -> None:
    for origin in ("http://127.0.0.1:1", "https://example.org", "null", "file://"):
        with pytest.raises(HTTPClientError, match="403"):
            asyncio.run(tried(watched.room.url, watched.headers, origin=origin))


def another_host(watched: Watched) -> None:
    """A name of somebody else's that was led here (DNS rebinding)."""
    for host in ("example.org", f"example.org:{watched.place[1]}", "127.0.0.1", ""):
        answer = ask(watched.room.url, headers={**watched.headers, "Host": host})
        assert answer.status == 400
        assert answer.body == b""


def framed(watched: Watched) -> None:
    headers = {**watched.headers, "Sec-Fetch-Dest": "iframe", "Sec-Fetch-Site": "cross-site"}
    answer = ask(watched.room.url, headers=headers)
    assert answer.status == 403
    for path in ("/", "/room.js", "/nothing", "/own"):
        told = ask(watched.room.url, path, headers=watched.headers).headers
        assert told["X-Frame-Options"] == "DENY"
        assert "frame-ancestors 'none'" in told["Content-Security-Policy"]
        assert "default-src 'none'" in told["Content-Security-Policy"]
        assert told["Cache-Control"] == "no-store"
        assert told["X-Content-Type-Options"] == "nosniff"
        assert told["Referrer-Policy"] == "no-referrer"
        assert "Server" not in told


def oversize_body(watched: Watched) -> None:
    head = f"POST /join HTTP/1.1\r\nHost: {watched.place[0]}:{watched.place[1]}\r\n"
    long = b"x" * (limits.BODY_BYTES + 1)
    for how in (f"Content-Length: {len(long)}\r\n", "Transfer-Encoding: chunked\r\n"):
        chunked = f"{len(long):x}\r\n".encode() + long + b"\r\n0\r\n\r\n"
        body = chunked if "chunked" in how else long
        came = raw(watched, f"{head}{how}\r\n".encode() + body)
        assert came.startswith(b"HTTP/1.1 400") or came == b""


def oversize_head(watched: Watched) -> None:
    head = f"GET / HTTP/1.1\r\nHost: {watched.place[0]}:{watched.place[1]}\r\nX: "
    came = raw(watched, head.encode() + b"y" * 10 * limits.HEADER_BYTES + b"\r\n\r\n")
    assert b"200" not in came[:20]


def upload(watched: Watched) -> None:
    """By its head alone: the body is not read, so that the answer may be lost with the connection.

    RFC 9112, 9.6: what a server closes with bytes unread, the client's system resets.
    """
    body = b'--b\r\nContent-Disposition: form-data; name="code"\r\n\r\nx\r\n--b--\r\n'
    head = (
        f"POST /join HTTP/1.1\r\nHost: {watched.place[0]}:{watched.place[1]}\r\n"
        "Content-Type: multipart/form-data; boundary=b\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    came = raw(watched, head.encode() + body)
    assert came.startswith(b"HTTP/1.1 400") or came == b""


def garbage_for_http(watched: Watched) -> None:
    rng = np.random.default_rng(5)
    for _ in range(20):
        came = raw(watched, rng.bytes(500) + b"\r\n\r\n")
        assert came == b"" or came.startswith(b"HTTP/1.1 400")


def path_tricks(watched: Watched) -> None:
    for path in (
        "/../pyproject.toml",
        "/..%2f..%2fetc/passwd",
        "//etc/passwd",
        "/room.js/../../room.py",
        "/asked/../../x.png",
        "/asked/%2e%2e.png",
        "/static/room.js",
        "/room.js%00",
        "/./room.css",
        "/ROOM.JS",
    ):
        assert ask(watched.room.url, path, headers=watched.headers).status in (400, 404), path


def other_methods(watched: Watched) -> None:
    for method in ("PUT", "DELETE", "PATCH", "OPTIONS", "POST", "TRACE"):
        answer = ask(watched.room.url, "/", method=method, headers=watched.headers)
        assert answer.status in (400, 403, 405), method


def flood_of_requests(watched: Watched) -> None:
    """What one address asks for beyond its share is not answered, and soon not even read."""
    most = int(limits.REQUESTS[1])
    head = f"GET / HTTP/1.1\r\nHost: {watched.place[0]}:{watched.place[1]}\r\n\r\n".encode()
    share = watched.room._served.requests["127.0.0.1"]
    hold_still(share)
    came = raw(watched, head * 3 * most)
    assert came.count(b"HTTP/1.1 200") <= most
    assert share.empty
    assert raw(watched, head) == b""
    share._left = float(most)  # for the page that follows


def idle_connections(watched: Watched) -> None:
    """Many who hold a connection and ask for nothing keep nobody out."""
    with contextlib.ExitStack() as held:
        lines = [
            held.enter_context(socket.create_connection(watched.place, timeout=PATIENCE_S))
            for _ in range(4 * limits.MOST_WAITING)
        ]
        # An answer comes while they are held; the oldest were let go for it.
        assert ask(watched.room.url, headers=watched.headers).status == 200
        assert len(watched.room._served.waiting) <= limits.MOST_WAITING
        assert lines[0].recv(1) == b""


def half_requests(watched: Watched) -> None:
    """So do those who ask, and never to the end."""
    with contextlib.ExitStack() as held:
        for _ in range(2 * limits.MOST_WAITING):
            line = held.enter_context(socket.create_connection(watched.place, timeout=PATIENCE_S))
            line.sendall(b"GET / HTTP/1.1\r\nHost: ")
        assert ask(watched.room.url, headers=watched.headers).status == 200


def garbage_on_the_line(watched: Watched) -> None:
    async def closed_after(sent: str | bytes) -> bool:
        headers = joined(watched.room.url, watched.room.code)
        async with opened_line(watched.room.url, headers) as line:
            await line.write_message(sent, binary=isinstance(sent, bytes))
            await to_its_end(line)
        return True

    for sent in (
        "no JSON",
        "[" * 1000,
        "[]",
        "{}",
        '{"seen": "1"}',
        '{"seen": true}',
        '{"key": "one"}',
        '{"key": 1, "answer": "2"}',
        '{"key": "one", "answer": "2", "stop": true}',
        json.dumps({"key": "one", "answer": "x" * 81}),
        json.dumps({"nickname": "a\nb"}),
        json.dumps({"nickname": "\u202etxet"}),
        "x" * (limits.MESSAGE_BYTES + 1),
        b"\x00\xff",
    ):
        assert asyncio.run(asyncio.wait_for(closed_after(sent), PATIENCE_S)), sent


def garbage_frames(watched: Watched) -> None:
    """Bytes that are no frames, once the line stands."""
    host = f"{watched.place[0]}:{watched.place[1]}"
    head = (
        f"GET /line HTTP/1.1\r\nHost: {host}\r\nOrigin: http://{host}\r\nUpgrade: websocket\r\n"
        "Connection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n"
        f"Cookie: {joined(watched.room.url, watched.room.code)['Cookie']}\r\n\r\n"
    ).encode()
    huge = struct.pack(">BBQ", 0x82, 0xFF, 1 << 40)
    for frames in (b"\xff" * 64, huge, bytes(range(256)), b"\x81\x05hello"):
        came = raw(watched, head + frames)
        assert came.startswith(b"HTTP/1.1 101")


def flood_on_the_line(watched: Watched) -> None:
    async def flooded() -> int:
        headers = joined(watched.room.url, watched.room.code)
        before = set(watched.room._served.lines.values())
        async with opened_line(watched.room.url, headers) as line:
            await line.read_message()  # the server knows the page by then
            (page,) = [p for p in watched.room._served.lines.values() if p not in before]
            hold_still(page._messages)
            with contextlib.suppress(WebSocketClosedError):
                for _ in range(5 * int(limits.MESSAGES[1])):
                    await line.write_message('{"seen": 1}')
            await to_its_end(line)
        return line.close_code or 0

    assert asyncio.run(asyncio.wait_for(flooded(), PATIENCE_S)) == 4002


CASES = [
    *(wrong_code, no_code, many_wrong_codes, form_without_token, form_from_elsewhere),
    *(line_of_another_origin, another_host, framed, oversize_body, oversize_head, upload),
    *(garbage_for_http, path_tricks, other_methods, flood_of_requests, idle_connections),
    *(half_requests, garbage_on_the_line, garbage_frames, flood_on_the_line),
]


async def sees_up_to(line: WebSocketClientConnection, number: int) -> None:
    """See pictures, as a page does, until one of that number or of a later one."""
    seen = 0
    while seen < number:
        message = await asyncio.wait_for(line.read_message(), PATIENCE_S)
        assert message is not None
        if isinstance(message, bytes):
            seen = int(frame_words(message)["number"])
            await line.write_message(json.dumps({"seen": seen}))


@contextlib.contextmanager
def running(room: Room) -> Iterator[Callable[[], int]]:
    """Give the room a picture again and again, as a run does; return how many it took."""
    ended = threading.Event()
    given = 0

    def run() -> None:
        nonlocal given
        while not ended.wait(0.02):
            room.show(DOTS, f"Ping {given}", ["1.2 m"])
            given += 1

    thread = threading.Thread(target=run)
    thread.start()
    try:
        yield lambda: given
    finally:
        ended.set()
        thread.join()


@pytest.mark.parametrize("refused", CASES, ids=lambda case: case.__name__)
def test_refused_while_the_run_goes_on(
    room: Room, refused: Callable[[Watched], None], caplog: pytest.LogCaptureFixture
) -> None:
    async def sees_a_new_picture(headers: dict[str, str], past: int) -> None:
        async with opened_line(room.url, headers) as line:
            await sees_up_to(line, past + 1)

    headers = joined(room.url, room.code)
    with running(room) as given:
        asyncio.run(sees_a_new_picture(headers, 0))
        before = given()
        refused(Watched(room, headers))
        frame = room._served.frame
        assert frame is not None
        asyncio.run(sees_a_new_picture(headers, frame.number))
        assert given() > before
    # Nothing stands on the teacher's terminal, nor anything about who came.
    assert [record.getMessage() for record in caplog.records] == []


@pytest.mark.parametrize("limit", ["MOST_PAGES", "MOST_FROM_ONE"])
def test_no_more_pages_than_have_room_are_let_in(
    room: Room, monkeypatch: pytest.MonkeyPatch, limit: str
) -> None:
    monkeypatch.setattr(limits, limit, 2)

    async def come() -> list[int | None]:
        async with contextlib.AsyncExitStack() as held:
            lines = [
                await held.enter_async_context(opened_line(room.url, joined(room.url, room.code)))
                for _ in range(3)
            ]
            await to_its_end(lines[2])
            return [line.close_code for line in lines]

    assert asyncio.run(come()) == [None, None, 4002]


def test_who_joins_again_stays_who_it_is(room: Room) -> None:
    known = joined(room.url, room.code)
    form = ask(room.url)
    token = re.search(rb'name="_xsrf" value="([^"]+)"', form.body)
    assert token is not None, form.body
    again = ask(
        room.url,
        "/join",
        method="POST",
        body=urlencode({"_xsrf": token[1].decode(), "code": room.code}).encode(),
        headers={
            **FORM,
            "Cookie": f"{known['Cookie']}; {cookie_header(form.cookies)['Cookie']}",
        },
    )
    assert again.status == 303
    assert again.cookies == {}


def test_page_that_reads_nothing_is_sent_one_picture_and_holds_up_nobody(room: Room) -> None:
    async def watch() -> None:
        async with (
            opened_line(room.url, joined(room.url, room.code)) as still,
            opened_line(room.url, joined(room.url, room.code)) as quick,
        ):
            await sees_up_to(quick, 5)
            still.close()
            pictures = [m for m in await to_its_end(still) if isinstance(m, bytes)]
            assert len(pictures) == 1

    with running(room):
        asyncio.run(watch())


@pytest.mark.parametrize("text", ["0.0.0.0", "[::]:80", "*", "a b", "224.0.0.1", "1.2.3.4:70000"])
def test_no_address_but_one_of_this_computer_is_taken(text: str) -> None:
    with pytest.raises(ValueError, match="found"):
        read_address(text)


def test_nothing_but_the_loopback_address_is_served_unless_another_is_named() -> None:
    with Room(Address(port=0)) as room:
        assert urlsplit(room.url).hostname == "127.0.0.1"
        assert room.alone
