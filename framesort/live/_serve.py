"""The page of the running night, served to browsers on this computer or in the network."""

import asyncio
import hmac
import ipaddress
import socket
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, MutableMapping
from contextlib import contextmanager, suppress
from datetime import UTC, tzinfo
from typing import Any
from urllib.parse import parse_qs, quote

from framesort.errors import InputError, OutputError
from framesort.live._page import POLICY, encode_parts, encode_status, render_status
from framesort.live._status import LiveStatus

__all__ = ["LiveServer", "serve_status"]

_Message = MutableMapping[str, Any]
_Receive = Callable[[], Awaitable[_Message]]
_Send = Callable[[_Message], Awaitable[None]]
_App = Callable[[_Message, _Receive, _Send], Awaitable[None]]

_LEAST_TOKEN = 8
_TICK = 15.0
"""Seconds between signs of life to a page; the page takes 40 s of silence for a broken line."""

_CLIENTS = 64
"""Connections at a time; more are asked to come back."""

_HEADERS = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": f"{POLICY}; frame-ancestors 'none'",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
}


class LiveServer:
    """A running server of the page. Made by `serve_status`.

    Attributes
    ----------
    url : str
        Address of the page, with the token if there is one.
    """

    def __init__(self, get_status: Callable[[], LiveStatus], url: str, zone: tzinfo) -> None:
        self.url = url
        self._get_status = get_status
        self._zone = zone
        self._loop: asyncio.AbstractEventLoop | None = None
        self._news: asyncio.Event | None = None
        self._payload: str | None = None
        self._stopping = False

    def publish(self, status: LiveStatus) -> None:
        """Send a status to all open pages. Any thread may call it; it does not wait for them.

        A page that is slow receives the latest status and none of those between. After the
        server has ended nothing happens.
        """
        payload = encode_parts(status, zone=self._zone)
        self._call(self._tell, payload)

    def _call(self, function: Callable[..., None], *values: Any) -> None:
        """Run a function in the thread of the server, if that still runs."""
        if self._loop is not None:
            with suppress(RuntimeError):  # the loop is closed
                self._loop.call_soon_threadsafe(function, *values)

    def _tell(self, payload: str) -> None:
        self._payload = payload
        self._wake()

    def _wake(self) -> None:
        if self._news is not None:
            self._news.set()
        self._news = asyncio.Event()

    def _current(self) -> str:
        return encode_parts(self._get_status(), zone=self._zone)

    async def _stream(self) -> AsyncIterator[str]:
        """What one page receives: the status now, each that is published, signs of life."""
        seen = self._payload  # what is published while the first is sent follows it
        yield f"retry: 3000\nevent: status\ndata: {self._current()}\n\n"
        while not self._stopping:
            news = self._news
            if self._payload is not None and self._payload is not seen:
                seen = self._payload
                yield f"event: status\ndata: {seen}\n\n"
            elif news is not None:
                try:
                    await asyncio.wait_for(news.wait(), _TICK)
                except TimeoutError:
                    yield "event: tick\ndata: -\n\n"


class _Guard:
    """Lets requests pass that name this server and, where one is needed, the token."""

    def __init__(self, app: _App, *, hosts: frozenset[str], any_address: bool, token: str) -> None:
        self._app = app
        self._hosts = hosts
        self._any_address = any_address
        self._token = token.encode()

    async def __call__(self, scope: _Message, receive: _Receive, send: _Send) -> None:
        if scope["type"] != "http":
            return

        async def send_marked(message: _Message) -> None:
            if message["type"] == "http.response.start":
                marks = [(k.lower().encode(), v.encode()) for k, v in _HEADERS.items()]
                message = {**message, "headers": [*message["headers"], *marks]}
            await send(message)

        headers = dict(scope["headers"])
        if not self._is_ours(headers.get(b"host", b"").decode("latin-1")):
            await _refuse(send_marked, 421, "This server does not answer to that name.\n")
        elif self._token and not self._is_allowed(scope, headers):
            await _refuse(send_marked, 403, "The token is missing or wrong.\n")
        else:
            await self._app(scope, receive, send_marked)

    def _is_ours(self, text: str) -> bool:
        """Whether the address in the browser names this server, and not one that resolves to it.

        A page elsewhere can let its own name resolve to this computer (DNS rebinding); it cannot
        do so with the digits of an address.
        """
        name = _host_name(text)
        return name in self._hosts or (self._any_address and _address(name) is not None)

    def _is_allowed(self, scope: _Message, headers: dict[bytes, bytes]) -> bool:
        kind, _, given = headers.get(b"authorization", b"").partition(b" ")
        query = parse_qs(scope.get("query_string", b"").decode("latin-1"))
        asked = query.get("token", [""])[0].encode("utf-8", "surrogateescape")
        sent = given.strip() if kind.lower() == b"bearer" else b""
        # Both are compared whole, so that the time does not show how much was right.
        right = hmac.compare_digest(asked, self._token), hmac.compare_digest(sent, self._token)
        return any(right)


async def _refuse(send: _Send, status: int, text: str) -> None:
    headers = [(b"content-type", b"text/plain; charset=utf-8")]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": text.encode()})


def _host_name(text: str) -> str:
    """Name or address in a Host header, without the port, in lower case."""
    text = text.strip().lower()
    if text.startswith("["):
        return text.partition("]")[0] + "]"
    return text.partition(":")[0]


def _address(name: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return None


def _bracket(host: str) -> str:
    """A host as it stands in an address: that of IPv6 in brackets."""
    return f"[{host}]" if ":" in host else host


def _own_address(host: str) -> str:
    """Under which address others reach a server that listens on all of them."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_DGRAM) as probe, suppress(OSError):
        # Nothing is sent: the system only chooses the interface. Addresses of documentation.
        probe.connect(("2001:db8::1" if ":" in host else "192.0.2.1", 9))
        return str(probe.getsockname()[0])
    return socket.gethostname()


def _check(host: str, port: int, token: str | None) -> str:
    """The token, "" for none; InputError for a call that would let anyone in."""
    if not 0 <= port <= 65535:
        raise InputError(f"port must be from 0 to 65535, got {port}")
    if token is not None and len(token) < _LEAST_TOKEN:
        raise InputError(f"token must have at least {_LEAST_TOKEN} characters, got {len(token)}")
    address = _address(host)
    loopback = address.is_loopback if address is not None else host == "localhost"
    if not loopback and token is None:
        raise InputError(
            f"host {host!r} can be reached from the network: give a token, or serve on 127.0.0.1"
        )
    return token or ""


def _listen(host: str, port: int) -> socket.socket:
    """A socket that listens; OutputError in one line if it cannot."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    try:
        return socket.create_server((host, port), family=family)
    except (OSError, UnicodeError) as error:
        why = getattr(error, "strerror", None) or "no such address"
        raise OutputError(
            f"cannot serve on {_bracket(host)} port {port}: {why}; "
            "choose another, or port 0 for a free one"
        ) from error


def _make_app(server: LiveServer, guard: dict[str, Any]) -> Any:
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.requests import Request
    from starlette.responses import HTMLResponse, Response, StreamingResponse
    from starlette.routing import Route

    async def page(request: Request) -> Response:
        text = render_status(server._get_status(), zone=server._zone, events="events")
        return HTMLResponse(text.encode("utf-8", "backslashreplace"))

    async def values(request: Request) -> Response:
        text = encode_status(server._get_status())
        return Response(text, media_type="application/json")

    async def events(request: Request) -> Response:
        return StreamingResponse(server._stream(), media_type="text/event-stream")

    return Starlette(
        routes=[Route("/", page), Route("/status.json", values), Route("/events", events)],
        middleware=[Middleware(_Guard, **guard)],
    )


def _start(server: LiveServer, app: Any, listener: socket.socket) -> Callable[[], None]:
    """Run the server in a thread; returns what ends it."""
    import uvicorn

    config = uvicorn.Config(
        app, http="h11", ws="none", lifespan="off", log_config=None, log_level="critical",
        access_log=False, server_header=False, proxy_headers=False, limit_concurrency=_CLIENTS,
        timeout_graceful_shutdown=1,
    )  # fmt: skip
    runner = uvicorn.Server(config)
    ready = threading.Event()

    async def run() -> None:
        server._loop = asyncio.get_running_loop()
        server._wake()
        ready.set()
        await runner.serve(sockets=[listener])
        for connection in list(runner.server_state.connections):
            connection.transport.abort()  # of clients that do not read
        await asyncio.sleep(0.01)

    def finish() -> None:
        server._stopping = True
        runner.should_exit = True
        server._wake()

    def stop() -> None:
        server._call(finish)
        thread.join()

    def live() -> None:
        try:
            asyncio.run(run())
        finally:
            ready.set()

    thread = threading.Thread(target=live, name="framesort-live", daemon=True)
    thread.start()
    ready.wait()
    return stop


@contextmanager
def serve_status(
    get_status: Callable[[], LiveStatus],
    *,
    host: str = "127.0.0.1",
    port: int = 0,
    token: str | None = None,
    zone: tzinfo = UTC,
) -> Iterator[LiveServer]:
    """Serve the page of the running night while the context lasts.

    ``/`` is the page, which renews itself; ``/status.json`` the plain values (`LiveStatus`, NaN
    as null); ``/events`` what the page listens to (server-sent events). Answers may not be
    cached, read by pages of other origins, or framed by them.

    Parameters
    ----------
    get_status : callable
        Gives the status now. It is called in the thread of the server and must not wait.
    host : str
        Address to listen on: by default only browsers on this computer are answered;
        "0.0.0.0" or "::" for all of the network, which needs a token.
    port : int
        0 for any free port.
    token : str or None
        What a request must hold, as ``?token=...`` or as ``Authorization: Bearer ...``; at
        least eight characters. The connection is not encrypted: in a network of strangers use a
        tunnel to 127.0.0.1.
    zone : `~datetime.tzinfo`
        Of the times on the page, UTC by default.

    Yields
    ------
    server : `LiveServer`
        Has ``url``, and ``publish(status)`` to renew the open pages.

    Raises
    ------
    InputError
        The address can be reached from outside and there is no token; the token is too short;
        starlette or uvicorn is not installed.
    OutputError
        The port is in use, or the address is not one of this computer.
    """
    secret = _check(host, port, token)
    try:
        import starlette  # noqa: F401
        import uvicorn  # noqa: F401
    except ImportError as error:
        raise InputError(
            "the page needs starlette and uvicorn: pip install 'framesort[live]'"
        ) from error
    listener = _listen("127.0.0.1" if host == "localhost" else host, port)
    with listener:
        address = _address(host)
        everywhere = host == "" or (address is not None and address.is_unspecified)
        names = {"localhost", "127.0.0.1", "[::1]", _bracket(host).lower()}
        if everywhere:
            own = socket.gethostname().lower()
            names |= {own, f"{own}.local"}
        shown = _own_address(host) if everywhere else host
        query = f"?token={quote(secret, safe='')}" if secret else ""
        url = f"http://{_bracket(shown)}:{listener.getsockname()[1]}/{query}"
        server = LiveServer(get_status, url, zone)
        guard = {"hosts": frozenset(names - {""}), "any_address": everywhere, "token": secret}
        stop = _start(server, _make_app(server, guard), listener)
        try:
            yield server
        finally:
            stop()
