"""Where the open data lies, for those who have it."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def real_frames() -> Path:
    """Folder of real raw frames; the test is skipped where it is not beside the checkout."""
    folder = Path(__file__).parents[3] / "shared" / "data" / "raw"
    if not folder.is_dir():
        pytest.skip("the open data is not beside the checkout")
    return folder
