"""What stands between the network and the page: who may ask, from where, how much, and what a browser may do with it.

Pure ASGI, so that it sees every request, event streams included, before any other code. In order: the Host must be one of
ours (a foreign name that resolves to this machine is refused: rebinding), an Origin must be ours, a browser's
Sec-Fetch-Site must not tell of another site, sizes are limited, a visitor from the local network must have entered with the
one-time token, and a change needs the token of this run. Every answer carries a strict Content-Security-Policy.
"""

from __future__ import annotations

import hmac
import json
import secrets
import time
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass, field
from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

MOST_BODY_BYTES = 256_000
MOST_PATH = 2048
MOST_QUERY = 2048
TOKEN_HEADER = b"x-nightfold-token"
COOKIE = "nightfold_session"
ENTER_PATH = "/enter"
INVITATION_S = 900.0
MOST_SESSIONS = 20
METHODS = ("GET", "HEAD", "POST")

HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (
        b"content-security-policy",
        b"default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
        b"manifest-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'",
    ),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
)


@dataclass(slots=True)
class Door:
    """Who is let in: the names this page answers to, the token for changes, and invitations for the local network.

    Attributes
    ----------
    hosts : frozenset of str
        Host headers that are ours, with their port.
    lan : bool
        True if the page is open to the local network: then visitors from other machines need a session.
    on_entered : callable
        Called when an invitation was used, so that the next can be shown.
    """

    hosts: frozenset[str]
    lan: bool = False
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    on_entered: Callable[[], None] = lambda: None
    _invitations: dict[str, float] = field(default_factory=dict)
    _sessions: list[str] = field(default_factory=list)

    def invite(self) -> str:
        """A token that opens the page once, within a quarter of an hour. An earlier one that was not used ends."""
        self._invitations.clear()
        made = secrets.token_urlsafe(24)
        self._invitations[made] = time.monotonic() + INVITATION_S
        return made

    def enter(self, invitation: str) -> str | None:
        """A session for an invitation that holds; the invitation is used up."""
        found = next((i for i in self._invitations if hmac.compare_digest(i.encode(), invitation.encode())), None)
        if found is None or self._invitations.pop(found) < time.monotonic():
            return None
        session = secrets.token_urlsafe(32)
        self._sessions = [*self._sessions, session][-MOST_SESSIONS:]
        self.on_entered()
        return session

    def knows(self, session: str) -> bool:
        """True if this session was given out by this run."""
        return any(hmac.compare_digest(s.encode(), session.encode()) for s in self._sessions)

    def origins(self) -> frozenset[str]:
        """Origins that are ours."""
        return frozenset(f"http://{host}" for host in self.hosts)


class Guard:
    """The ASGI application around the page's own."""

    def __init__(self, app: App, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request through, or answer it with a sentence."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            return

        async def send_safely(message: Message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), *HEADERS]}
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send_safely, *refusal, as_page=_wants_page(scope))
            return
        if self._door.lan and scope["path"] == ENTER_PATH and scope["method"] == "GET":
            await self._enter(scope, send_safely)
            return
        if not self._is_known(scope):
            text = "This page asks for an invitation: scan the code, or type the address, that Nightfold printed where it was started."
            await _answer(send_safely, 401, text, as_page=_wants_page(scope))
            return
        if scope["method"] != "POST":
            await self._app(scope, receive, send_safely)
            return
        body, refusal = await _body(receive, _headers(scope))
        if refusal is not None:
            await _answer(send_safely, *refusal)
            return
        await self._app(scope, _replay(body, receive), send_safely)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        """Status and sentence for a request that may not pass; None for one that may."""
        headers = _headers(scope)
        hosts = headers.get(b"host", [])
        if len(hosts) != 1 or hosts[0].decode("latin-1").lower() not in self._door.hosts:
            return 403, "This page answers only to its own address; open the one that Nightfold printed."
        for origin in headers.get(b"origin", []):
            if origin.decode("latin-1").lower() not in self._door.origins():
                return 403, "The request comes from another page; nothing was done."
        for site in headers.get(b"sec-fetch-site", []):
            if site not in (b"same-origin", b"none"):
                return 403, "The request comes from another page; open this one by its address."
        if scope["method"] not in METHODS:
            return 405, f"The page knows {', '.join(METHODS)} only."
        if len(scope.get("raw_path") or b"") > MOST_PATH or len(scope.get("query_string") or b"") > MOST_QUERY:
            return 414, f"The address is too long; at most {MOST_PATH} characters."
        if scope["method"] == "POST":
            given = headers.get(TOKEN_HEADER, [b""])[0]
            if not hmac.compare_digest(given, self._door.token.encode()):
                return 403, "The request lacks the token of this run; load the page again."
            kind = headers.get(b"content-type", [b""])[0].split(b";")[0].strip().lower()
            if kind != b"application/json":
                return 415, "The page takes JSON only."
        return None

    def _is_known(self, scope: Scope) -> bool:
        """Whoever sits at this machine, or entered with an invitation."""
        client = scope.get("client")
        if not self._door.lan or (client is not None and client[0] in ("127.0.0.1", "::1")):
            return True
        jar: SimpleCookie = SimpleCookie()
        try:
            for raw in _headers(scope).get(b"cookie", []):
                jar.load(raw.decode("latin-1"))
        except CookieError:
            return False
        return COOKIE in jar and self._door.knows(jar[COOKIE].value)

    async def _enter(self, scope: Scope, send: Send) -> None:
        """Use an invitation up and hand out a session; the address without the token replaces it in the browser."""
        given = parse_qs((scope.get("query_string") or b"").decode("latin-1")).get("token", [""])[0]
        session = self._door.enter(given)
        if session is None:
            text = "This invitation was used or is too old; Nightfold shows a new one where it was started."
            await _answer(send, 401, text, as_page=_wants_page(scope))
            return
        cookie = f"{COOKIE}={session}; Path=/; HttpOnly; SameSite=Strict"
        await _answer(send, 303, "Welcome.", ((b"location", b"/"), (b"set-cookie", cookie.encode())))


def _wants_page(scope: Scope) -> bool:
    """A person asks by an address, not a program."""
    return any(b"text/html" in v for v in _headers(scope).get(b"accept", []))


def _headers(scope: Scope) -> dict[bytes, list[bytes]]:
    found: dict[bytes, list[bytes]] = {}
    for name, value in scope["headers"]:
        found.setdefault(name.lower(), []).append(value)
    return found


async def _body(receive: Receive, headers: dict[bytes, list[bytes]]) -> tuple[bytes, tuple[int, str] | None]:
    """The whole body, or a refusal as soon as it proves too long."""
    too_long = (413, f"The request is too long; at most {MOST_BODY_BYTES // 1000} kB.")
    stated = headers.get(b"content-length", [b"0"])[0]
    if not stated.isdigit() or int(stated) > MOST_BODY_BYTES:
        return b"", too_long
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return b"", (400, "The request ended early.")
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > MOST_BODY_BYTES:
            return b"", too_long
        if not message.get("more_body", False):
            return b"".join(parts), None


def _replay(body: bytes, receive: Receive) -> Receive:
    """A receive that gives the body that was read already, then waits for the visitor to leave."""
    given = False

    async def replay() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return replay


async def _answer(
    send: Send, status: int, text: str, more: tuple[tuple[bytes, bytes], ...] = (), *, as_page: bool = False
) -> None:
    """A sentence as JSON, in the shape of every error here, or as the plainest of pages for a person."""
    document = {"error": {"what": text, "seen": "", "allowed": "", "next": ""}}
    body = json.dumps(document, ensure_ascii=False).encode()
    kind = b"application/json; charset=utf-8"
    if as_page:
        page = f'<!doctype html><html lang="en"><meta name="color-scheme" content="dark"><title>Nightfold</title><p>{escape(text)}</p></html>'
        body, kind = page.encode(), b"text/html; charset=utf-8"
    headers = [
        (b"content-type", kind),
        (b"content-length", str(len(body)).encode()),
        (b"cache-control", b"no-store"),
        *more,
    ]
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})
