"""How a page comes into a room: with plain sockets, and as a browser's own requests."""

from __future__ import annotations

import asyncio
import contextlib
import http.client
import json
import re
import struct
import subprocess
import sys
import weakref
from collections.abc import AsyncIterator, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode, urlsplit

from tornado.httpclient import HTTPRequest
from tornado.websocket import WebSocketClientConnection, websocket_connect
from typist import PATIENCE_S

_AT_END: weakref.WeakSet[WebSocketClientConnection] = weakref.WeakSet()
"""Lines whose end was read: it comes but once."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What the server answered."""

    status: int
    headers: dict[str, str]
    cookies: dict[str, str]
    body: bytes


def ask(
    url: str,
    path: str = "/",
    *,
    method: str = "GET",
    body: bytes | None = None,
    headers: dict[str, str] | None = None,
) -> Answer:
    """Ask the server one thing on a connection of its own; follows nothing."""
    line = http.client.HTTPConnection(urlsplit(url).netloc, timeout=PATIENCE_S)
    try:
        line.request(method, path, body=body, headers=headers or {})
        came = line.getresponse()
        given = came.getheaders()
        pairs = (v.partition(";")[0].split("=", 1) for k, v in given if k == "Set-Cookie")
        return Answer(
            status=came.status,
            headers=dict(given),
            cookies=dict(pairs),
            body=came.read(),
        )
    finally:
        line.close()


@contextlib.contextmanager
def served(
    *words: str, folder: Path, environment: Mapping[str, str]
) -> Iterator[tuple[subprocess.Popen[str], str, str]]:
    """Give a command as a process of its own; return it with its room's address and code."""
    process = subprocess.Popen(
        [sys.executable, "-m", "rig.cli", *words],
        cwd=folder,
        env=environment,
        stdin=subprocess.DEVNULL,
        # Nobody reads it: a pipe would be full after some hundred pings, and hold up the next.
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert process.stderr is not None
        said = process.stderr.readline()
        found = re.fullmatch(r"The room: (http://\S+/) code (\w{3} \w{3})\n", said)
        assert found is not None, said + process.stderr.read()
        yield process, found[1], found[2]
    finally:
        process.kill()
        process.communicate(timeout=PATIENCE_S)


def cookie_header(cookies: dict[str, str]) -> dict[str, str]:
    return {"Cookie": "; ".join(f"{name}={value}" for name, value in cookies.items())}


def give_code(url: str, code: str) -> Answer:
    """Open the form, and send a code with it."""
    form = ask(url)
    token = re.search(rb'name="_xsrf" value="([^"]+)"', form.body)
    assert token is not None, form.body
    return ask(
        url,
        "/join",
        method="POST",
        body=urlencode({"_xsrf": token[1].decode(), "code": code}).encode(),
        headers={
            "Content-Type": "application/x-www-form-urlencoded",
            **cookie_header(form.cookies),
        },
    )


def joined(url: str, code: str) -> dict[str, str]:
    """Join, and return the headers by which a page is known from then on."""
    answer = give_code(url, code)
    assert answer.status == 303, answer
    return cookie_header(answer.cookies)


@contextlib.asynccontextmanager
async def opened_line(
    url: str, headers: dict[str, str], *, origin: str | None = None
) -> AsyncIterator[WebSocketClientConnection]:
    """Open a line as a page of the room does, or as one of another origin would; close it."""
    host = urlsplit(url).netloc
    given = {**headers, "Origin": origin or f"http://{host}"}
    line = await websocket_connect(
        HTTPRequest(
            f"ws://{host}/line",
            headers=given,
            connect_timeout=PATIENCE_S,
            request_timeout=PATIENCE_S,
        )
    )
    try:
        yield line
    finally:
        line.close()
        if line not in _AT_END:
            await to_its_end(line)


async def to_its_end(line: WebSocketClientConnection) -> list[str | bytes]:
    """Return what still comes until the line is closed."""
    came = []
    while (message := await asyncio.wait_for(line.read_message(), PATIENCE_S)) is not None:
        came.append(message)
    _AT_END.add(line)
    return came


def frame_words(message: bytes) -> dict[str, Any]:
    """Return what stands before the picture."""
    (length,) = struct.unpack(">I", message[:4])
    words: dict[str, Any] = json.loads(message[4 : 4 + length])
    return words
