"""The open data folder, for the tests of this folder."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of open data; a test that needs it skips where it is absent."""
    folder = Path(__file__).parents[3] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the open data folder is not beside the checkout")
    return folder
