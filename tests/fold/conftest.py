"""The renderer of `skies.py`, for the tests of this folder."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

_spec = importlib.util.spec_from_file_location("fold_skies", Path(__file__).with_name("skies.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["fold_skies"] = _module
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def skies() -> ModuleType:
    """Stars, sky and noise at any transform."""
    return _module
