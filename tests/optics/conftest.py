"""Where the open data lies, for those who have it; and the frames of `runs.py`, imported as `optics_runs`."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("optics_runs", Path(__file__).with_name("runs.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["optics_runs"] = _module
_spec.loader.exec_module(_module)


@pytest.fixture
def real_frames() -> Path:
    """Folder of real raw frames; the test is skipped where it is not beside the checkout."""
    folder = Path(__file__).parents[3] / "shared" / "data" / "raw"
    if not folder.is_dir():
        pytest.skip("the open data is not beside the checkout")
    return folder
