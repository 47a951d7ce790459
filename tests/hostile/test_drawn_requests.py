"""Requests drawn from the page's own OpenAPI document: every operation answers in words, at once, and never breaks."""

from __future__ import annotations

import socket
import threading
import time
import warnings
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from shutil import copytree
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings

LEFT_OUT = {
    # They go through folders of this machine, or go on for long: their bodies are drawn in `tests/web` instead.
    "/api/do/start", "/api/do/demo", "/api/do/take-in", "/api/do/watch", "/api/do/look", "/api/do/optics",
    "/api/jobs/{job_id}/events",
}  # fmt: skip
DRAWN = 5

schemathesis = pytest.importorskip("schemathesis", reason="pip install nightfold[test]")


@pytest.fixture(scope="module")
def drawn_page(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[str, str]]:
    """A copied campaign's page being served: its address, and the token of its run."""
    from nightfold.web.guard import Door
    from nightfold.web.serving import server_of

    folder = tmp_path_factory.mktemp("drawn") / "campaign"
    copytree(small_campaign, folder)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    host = f"127.0.0.1:{listening.getsockname()[1]}"
    door = Door(hosts=frozenset({host}))
    server = server_of(folder, door)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    end = time.monotonic() + 60
    while not server.started and time.monotonic() < end:
        time.sleep(0.02)
    yield f"http://{host}", door.token
    server.should_exit = True
    thread.join(30)
    listening.close()


@pytest.mark.slow
def test_every_operation_answers_drawn_requests(drawn_page: tuple[str, str]) -> None:
    import requests

    address, token = drawn_page
    answered: Counter[int] = Counter()
    tried: set[str] = set()
    broke: list[str] = []
    with requests.Session() as session:
        session.headers.update({"x-nightfold-token": token, "origin": address})
        schema = schemathesis.openapi.from_dict(session.get(f"{address}/api/openapi.json", timeout=30).json())
        for result in schema.get_all_operations():
            operation = result.ok()
            if operation.path in LEFT_OUT:
                continue
            tried.add(operation.label)

            @settings(
                max_examples=DRAWN,
                deadline=None,
                database=None,
                suppress_health_check=list(HealthCheck),
                derandomize=True,
            )
            @given(case=operation.as_strategy())
            def ask(case: Any) -> None:
                sent = case.as_transport_kwargs(base_url=address)
                sent["headers"] = {k: v for k, v in (sent.get("headers") or {}).items() if k.lower() == "content-type"}
                began = time.monotonic()
                answer = session.request(**sent, timeout=60)
                took = time.monotonic() - began
                answered[answer.status_code] += 1
                assert answer.status_code < 500, f"{sent['method']} {sent['url']}: {answer.text[:300]}"
                assert took < 30.0, f"{sent['url']} took {took:.1f} s"
                if answer.status_code >= 400 and "json" in answer.headers.get("content-type", ""):
                    assert set(answer.json()["error"]) == {"what", "seen", "allowed", "next"}

            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                try:
                    ask()
                except AssertionError as error:
                    broke.append(str(error).splitlines()[0][:300])
    assert broke == []
    assert len(tried) >= 30
    assert answered[200] >= 20
    assert sum(n for status, n in answered.items() if 400 <= status < 500) >= 30
