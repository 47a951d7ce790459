"""The star renderer and the real frames, for the tests of this folder."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

_spec = importlib.util.spec_from_file_location("measure_render", Path(__file__).with_name("render.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["measure_render"] = _module
_spec.loader.exec_module(_module)


@pytest.fixture(scope="session")
def render() -> ModuleType:
    """The renderer of `render.py`."""
    return _module


@pytest.fixture(scope="session")
def real_frames() -> Path:
    """Folder of real raw frames; a test that needs it skips where it is absent."""
    folder = Path(__file__).parents[3] / "shared" / "data" / "raw"
    if not folder.is_dir():
        pytest.skip("the open data folder is not beside the checkout")
    return folder
