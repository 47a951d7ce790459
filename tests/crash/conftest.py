"""A season of small campaigns, before and after each stage, shared by these tests."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest


@pytest.fixture(scope="session")
def kills() -> ModuleType:
    """The script that kills."""
    if sys.platform != "linux":
        pytest.skip("needs SIGKILL, fork and /proc")
    spec = importlib.util.spec_from_file_location("kills", Path(__file__).parent / "kills.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["kills"] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def prepared(kills: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A season whose undisturbed way is gone; the tests kill and break copies of it."""
    with kills.season(tmp_path_factory.mktemp("season") / "season", 20260514) as made:
        yield made
