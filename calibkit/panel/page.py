"""The operator's page: a small web server on this machine's own address.

Nobody gets in without the token in the page's address, and one page at a time is the
operator's. It reads nothing but key presses and sends nothing anywhere else. What it
shows is plain data from the session's thread; what is pressed goes back by a queue, as
the same events that the window's keys make.
"""

from __future__ import annotations

import ipaddress
import json
import re
import secrets
import socket
import threading
import time
from collections.abc import Callable, Mapping
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import Empty, Full, Queue
from typing import Any

from calibkit.errors import CallError, DeviceError
from calibkit.panel import document
from calibkit.session.session_words import Key

LOOPBACK = "127.0.0.1"
# A page that has not asked for this long is gone, and another may take over.
GONE_S = 4.0
WAIT_S = 1.0
# A page asks again after 60 ms; so long it can hear that all is over.
FAREWELL_S = 0.3
BODY_LIMIT = 1024
REQUEST_S = 10.0
_KEY = re.compile(r"[a-z0-9_]{1,16}")
_PAGE = re.compile(r"[a-z0-9]{8,40}")


class Page:
    """Serves the operator's view until it is closed.

    Parameters
    ----------
    clock : callable
        The LSL clock, seconds; stamps each press as it arrives.
    address : str
        This machine's address to listen on; loopback reaches this machine alone.
    port : int
        0 takes a free one.

    Raises
    ------
    CallError
        When the address is none of this machine's.
    DeviceError
        When the port is taken.
    """

    def __init__(
        self, clock: Callable[[], float], *, address: str = LOOPBACK, port: int = 0
    ) -> None:
        self.clock = clock
        self.token = secrets.token_urlsafe(18)
        self._news = threading.Condition()
        self._state = b"{}"
        self._serial = 0
        self._keys: Queue[Key] = Queue(64)
        self._operator, self._asked_s = "", float("-inf")
        self.closed = False
        self._server = _listen(self, address, port)
        host, self.port = self._server.server_address[:2]
        self.host = str(host)
        thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        thread.start()

    @property
    def address(self) -> str:
        """Where a browser finds the page."""
        return f"http://{self.host}:{self.port}/{self.token}/"

    @property
    def watched(self) -> bool:
        """Whether a page has asked a moment ago."""
        return time.monotonic() - self._asked_s < GONE_S

    def show(self, state: Mapping[str, Any]) -> None:
        """Show how things stand; what is the same as before is not sent again."""
        text = json.dumps(state, allow_nan=False).encode()
        with self._news:
            if text != self._state:
                self._state, self._serial = text, self._serial + 1
                self._news.notify_all()

    def pressed(self) -> tuple[Key, ...]:
        """Return the keys that were pressed since the last call."""
        found = []
        while True:
            try:
                found.append(self._keys.get_nowait())
            except Empty:
                return tuple(found)

    def close(self) -> None:
        """Say that it is over to whoever looks, and stop serving."""
        watched = self.watched
        self.show({"over": True})
        if watched:
            time.sleep(FAREWELL_S)
        with self._news:
            self.closed = True
            self._news.notify_all()
        self._server.shutdown()
        self._server.server_close()

    # What the requests ask, from their threads.

    def allows(self, host: str) -> bool:
        """Whether a request names the host that we are, and none that was rebound."""
        names = {self.host} | ({"localhost"} if self.host == LOOPBACK else set())
        return host in {f"{name}:{self.port}" for name in names}

    def operates(self, page: str) -> bool:
        """Whether a page is the operator's; it becomes so where there is none."""
        with self._news:
            now_s = time.monotonic()
            if page != self._operator and now_s - self._asked_s < GONE_S:
                return False
            self._operator, self._asked_s = page, now_s
            return True

    def leave(self, page: str) -> None:
        """Let another page be the operator's."""
        with self._news:
            if page == self._operator:
                self._operator, self._asked_s = "", float("-inf")

    def await_news(self, serial: int) -> tuple[int, bytes]:
        """Wait a moment for a state that is not the one with this number."""
        with self._news:
            self._news.wait_for(lambda: self.closed or self._serial != serial, WAIT_S)
            return self._serial, self._state

    def press(self, name: str) -> None:
        """Take a key press; a flood of them is cut off."""
        try:
            self._keys.put_nowait(Key(time_s=self.clock(), name=name))
        except Full:
            return


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    block_on_close = False
    page: Page

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that hangs up is none of the operator's business."""


def _listen(page: Page, address: str, port: int) -> _Server:
    try:
        ipaddress.IPv4Address(address)
    except ValueError:
        raise CallError(
            f"{address!r} is no address of this machine; give one like 192.168.0.5"
        ) from None
    try:
        server = _Server((address, port), _Request)
    except PermissionError as error:
        raise CallError(f"port {port} is reserved; choose one above 1023") from error
    except OSError as error:
        raise DeviceError(
            f"the operator's page cannot be served at {address}:{port} "
            f"({error.strerror}); choose another address or port"
        ) from error
    server.page = page
    return server


class _Request(BaseHTTPRequestHandler):
    """Answers one request; whatever lacks the token gets nothing but 404."""

    server: _Server
    timeout = REQUEST_S
    protocol_version = "HTTP/1.1"
    server_version, sys_version = "calibkit", ""

    def setup(self) -> None:
        super().setup()
        self.connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def do_GET(self) -> None:
        path = self._path()
        if path == "state":
            self._send_state()
        elif path in document.PARTS:
            kind, text = document.part(path)
            self._send(HTTPStatus.OK, kind, text.encode())
        else:
            self._refuse()

    def do_POST(self) -> None:
        path = self._path()
        if path not in ("key", "leave"):
            self._refuse()
            return
        given = self._body()
        page, name = given.get("page", ""), given.get("key", "")
        if not _PAGE.fullmatch(page):
            self._refuse(HTTPStatus.BAD_REQUEST)
        elif path == "leave":
            self.server.page.leave(page)
            self._send(HTTPStatus.NO_CONTENT)
        elif not _KEY.fullmatch(name):
            self._refuse(HTTPStatus.BAD_REQUEST)
        elif not self.server.page.operates(page):
            self._refuse(HTTPStatus.CONFLICT)
        else:
            self.server.page.press(name)
            self._send(HTTPStatus.NO_CONTENT)

    def _send_state(self) -> None:
        page, served = self.headers.get("X-Page", ""), self.server.page
        if not _PAGE.fullmatch(page):
            self._refuse(HTTPStatus.BAD_REQUEST)
        elif not served.operates(page):
            self._refuse(HTTPStatus.CONFLICT)
        else:
            serial = self.headers.get("X-Serial", "")
            number, state = served.await_news(int(serial) if serial.isdigit() else -1)
            kind = "application/json"
            self._send(HTTPStatus.OK, kind, state, {"X-Serial": str(number)})

    def _path(self) -> str | None:
        """What is asked for below the token, or None for whoever does not know it."""
        parts = self.path.split("?")[0].split("/")
        known = len(parts) == 3 and secrets.compare_digest(
            parts[1].encode(), self.server.page.token.encode()
        )
        allowed = self.server.page.allows(self.headers.get("Host", ""))
        open_ = not self.server.page.closed
        return parts[2] if known and allowed and open_ else None

    def _body(self) -> dict[str, str]:
        length = self.headers.get("Content-Length", "")
        if not length.isdigit() or int(length) > BODY_LIMIT:
            return {}
        try:
            found = json.loads(self.rfile.read(int(length)))
        except (ValueError, RecursionError):
            return {}
        texts = found.items() if isinstance(found, dict) else ()
        return {key: value for key, value in texts if isinstance(value, str)}

    def _refuse(self, status: HTTPStatus = HTTPStatus.NOT_FOUND) -> None:
        self.close_connection = True
        self._send(status, "text/plain; charset=utf-8", status.phrase.encode())

    def _send(
        self,
        status: HTTPStatus,
        kind: str = "",
        body: bytes = b"",
        more: Mapping[str, str] | None = None,
    ) -> None:
        self.send_response(status)
        if kind:
            self.send_header("Content-Type", kind)
        if status != HTTPStatus.NO_CONTENT:
            self.send_header("Content-Length", str(len(body)))
        for name, value in {**document.HEADERS, **(more or {})}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: object) -> None:
        """Requests are no news: nothing is logged, the token least of all."""
