"""The doors that the fuzzers use too."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="session")
def doors() -> ModuleType:
    """The module of targets."""
    spec = importlib.util.spec_from_file_location("fuzz_targets", ROOT / "fuzz" / "targets.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module
