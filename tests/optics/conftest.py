"""Where the open data lies, for those who have it; and the helpers `runs.py` and `turns.py`, imported as `optics_…`."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

for _name in ("runs", "turns"):
    _spec = importlib.util.spec_from_file_location(f"optics_{_name}", Path(__file__).with_name(f"{_name}.py"))
    assert _spec is not None
    assert _spec.loader is not None
    _module = importlib.util.module_from_spec(_spec)
    sys.modules[f"optics_{_name}"] = _module
    _spec.loader.exec_module(_module)


@pytest.fixture
def real_frames() -> Path:
    """Folder of real raw frames; the test is skipped where it is not beside the checkout."""
    folder = Path(__file__).parents[3] / "shared" / "data" / "raw"
    if not folder.is_dir():
        pytest.skip("the open data is not beside the checkout")
    return folder
