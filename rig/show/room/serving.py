"""What is served over the network: two pages, our script and style, and a line to each page.

All of it runs on one thread of its own, and knows nothing of the bench: pictures and words are
put in from outside, and what a page sends goes to one :class:`rig.show.room.asking.Asking`.
"""

from __future__ import annotations

import asyncio
import json
import logging
import time
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable
from typing import Any, cast

from tornado import httputil, web
from tornado.httpserver import HTTPServer
from tornado.iostream import IOStream
from tornado.websocket import WebSocketClosedError, WebSocketHandler

from rig.show.room import limits, pages
from rig.show.room.asking import MOST_ANSWER, MOST_KEY, MOST_NICKNAME, Asking, Message
from rig.show.room.joining import Joining
from rig.show.room.picture import Frame

ELSEWHERE, NO_ROOM = 4001, 4002
"""Why a line was closed, for our script (RFC 6455, 7.4.2: 4000 to 4999 are private)."""

_FRAMED = frozenset({"iframe", "frame", "embed", "object"})

_LONGEST = {"key": MOST_KEY, "answer": MOST_ANSWER, "nickname": MOST_NICKNAME}


class Served:
    """All that the server's thread knows.

    Parameters
    ----------
    joining : Joining
    hosts : frozenset of str
        That a browser may name.
    cookie : str
        The name of the word that a browser keeps; another for each port, since browsers
        do not tell ports apart.
    came : callable
        Called when a page has come, so that somebody draws for it.

    Attributes
    ----------
    lines : dict of str to Line
        Those that are open, by visitor.
    frame : Frame or None
        The newest.
    asking : Asking or None
    """

    def __init__(
        self, joining: Joining, *, hosts: frozenset[str], cookie: str, came: Callable[[], None]
    ) -> None:
        self.joining, self.hosts, self.cookie, self.came = joining, hosts, cookie, came
        self.lines: dict[str, Line] = {}
        self.frame: Frame | None = None
        self.asking: Asking | None = None
        self.requests = limits.Buckets(limits.REQUESTS, time.monotonic)
        self.waiting: OrderedDict[IOStream, None] = OrderedDict()

    def show(self, frame: Frame) -> None:
        """Give a picture out to all pages."""
        self.frame = frame
        for line in self.lines.values():
            line.wake()

    def ask(self, asking: Asking | None) -> None:
        """Have all pages ask anew what is asked of them; of another one, or of none."""
        self.asking = asking
        for line in self.lines.values():
            line.ask()

    async def end(self, words: str, *, within_s: float) -> None:
        """Tell all pages that no more will come, and close their lines."""
        lines = list(self.lines.values())
        for line in lines:
            line.end(words)
        until_s = time.monotonic() + within_s
        while self.lines and time.monotonic() < until_s:
            await asyncio.sleep(0.02)


class RoomServer(HTTPServer):
    """An HTTP server that holds but so many connections that are no page's line."""

    served: Served

    def handle_stream(self, stream: IOStream, address: tuple[Any, ...]) -> None:
        """Take a connection; where there are too many, drop the one that waits longest.

        Who has asked for too much is not even read: to answer a flood costs more than to make it.
        """
        if self.served.requests[str(address[0])].empty:
            stream.close()
            return
        waiting = self.served.waiting
        waiting[stream] = None
        while len(waiting) > limits.MOST_WAITING:
            oldest, _ = waiting.popitem(last=False)
            oldest.close()
        super().handle_stream(stream, address)

    def on_close(self, server_conn: object) -> None:
        """Forget a connection that is closed, or has become a page's line."""
        self.served.waiting.pop(cast(Any, server_conn).stream, None)
        super().on_close(server_conn)


def server(served: Served) -> RoomServer:
    """Return the server, which listens to nothing yet."""
    # It would tell of each page that goes in the middle of a word, on a class's projector.
    logging.getLogger("tornado.general").setLevel(logging.CRITICAL)
    routes: list[Any] = [
        (r"/", _Front),
        (r"/join", _Join),
        (r"/line", Line),
        (r"/own", _Own),
        (r"/asked/([A-Za-z0-9-]{1,40})\.png", _Picture),
        (r"/(room\.css|room\.js)", _OwnFile),
    ]
    application = _Doorkeeper(
        routes,
        served=served,
        default_handler_class=_Nothing,
        xsrf_cookies=True,
        xsrf_cookie_name=f"{served.cookie}-form",
        xsrf_cookie_kwargs={"httponly": True, "samesite": "Strict"},
        log_function=lambda _handler: None,
        websocket_max_message_size=limits.MESSAGE_BYTES,
        websocket_ping_interval=15.0,
        websocket_ping_timeout=15.0,
    )
    made = RoomServer(
        application,
        idle_connection_timeout=limits.IDLE_S,
        body_timeout=limits.IDLE_S / 3,
        max_header_size=limits.HEADER_BYTES,
        max_body_size=limits.BODY_BYTES,
        max_buffer_size=4 * limits.HEADER_BYTES,
        chunk_size=limits.HEADER_BYTES,
    )
    made.served = served
    return made


class _Doorkeeper(web.Application):
    """Looks at each request's head before its body is read."""

    def start_request(
        self, server_conn: object, request_conn: httputil.HTTPConnection
    ) -> httputil.HTTPMessageDelegate:
        """Return what takes the request's parts as they come."""
        taking = super().start_request(server_conn, request_conn)
        address = str(cast(Any, request_conn).context.remote_ip)
        return _Head(taking, self.settings["served"], address)


class _Head(httputil.HTTPMessageDelegate):
    """Lets through what does not come too often, names this bench, and is no upload."""

    def __init__(self, taking: httputil.HTTPMessageDelegate, served: Served, address: str) -> None:
        self._taking, self._served, self._from = taking, served, address

    def headers_received(
        self,
        start_line: httputil.RequestStartLine | httputil.ResponseStartLine,
        headers: httputil.HTTPHeaders,
    ) -> Awaitable[None] | None:
        if not self._served.requests[self._from].take():
            raise httputil.HTTPInputError("too much at once")  # and the connection is closed
        if headers.get("Host", "").lower() not in self._served.hosts:
            raise httputil.HTTPInputError("another host is meant")
        kind = headers.get("Content-Type", "")
        if kind and kind.partition(";")[0].strip().lower() != "application/x-www-form-urlencoded":
            raise httputil.HTTPInputError("no form of ours")
        return self._taking.headers_received(start_line, headers)

    def data_received(self, chunk: bytes) -> Awaitable[None] | None:
        return self._taking.data_received(chunk)

    def finish(self) -> None:
        self._taking.finish()

    def on_connection_close(self) -> None:
        self._taking.on_connection_close()


class _Page(web.RequestHandler):
    """What all answers have in common."""

    policy = pages.POLICY

    @property
    def served(self) -> Served:
        found: Served = self.settings["served"]
        return found

    @property
    def visitor(self) -> str | None:
        return self.served.joining.visitor(self.get_cookie(self.served.cookie))

    @property
    def address(self) -> str:
        return self.request.remote_ip or ""

    def set_default_headers(self) -> None:
        for name, value in pages.HEADERS.items():
            self.set_header(name, value)
        self.set_header("Content-Security-Policy", self.policy.format(host=self.request.host))
        self.clear_header("Server")

    def prepare(self) -> None:
        """Refuse what lies in another page, or is asked for by one."""
        refuse(self)

    def compute_etag(self) -> str | None:
        return None

    def write_error(self, status_code: int, **_how: Any) -> None:
        framed = status_code == 403
        words = "Open the address itself" if framed else "There is nothing here"
        self.finish(pages.bare_page(words))

    def log_exception(self, kind: Any, value: Any, trace: Any) -> None:
        """Tell of our own faults; of visitors nothing is kept."""
        if not isinstance(value, web.HTTPError):
            logging.getLogger("rig.show.room").error("room", exc_info=(kind, value, trace))


def refuse(handler: Any) -> None:
    """Raise where a request lies in another's page, or is asked for by one."""
    headers = handler.request.headers
    if headers.get("Sec-Fetch-Dest", "") in _FRAMED:
        raise web.HTTPError(403)
    site, mode = headers.get("Sec-Fetch-Site", ""), headers.get("Sec-Fetch-Mode", "")
    if site == "cross-site" and (mode != "navigate" or handler.request.method != "GET"):
        raise web.HTTPError(403)


class _Nothing(_Page):
    """Any other path, by any method."""

    def prepare(self) -> None:
        refuse(self)
        raise web.HTTPError(404)

    def check_xsrf_cookie(self) -> None:
        pass


class _Front(_Page):
    """The bench for who has joined, the form for who has not."""

    def get(self) -> None:
        if self.visitor is not None:
            self.finish(pages.room_page())
            return
        self.finish(pages.join_page(self.xsrf_form_html()))


class _Join(_Page):
    """Takes the code."""

    def get(self) -> None:
        self.redirect("/")

    def post(self) -> None:
        joining = self.served.joining
        kept = joining.join(self.get_body_argument("code", ""), self.address)
        if kept is None:
            often = joining.tried_too_often(self.address)
            words = (
                "Too many wrong codes came from here: wait a minute, then type it again."
                if often
                else "That is not the code. It has six letters and digits: look again."
            )
            self.set_status(429 if often else 403)
            self.finish(pages.join_page(self.xsrf_form_html(), refused=words))
            return
        self.set_cookie(self.served.cookie, kept, httponly=True, samesite="Lax")
        self.redirect("/", status=303)


class _OwnFile(_Page):
    """Our script and our style, which hold no secret."""

    def get(self, name: str) -> None:
        kind = "css" if name.endswith(".css") else "javascript"
        self.set_header("Content-Type", f"text/{kind}; charset=utf-8")
        self.finish(pages.own_file(name))


class _Own(_Page):
    """A visitor's own guesses, to print or keep."""

    policy = pages.SHEET_POLICY

    def get(self) -> None:
        asking, visitor = self.served.asking, self.visitor
        sheet = "" if asking is None or visitor is None else asking.own(visitor)
        if not sheet:
            raise web.HTTPError(404)
        self.finish(sheet)


class _Picture(_Page):
    """The picture of a question."""

    def get(self, key: str) -> None:
        asking = self.served.asking
        found = None if asking is None or self.visitor is None else asking.picture(key)
        if found is None:
            raise web.HTTPError(404)
        self.set_header("Content-Type", "image/png")
        self.finish(found)


class Line(WebSocketHandler):
    """The line to one page: the newest picture once it has seen the last, and what is asked.

    Nothing is queued but a few replies, so that a page that reads slowly costs no memory and
    is sent fewer pictures, and none late.
    """

    def initialize(self) -> None:
        """Begin with nothing sent."""
        self.served: Served = self.settings["served"]
        self.visitor = ""
        self._woken = asyncio.Event()
        self._replies: deque[dict[str, Any]] = deque(maxlen=4)
        self._may_send, self._asks, self._sent = True, True, 0
        self._over: str | None = None
        self._messages = limits.Bucket(limits.MESSAGES, time.monotonic)
        self._answers = limits.Bucket(limits.ANSWERS, time.monotonic)
        self._sending: asyncio.Task[None] | None = None

    def prepare(self) -> None:
        """Refuse who has not joined, before there is a line."""
        refuse(self)
        visitor = self.served.joining.visitor(self.get_cookie(self.served.cookie))
        if visitor is None:
            raise web.HTTPError(403)
        self.visitor = visitor

    def set_default_headers(self) -> None:
        """Say no more than is needed."""
        self.clear_header("Server")

    def write_error(self, status_code: int, **_how: Any) -> None:
        """Answer with the bare number."""
        self.finish(str(status_code))

    def log_exception(self, kind: Any, value: Any, trace: Any) -> None:
        """Tell of our own faults; of visitors nothing is kept."""
        if not isinstance(value, (web.HTTPError, WebSocketClosedError)):
            logging.getLogger("rig.show.room").error("room", exc_info=(kind, value, trace))

    def check_origin(self, origin: str) -> bool:
        """Take a page of ours alone; tornado asks where it is not sure, and is told no."""
        host = origin.lower().partition("://")[2]
        return host in self.served.hosts and origin.lower().startswith("http://")

    def open(self, *_args: str, **_kwargs: str) -> None:
        """Begin to send; of one browser's two pages the older gives way."""
        lines = self.served.lines
        older = lines.pop(self.visitor, None)
        if older is not None:
            older.close(ELSEWHERE)
        if len(lines) >= limits.MOST_PAGES:
            self.close(NO_ROOM)
            return
        lines[self.visitor] = self
        self.set_nodelay(True)
        self._woken.set()
        self._sending = asyncio.create_task(self._send())
        self.served.came()

    def on_close(self) -> None:
        """Forget the line; the visitor may come back."""
        if self.served.lines.get(self.visitor) is self:
            del self.served.lines[self.visitor]
        if self._sending is not None:
            self._sending.cancel()

    def wake(self) -> None:
        """Look again what is to be sent."""
        self._woken.set()

    def ask(self) -> None:
        """Send what is asked now."""
        self._asks = True
        self._woken.set()

    def end(self, words: str) -> None:
        """Send a last picture and last words."""
        self._over = words
        self._woken.set()

    def on_message(self, message: str | bytes) -> None:
        """Take what the page sent; what is no message of ours closes the line."""
        if not self._messages.take():
            self.close(NO_ROOM)
            return
        sent = _read_message(message)
        if sent is None:
            self.close(NO_ROOM)
            return
        if "seen" in sent:
            self._may_send = True
        elif self.served.asking is not None:
            if self._answers.take():
                reply = self.served.asking.take(self.visitor, cast(Message, sent))
                self._replies.append({"said": reply["said"]})
            else:
                self._replies.append({"said": "Too much at once: wait a moment, then send again."})
            self._asks = True
        self._woken.set()

    async def _send(self) -> None:
        try:
            while True:
                await self._woken.wait()
                self._woken.clear()
                async with asyncio.timeout(limits.SLOW_S):
                    await self._send_all()
                if self._over is not None:
                    self.close(1000)
                    return
        except (WebSocketClosedError, TimeoutError):
            self.close(NO_ROOM)
        except Exception as problem:  # what asks the class has broken: told, and no page hangs
            self.log_exception(type(problem), problem, problem.__traceback__)
            self.close(NO_ROOM)

    async def _send_all(self) -> None:
        if self._asks:
            self._asks = False
            asking = self.served.asking
            await self._say({"asked": None if asking is None else asking.asked(self.visitor)})
        while self._replies:
            await self._say(self._replies.popleft())
        frame = self.served.frame
        due = frame is not None and frame.number > self._sent
        if frame is not None and due and (self._may_send or self._over is not None):
            self._may_send, self._sent = False, frame.number
            await self.write_message(frame.message, binary=True)
        if self._over is not None:
            await self._say({"over": self._over})

    async def _say(self, message: dict[str, Any]) -> None:
        await self.write_message(json.dumps(message, ensure_ascii=False))


def _read_message(message: str | bytes) -> dict[str, Any] | None:
    """Return what a page of ours may send; None for anything else."""
    if isinstance(message, bytes):
        return None
    try:
        sent = json.loads(message)
    except (ValueError, RecursionError):
        return None
    if not isinstance(sent, dict):
        return None
    if set(sent) == {"seen"}:
        return sent if type(sent["seen"]) is int else None
    if set(sent) not in ({"key", "answer"}, {"nickname"}):
        return None
    for name, value in sent.items():
        if not isinstance(value, str) or len(value) > _LONGEST[name] or not value.isprintable():
            return None
    return sent
