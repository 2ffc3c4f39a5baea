"""The watched night as a small web page, for this machine only.

It is served on the loopback address alone, needs nothing from elsewhere, and cannot be made to do
anything: it knows GET and HEAD. A request must name this machine (the Host header), so that no
page of a stranger can read it through a name that points here (DNS rebinding).
"""

from __future__ import annotations

import json
import logging
import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

from coldframe.cautions import WATCHING
from coldframe.errors import UsageError
from coldframe.report.numbers import duration, number
from coldframe.report.plots import measure_plot
from coldframe.report.record import FrameRecord
from coldframe.watching.state import Shown, Snapshot, waiting_words

if TYPE_CHECKING:
    import jinja2

log = logging.getLogger("coldframe")

HOST = "127.0.0.1"

_PLOTS: tuple[tuple[str, str, str], ...] = (
    ("stars", "Stars", ""),
    ("fwhm", "FWHM", "px"),
    ("sky", "Sky", "ADU/s"),
    ("flux", "Starlight, of the first frame’s", ""),
)

_POLICY = (
    "default-src 'none'; img-src 'self'; connect-src 'self'; style-src 'unsafe-inline'; "
    "script-src 'nonce-{nonce}'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)


@dataclass(frozen=True, slots=True)
class Answer:
    """One response."""

    status: HTTPStatus
    kind: str = "text/plain; charset=utf-8"
    body: bytes = b""
    headers: tuple[tuple[str, str], ...] = ()


class _Server(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """A browser that went away in the middle is no matter for the terminal."""
        log.debug("the page: a request failed", exc_info=True)


class Page:
    """Serves a night from a thread of its own. Use as a context manager.

    night, previews : give the newest snapshot, and previews (PNG) by the stack's label.
    port : 0 takes a free one. Raises UsageError when the port is taken.
    """

    def __init__(
        self,
        night: Callable[[], Snapshot],
        previews: Callable[[], Mapping[str, bytes]],
        port: int = 0,
    ) -> None:
        self._night, self._previews = night, previews
        self._drawn: tuple[tuple[Shown, ...], list[tuple[str, str]]] = ((), [])
        self._lock = threading.Lock()
        page = self

        class Handler(BaseHTTPRequestHandler):
            server_version, sys_version = "coldframe", ""
            protocol_version = "HTTP/1.1"
            timeout = 30  # s that an idle connection may hold a thread

            def do_GET(self) -> None:
                self._send(page.answer(self.path, self._only("Host"), self._only("If-None-Match")))

            do_HEAD = do_GET  # noqa: N815 - the name is http.server's

            def _only(self, name: str) -> str:
                """A header's value; "" when it is missing or said more than once."""
                found = self.headers.get_all(name) or []
                return found[0] if len(found) == 1 else ""

            def _send(self, answer: Answer) -> None:
                self.send_response(answer.status)
                for header, value in (*_SAFE, *answer.headers):
                    self.send_header(header, value)
                if answer.status != HTTPStatus.NOT_MODIFIED:
                    self.send_header("Content-Type", answer.kind)
                    self.send_header("Content-Length", str(len(answer.body)))
                self.end_headers()
                if self.command != "HEAD":
                    self.wfile.write(answer.body)

            def log_message(self, *_args: Any) -> None:
                """Say nothing: the terminal shows the night."""

        try:
            self._server = _Server((HOST, port), Handler)
        except OSError as error:
            raise UsageError(
                f"cannot serve the page on port {port}: {error.strerror}; name another --port"
            ) from None
        self.port: int = self._server.server_address[1]
        self._hosts = {f"{name}:{self.port}" for name in (HOST, "localhost")}
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)

    def __enter__(self) -> Page:
        self._thread.start()
        return self

    def __exit__(self, *problem: object) -> None:
        self._server.shutdown()
        self._server.server_close()

    @property
    def url(self) -> str:
        """Where a browser on this machine finds it."""
        return f"http://{HOST}:{self.port}/"

    def answer(self, path: str, host: str, mark: str = "") -> Answer:
        """What is answered to a GET. mark : the ETag the browser has."""
        if host.lower() not in self._hosts:
            return Answer(
                HTTPStatus.MISDIRECTED_REQUEST, body=b"This page is for this machine only.\n"
            )
        night = self._night()
        where = path.partition("?")[0]
        if where == "/":
            nonce = secrets.token_urlsafe(16)
            text = _template("page.html").render(nonce=nonce, **self._shown(night))
            policy = ("Content-Security-Policy", _POLICY.format(nonce=nonce))
            return Answer(HTTPStatus.OK, "text/html; charset=utf-8", text.encode(), (policy,))
        if where == "/body":
            etag = f'"{night.version}"'
            if mark == etag:
                return Answer(HTTPStatus.NOT_MODIFIED, headers=(("ETag", etag),))
            text = _template("body.html").render(**self._shown(night))
            return Answer(
                HTTPStatus.OK, "text/html; charset=utf-8", text.encode(), (("ETag", etag),)
            )
        if where == "/state.json":
            return Answer(HTTPStatus.OK, "application/json", json.dumps(night.to_dict()).encode())
        previews = self._previews()
        for place, stack in enumerate(night.stacks):
            if where == f"/preview/{place}.png" and stack.label in previews:
                return Answer(HTTPStatus.OK, "image/png", previews[stack.label])
        return Answer(HTTPStatus.NOT_FOUND, body=b"There is no such page.\n")

    def _plots(self, night: Snapshot) -> list[tuple[str, str]]:
        """Drawn once, however many windows look; never while a run draws its report."""
        with self._lock:
            if night.phase == "watching" and self._drawn[0] is not night.lights:
                self._drawn = night.lights, plots(night.lights)
            return self._drawn[1]

    def _shown(self, night: Snapshot) -> dict[str, Any]:
        starts = [s.light.start for s in night.lights if s.light.start]
        return {
            "night": night,
            "used": sum(s.used for s in night.lights),
            "last": f"{max(starts):%H:%M}" if starts else "",
            "plots": self._plots(night),
            "waiting": waiting_words(night),
            "cautions": WATCHING,
            "number": number,
            "duration": duration,
        }


_SAFE = (
    ("Cache-Control", "no-store"),
    ("X-Content-Type-Options", "nosniff"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("X-Frame-Options", "DENY"),
)


def plots(lights: tuple[Shown, ...]) -> list[tuple[str, str]]:
    """Title and drawing of each measure that any light has."""
    out = []
    for name, title, unit in _PLOTS:
        frames = []
        for shown in lights:
            value = getattr(shown.light, name)
            measures = {} if value is None else {name: float(value)}
            frames.append(FrameRecord(shown.id, shown.info, measures, shown.used))
        if len(frames) > 1:
            svg = measure_plot(frames, _measure(name), title, unit, name)
            if svg is not None:
                out.append((f"{title}, {unit}" if unit else title, svg))
    return out


def _measure(name: str) -> Callable[[FrameRecord], float | None]:
    return lambda frame: frame.measures.get(name)


@lru_cache(maxsize=2)
def _template(name: str) -> jinja2.Template:
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("coldframe", "watching"),
        autoescape=True,
        trim_blocks=True,
        undefined=jinja2.StrictUndefined,
    )
    return environment.get_template(name)
