"""The page of a watched night: for this machine only, nothing from elsewhere, nothing to change."""

import html
import http.client
import json
import re
import socket
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from coldframe.cautions import WATCHING
from coldframe.errors import UsageError
from coldframe.frame import FrameInfo
from coldframe.watching.page import Page
from coldframe.watching.state import Depth, Shown, Snapshot
from coldframe.watching.trends import Light

WHEN = datetime(2026, 3, 14, 21, 0, tzinfo=UTC)


def light(i, used=True):
    when = WHEN.replace(minute=i)
    info = FrameInfo(path=f"{i}.fits", start=when, night="n")
    numbers = Light(f"<b>{i}</b>.fits", when, 100.0 - i, 3.0, 12.5, 0.9)
    return Shown(str(i), info, numbers, used, "" if used else "clouds & <script>alert(1)</script>")


NIGHT = Snapshot(
    version=7,
    night="<script>alert(1)</script>",
    recipe="camera-lens",
    lights=(light(1), light(2), light(3, used=False)),
    stacks=(Depth("light · Reeds · clear", 2, 120.0, 1, 40.0, 900.0, 3.1, 1.4),),
    waiting={"<i>4</i>.fits": "still being written"},
    warnings=("clouds? <b>",),
)


class Served:
    def __init__(self):
        self.night = NIGHT
        self.previews = {"light · Reeds · clear": b"\x89PNG..."}
        self.page = Page(lambda: self.night, lambda: self.previews)

    def ask(self, path, method="GET", host=None, **headers):
        connection = http.client.HTTPConnection("127.0.0.1", self.page.port, timeout=10)
        connection.putrequest(method, path, skip_host=True)
        if host != "":
            connection.putheader("Host", host or f"127.0.0.1:{self.page.port}")
        for name, value in headers.items():
            connection.putheader(name.replace("_", "-"), value)
        connection.endheaders()
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        return answer, body


@pytest.fixture(scope="module")
def served():
    served = Served()
    with served.page:
        yield served


def test_the_page_shows_the_night_and_needs_nothing_from_elsewhere(served):
    answer, body = served.ask("/")
    text = body.decode()
    assert answer.status == 200
    for what in ("camera-lens", "1.40 × less", "<dt>Frames</dt><dd>2<", "still being written"):
        assert what in text
    links = re.findall(r"""(?:src|href|action|url)\s*[=(]\s*["']?([^"')\s>]+)""", text)
    assert links
    assert all(link.startswith(("/preview/", "#")) for link in links), links
    assert "http" not in re.sub(r"http-equiv", "", text)
    policy = answer.headers["Content-Security-Policy"]
    nonce = re.search(r"script-src 'nonce-([^']+)'", policy)[1]
    assert f'<script nonce="{nonce}">' in text
    assert "default-src 'none'" in policy
    assert served.ask("/")[0].headers["Content-Security-Policy"] != policy  # a nonce serves once


def test_the_page_has_the_cautions_for_gear_left_alone(served):
    for path in ("/", "/body"):
        text = html.unescape(served.ask(path)[1].decode())
        for caution in WATCHING:
            assert f"<strong>{caution.title}.</strong> {caution.words}" in text


def test_what_comes_from_files_is_escaped(served):
    for path in ("/", "/body"):
        text = served.ask(path)[1].decode()
        text = re.sub(r'<script nonce="[^"]+">', "", text)
        assert "<script" not in text
        assert "<b>" not in text
        assert "<i>4" not in text
        assert "&lt;script&gt;alert(1)&lt;/script&gt;" in text


@pytest.mark.parametrize(
    "host",
    ["stranger.example", "stranger.example:PORT", "127.0.0.1", "127.0.0.1:1", "", "[::1]:PORT"],
)
def test_a_request_by_another_name_is_refused(served, host):
    """DNS rebinding: a stranger's name that points to 127.0.0.1 (RFC 9110, 15.5.20)."""
    for path in ("/", "/body", "/state.json", "/preview/0.png"):
        answer, body = served.ask(path, host=host.replace("PORT", str(served.page.port)))
        assert answer.status == 421
        assert b"camera-lens" not in body


def test_this_machines_own_names_are_heard(served):
    for name in ("localhost", "LOCALHOST", "127.0.0.1"):
        assert served.ask("/", host=f"{name}:{served.page.port}")[0].status == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS"])
def test_nothing_can_be_changed_through_it(served, method):
    assert served.ask("/", method)[0].status == 501


def test_two_host_headers_are_refused(served):
    with socket.create_connection(("127.0.0.1", served.page.port), timeout=10) as link:
        own = f"127.0.0.1:{served.page.port}"
        link.sendall(f"GET / HTTP/1.1\r\nHost: {own}\r\nHost: evil.example\r\n\r\n".encode())
        assert b" 421 " in link.recv(100)


def test_only_this_machine_is_listened_to(served):
    assert served.page._server.server_address[0] == "127.0.0.1"
    with pytest.raises(UsageError, match="name another --port"):
        Page(lambda: NIGHT, dict, served.page.port)


def test_state_previews_and_what_is_not_there(served):
    answer, body = served.ask("/state.json")
    state = json.loads(body)
    assert answer.headers["Content-Type"] == "application/json"
    assert state["stacks"][0]["frames"] == 2
    assert state["lights"][2]["used"] is False
    answer, body = served.ask("/preview/0.png?frames=2")
    assert (answer.status, answer.headers["Content-Type"], body) == (
        200,
        "image/png",
        b"\x89PNG...",
    )
    for path in ("/preview/1.png", "/preview/..%2f", "/../etc/passwd", "/coldframe-run.json"):
        assert served.ask(path)[0].status == 404
    answer, body = served.ask("/", "HEAD")
    assert (answer.status, body) == (200, b"")
    assert int(answer.headers["Content-Length"]) > 1000


def test_a_window_is_sent_only_what_is_new(served):
    answer, body = served.ask("/body")
    mark = answer.headers["ETag"]
    answer, body = served.ask("/body", If_None_Match=mark)
    assert (answer.status, body) == (304, b"")
    served.night = replace(NIGHT, version=8, phase="finishing")
    try:
        answer, body = served.ask("/body", If_None_Match=mark)
        assert answer.status == 200
        assert "making the final stack" in body.decode()
    finally:
        served.night = NIGHT


def test_headers_keep_other_sites_out(served):
    headers = served.ask("/preview/0.png")[0].headers
    assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Cache-Control"] == "no-store"
    assert "Access-Control-Allow-Origin" not in headers


def test_an_empty_night_has_a_page_too():
    with Page(lambda: Snapshot(night="n"), dict) as page:
        connection = http.client.HTTPConnection("127.0.0.1", page.port, timeout=10)
        connection.request("GET", "/")
        text = connection.getresponse().read().decode()
        connection.close()
    assert "No light is in the picture yet" in text
