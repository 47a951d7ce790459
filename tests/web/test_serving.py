"""The command itself: what it prints, the code for the tablet, and that Ctrl-C ends it with a stream open."""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from nightfold.cli import main
from nightfold.web.guard import ENTER_PATH
from nightfold.web.serving import _lan_address, code_of

OPENER = urllib.request.build_opener(urllib.request.ProxyHandler({}))


@contextmanager
def started(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command in a process of its own, and the address it printed."""
    command = [sys.executable, "-m", "nightfold", "--campaign", str(folder), "serve", "--port", "0", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, encoding="utf-8")
    try:
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://127\.0\.0\.1:\d+", line)
        assert found is not None, line
        for _ in range(400):
            try:
                OPENER.open(f"{found[0]}/static/look.css", timeout=5).close()
                break
            except OSError:
                time.sleep(0.05)
        yield process, found[0]
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def session_of(address: str) -> dict[str, str]:
    with OPENER.open(f"{address}/api/session", timeout=60) as answer:
        found: dict[str, str] = json.load(answer)
    return found


@pytest.mark.skipif(os.name == "nt", reason="Ctrl-C is sent another way there")
@pytest.mark.slow
def test_ctrl_c_ends_it_with_a_stream_open(tmp_path: Path) -> None:
    with started(tmp_path) as (process, address):
        token = session_of(address)["token"]
        headers = {"Content-Type": "application/json", "X-Nightfold-Token": token}
        request = urllib.request.Request(f"{address}/api/do/demo", b"{}", headers)
        with OPENER.open(request, timeout=60) as answer:
            job = json.load(answer)
        stream = OPENER.open(f"{address}/api/jobs/{job['id']}/events", timeout=60)
        assert stream.readline().startswith(b"data: ")
        began = time.monotonic()
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 0
        assert time.monotonic() - began < 45  # two seconds of grace and the piece in hand, on a busy machine
        stream.close()
        kept = json.loads((tmp_path / ".nightfold-jobs" / f"{job['id']}.json").read_text(encoding="utf-8"))
        assert kept["state"] in ("stopped", "running")  # and the next server calls what was running cut short


@pytest.mark.skipif(_lan_address() is None, reason="this machine has no address in a network")
def test_the_tablet_gets_an_address_and_a_code(tmp_path: Path) -> None:
    with started(tmp_path, "--lan") as (process, _address):
        assert process.stdout is not None
        line = process.stdout.readline()
        found = re.search(r"http://([\d.]+):(\d+)(/enter)\?token=([\w-]+)", line)
        assert found is not None, line
        assert found[1] == _lan_address()
        assert found[3] == ENTER_PATH
        assert len(found[4]) >= 32
        code = [process.stdout.readline() for _ in range(12)]
        assert all("█" in row for row in code)


def test_the_code_is_a_whole_one() -> None:
    rows = code_of("http://192.0.2.7:8472/enter?token=" + "a" * 32).splitlines()
    assert len({len(r) for r in rows}) == 1
    assert len(rows[0]) in (2 * len(rows), 2 * len(rows) - 1)
    assert rows[0] == "█" * len(rows[0])  # the quiet zone is light


def test_wrong_use_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--campaign", str(tmp_path / "nowhere"), "serve"]) == 1
    assert "is not a folder" in capsys.readouterr().err
    assert main(["--campaign", str(tmp_path), "serve", "--port", "70000"]) == 1
    assert "0 to 65535" in capsys.readouterr().err
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        assert main(["--campaign", str(tmp_path), "serve", "--port", str(taken.getsockname()[1]), "--json"]) == 1
        assert "cannot be used" in json.loads(capsys.readouterr().out)["error"]["what"]
