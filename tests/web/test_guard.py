"""Who is let in: foreign hosts and origins, missing tokens, paths that lead out, bodies too long, and the one-time token."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from nightfold.web.guard import MOST_BODY_BYTES, Door, Guard


def sentence_of(body: bytes) -> str:
    """The one sentence of an error; never a trace."""
    text = body.decode()
    assert "Traceback" not in text
    found: str = json.loads(text)["error"]["what"]
    assert found
    return found


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8472", "127.0.0.1", "127.0.0.1:1", "[::1]:80", ""])
def test_a_foreign_host_is_refused(page_of_finished: Any, host: str) -> None:
    status, _headers, body = page_of_finished.ask("GET", "/", headers={"Host": host})
    assert status in (400, 403)
    if status == 403:
        assert "its own address" in sentence_of(body)


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://127.0.0.1:1", "https://127.0.0.1", "file://"]
)
@pytest.mark.parametrize("path", ["/", "/api/nights", "/api/jobs/abc/events", "/static/base.js"])
def test_a_foreign_origin_is_refused_everywhere(page_of_finished: Any, origin: str, path: str) -> None:
    status, _headers, body = page_of_finished.ask("GET", path, headers={"Origin": origin})
    assert status == 403
    assert "another page" in sentence_of(body)


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_a_cross_site_event_stream_is_refused(page_of_finished: Any, site: str) -> None:
    headers = {"Sec-Fetch-Site": site, "Accept": "text/event-stream"}
    assert page_of_finished.ask("GET", "/api/jobs/abc/events", headers=headers)[0] == 403


def test_a_person_is_refused_in_plain_words(page_of_finished: Any) -> None:
    headers = {"Host": "evil.example", "Accept": "text/html,*/*"}
    status, sent, body = page_of_finished.ask("GET", "/", headers=headers)
    assert status == 403
    assert sent["content-type"].startswith("text/html")
    assert "its own address" in body.decode()


def test_our_own_origin_passes(page_of_finished: Any) -> None:
    headers = {"Origin": page_of_finished.address, "Sec-Fetch-Site": "same-origin"}
    assert page_of_finished.ask("GET", "/api/nights", headers=headers)[0] == 200


@pytest.mark.parametrize("token", [False, "wrong", "ä"])
@pytest.mark.parametrize("path", ["/api/do/fold", "/api/decide", "/api/open", "/api/do/demo", "/api/jobs/x/stop"])
def test_a_change_needs_the_token(page_of_finished: Any, token: bool | str, path: str) -> None:
    sent = {"X-Nightfold-Token": token.encode("utf-8").decode("latin-1")} if isinstance(token, str) else {}
    status, _headers, body = page_of_finished.ask("POST", path, token=False, headers=sent)
    assert status == 403
    assert "token" in sentence_of(body)
    assert page_of_finished.get("/api/jobs")["jobs"] == []


def test_a_get_changes_nothing(page_of_finished: Any) -> None:
    for path in ("/api/do/fold", "/api/decide", "/api/open"):
        assert page_of_finished.ask("GET", path)[0] in (404, 405)


@pytest.mark.parametrize("way", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT"])
def test_other_ways_are_refused(page_of_finished: Any, way: str) -> None:
    assert page_of_finished.ask(way, "/api/nights")[0] == 405


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e/%2e%2e/campaign.py",
        "/static//etc/passwd",
        "/static/....//app.py",
        "/pictures/../campaign.toml",
        "/api/pictures/1/..%2f..%2fcampaign.toml",
        "/api/pictures/1/campaign.toml",
        "/api/pictures/1/%2fetc%2fpasswd",
        "/api/pictures/1/ledger.sqlite",
        "/nights/..%2f..%2fetc",
        "/api/subs/..%2f1/small.jpg",
        "/api/masters/1/..%2fimage/view",
    ],
)
def test_no_path_leads_out(page_of_finished: Any, path: str) -> None:
    status, _headers, body = page_of_finished.ask("GET", path)
    assert status in (400, 404, 422)
    sentence_of(body)


@pytest.mark.parametrize("path", ["/etc", "/", "/proc/self", "relative", "a\0b", "~", "/nowhere/at/all", ".."])
def test_only_a_persons_own_folders_are_listed(page_of_finished: Any, path: str) -> None:
    from urllib.parse import quote

    status, _headers, body = page_of_finished.ask("GET", f"/api/folders?path={quote(path, safe='')}")
    assert status == 400
    assert "cannot be opened" in sentence_of(body)


@pytest.mark.parametrize(
    "path", ["/etc/passwd", "../../etc/passwd", "/etc/hosts.csv", "/proc/self/environ", "campaign.toml", "%00.fits"]
)
def test_only_frames_of_a_persons_own_folders_are_shown(page_of_finished: Any, path: str) -> None:
    status, _headers, body = page_of_finished.ask("GET", f"/api/look.jpg?path={path}")
    assert status == 400
    assert b"cannot be opened" in body
    wish = {"what": "focus", "path": path}
    status, _headers, body = page_of_finished.ask("POST", "/api/do/optics", wish)
    assert status == 400


@pytest.mark.parametrize(
    "wish",
    [
        {"across": 1.5, "down": 0.5},
        {"across": 0.5, "down": 0.5, "target": "Elsewhere"},
        {"across": 0.5, "down": 0.5, "box_px": [9, 9, 1, 1]},
        {"across": 0.5, "down": 0.5, "box_px": [0, 0, 10**9, 5]},
    ],
)
def test_a_tap_that_cannot_be_is_refused(page_of_finished: Any, wish: dict[str, Any]) -> None:
    whole = {"target": "Lantern Shell", "filter": "Ha", "panel": None, "box_px": [0, 0, 99, 99], **wish}
    assert page_of_finished.ask("POST", "/api/goal", whole)[0] in (400, 422)
    assert page_of_finished.ask("POST", "/api/goal", {**whole, "across": 0.5}, token=False)[0] == 403


def test_long_bodies_are_refused_before_they_are_read(page_of_finished: Any) -> None:
    stated = {"Content-Length": str(MOST_BODY_BYTES + 1)}
    status, _headers, body = page_of_finished.ask("POST", "/api/decide", raw=b"{}", headers=stated)
    assert status == 413
    assert "too long" in sentence_of(body)
    status, _headers, body = page_of_finished.ask("POST", "/api/decide", raw=b"[" * (MOST_BODY_BYTES + 10))
    assert status == 413


def test_a_long_body_without_a_length_is_cut_off(page_of_finished: Any) -> None:
    with socket.create_connection(("127.0.0.1", page_of_finished.port), timeout=20) as line:
        head = (
            f"POST /api/decide HTTP/1.1\r\nHost: 127.0.0.1:{page_of_finished.port}\r\nContent-Type: application/json\r\n"
            f"X-Nightfold-Token: {page_of_finished.door.token}\r\nTransfer-Encoding: chunked\r\n\r\n"
        )
        line.sendall(head.encode())
        chunk = b"10000\r\n" + b" " * 0x10000 + b"\r\n"
        answer = b""
        for _ in range(8):
            try:
                line.sendall(chunk)
            except OSError:
                break
        while not answer.startswith(b"HTTP/1.1 4"):
            got = line.recv(4096)
            assert got
            answer += got
    assert answer.startswith(b"HTTP/1.1 413")


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'"text"',
        b"\xff\xfe",
        b'{"subs": "all", "verdict": "drop"}',
        b'{"subs": [1], "verdict": "burn"}',
        b'{"subs": [], "verdict": "drop"}',
        b'{"subs": [1], "verdict": "drop", "more": 1}',
        b"[" * 100000,
    ],
)
def test_malformed_bodies_get_a_sentence(page_of_finished: Any, raw: bytes) -> None:
    status, _headers, body = page_of_finished.ask("POST", "/api/decide", raw=raw)
    assert status in (400, 422)
    sentence_of(body)


def test_other_kinds_of_body_are_refused(page_of_finished: Any) -> None:
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data"):
        assert page_of_finished.ask("POST", "/api/decide", {}, headers={"Content-Type": kind})[0] == 415


def test_long_addresses_are_refused(page_of_finished: Any) -> None:
    assert page_of_finished.ask("GET", "/" + "a" * 3000)[0] == 414
    assert page_of_finished.ask("GET", "/api/judge?filter=" + "a" * 3000)[0] == 414


@pytest.mark.parametrize("path", ["/", "/api/nights", "/static/base.js", "/nowhere", "/api/jobs/none"])
def test_every_answer_is_strict_with_the_browser(page_of_finished: Any, path: str) -> None:
    _status, headers, _body = page_of_finished.ask("GET", path)
    policy = headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "frame-ancestors 'none'" in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "no-referrer"
    assert "server" not in headers


def test_no_inline_script_or_style_is_on_any_page(page_of_finished: Any) -> None:
    for path in ("/", "/masters", "/picture", "/api"):
        text = page_of_finished.ask("GET", path)[2].decode()
        assert " style=" not in text
        assert "<style" not in text
        assert " onclick" not in text
        for part in text.split("<script")[1:]:
            head = part.split(">")[0]
            assert "src=" in head or 'type="application/json"' in head


def test_nothing_of_the_page_comes_from_elsewhere() -> None:
    folder = Path(__file__).parents[2] / "src" / "nightfold" / "web"
    for path in [*folder.rglob("*.js"), *folder.rglob("*.css"), *folder.rglob("*.html"), *folder.rglob("*.svg")]:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/", "")
        assert "http://" not in text, path
        assert "https://" not in text, path
        assert "eval(" not in text, path
        assert "innerHTML" not in text, path


# -- the local network -------------------------------------------------------------------------------------------------


class Visitor:
    """Requests to a guard as another machine would send them."""

    def __init__(self, door: Door) -> None:
        self.reached = 0
        self.guard = Guard(self._inner, door)

    async def _inner(self, _scope: Any, _receive: Any, send: Any) -> None:
        self.reached += 1
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b"inside"})

    def ask(
        self, path: str, *, query: str = "", cookie: str = "", client: str = "192.0.2.9"
    ) -> tuple[int, dict[str, str]]:
        """Status and headers."""
        sent: list[Any] = []
        headers = [(b"host", b"192.0.2.1:8472")] + ([(b"cookie", cookie.encode())] if cookie else [])
        scope = {
            "type": "http", "method": "GET", "path": path, "raw_path": path.encode(), "query_string": query.encode(), "headers": headers,
            "client": (client, 50000),
        }  # fmt: skip

        async def receive() -> Any:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Any) -> None:
            sent.append(message)

        asyncio.run(self.guard(scope, receive, send))
        return sent[0]["status"], {k.decode(): v.decode() for k, v in sent[0]["headers"]}


@pytest.fixture
def door() -> Door:
    return Door(hosts=frozenset({"192.0.2.1:8472"}), lan=True)


def test_a_stranger_of_the_network_sees_nothing(door: Door) -> None:
    visitor = Visitor(door)
    assert visitor.ask("/")[0] == 401
    assert visitor.ask("/api/nights")[0] == 401
    assert visitor.ask("/static/base.js")[0] == 401
    assert visitor.ask("/", cookie="nightfold_session=guess")[0] == 401
    assert visitor.ask("/", cookie="nightfold_session")[0] == 401
    assert visitor.reached == 0


def test_the_one_time_token_opens_once(door: Door) -> None:
    visitor = Visitor(door)
    entered: list[str] = []
    door.on_entered = lambda: entered.append("again")
    token = door.invite()
    status, headers = visitor.ask("/enter", query=f"token={token}")
    assert (status, headers["location"]) == (303, "/")
    cookie = headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert entered == ["again"]
    assert visitor.ask("/", cookie=cookie.split(";")[0])[0] == 200
    assert visitor.ask("/enter", query=f"token={token}")[0] == 401
    assert visitor.ask("/enter", query="token=")[0] == 401
    assert visitor.ask("/enter")[0] == 401


def test_a_new_invitation_ends_the_one_before(door: Door) -> None:
    old = door.invite()
    door.invite()
    assert Visitor(door).ask("/enter", query=f"token={old}")[0] == 401


def test_an_invitation_grows_old(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    import nightfold.web.guard as guard

    token = door.invite()
    late = guard.time.monotonic() + guard.INVITATION_S + 1
    monkeypatch.setattr(guard.time, "monotonic", lambda: late)
    assert Visitor(door).ask("/enter", query=f"token={token}")[0] == 401


def test_this_machine_needs_no_invitation(door: Door) -> None:
    assert Visitor(door).ask("/", client="127.0.0.1")[0] == 200


def test_without_the_lan_there_is_no_way_in_by_token() -> None:
    door = Door(hosts=frozenset({"192.0.2.1:8472"}))
    visitor = Visitor(door)
    assert visitor.ask("/enter", query="token=x")[0] == 200  # the page itself says that there is nothing
    assert visitor.reached == 1


def test_websockets_are_closed() -> None:
    sent: list[Any] = []

    async def send(message: Any) -> None:
        sent.append(message)

    async def receive() -> Any:
        return {"type": "websocket.connect"}

    guard: Callable[..., Any] = Visitor(Door(hosts=frozenset())).guard
    asyncio.run(guard({"type": "websocket", "headers": [], "path": "/"}, receive, send))
    assert sent == [{"type": "websocket.close", "code": 1008}]
