"""The server around the page: where it listens, what it prints, and how it ends."""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable
from pathlib import Path

import segno
import uvicorn

from nightfold.errors import SettingsError
from nightfold.web.app import create_app
from nightfold.web.guard import ENTER_PATH, Door

MOST_AT_ONCE = 100
GRACE_S = 2


def serve(folder: Path, *, port: int, lan: bool, say: Callable[[str], None]) -> None:
    """Serve the page until Ctrl-C. `say` is given what a person should read."""
    listening = _listen("0.0.0.0" if lan else "127.0.0.1", port)
    port = listening.getsockname()[1]
    other = _lan_address() if lan else None
    if lan and other is None:
        listening.close()
        raise SettingsError(
            "this machine has no address in a local network", next_step="connect it, or leave --lan out"
        )
    names = ["127.0.0.1", "localhost", *([other] if other else [])]
    door = Door(hosts=frozenset(f"{name}:{port}" for name in names), lan=lan)

    def invite() -> None:
        address = f"http://{other}:{port}{ENTER_PATH}?token={door.invite()}"
        say(f"For the tablet, once, within 15 minutes: {address}\n{code_of(address)}")

    door.on_entered = invite
    say(f"The page: http://127.0.0.1:{port}/   (Ctrl-C ends it)")
    if lan:
        invite()
    server_of(folder, door).run(sockets=[listening])


def server_of(folder: Path, door: Door) -> uvicorn.Server:
    """The server of a folder's page, with its limits."""
    config = uvicorn.Config(
        create_app(folder, door),
        log_level="warning",
        access_log=False,
        server_header=False,
        date_header=False,
        proxy_headers=False,
        ws="none",
        limit_concurrency=MOST_AT_ONCE,
        h11_max_incomplete_event_size=16_384,
        timeout_keep_alive=15,
        timeout_graceful_shutdown=GRACE_S,
    )
    return uvicorn.Server(config)


def code_of(address: str) -> str:
    """A QR code in block characters, light on the terminal's dark ground."""
    rows = [list(row) for row in segno.make(address, error="m").matrix_iter(border=2)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    glyphs = {(0, 0): "█", (0, 1): "▀", (1, 0): "▄", (1, 1): " "}
    return "\n".join(
        "".join(glyphs[bool(a), bool(b)] for a, b in zip(rows[i], rows[i + 1])) for i in range(0, len(rows), 2)
    )


def _listen(host: str, port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((host, port))
    except OSError as error:
        listening.close()
        raise SettingsError(
            f"port {port} cannot be used", seen=error.strerror or str(error), next_step="choose another with --port"
        ) from error
    return listening


def _lan_address() -> str | None:
    """This machine's address in its local network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): only the route is looked up
            found = str(probe.getsockname()[0])
        except OSError:
            return None
    return None if ipaddress.ip_address(found).is_loopback else found
