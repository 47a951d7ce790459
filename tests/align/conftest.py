"""The open data folder, the star list and invented frames, for the tests of this folder."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from nightfold.align.catalogue import Catalogue, load_catalogue


@pytest.fixture(scope="session")
def open_data() -> Path:
    """Folder of open data; a test that needs it skips where it is absent."""
    folder = Path(__file__).parents[3] / "shared" / "data"
    if not folder.is_dir():
        pytest.skip("the open data folder is not beside the checkout")
    return folder


@pytest.fixture(scope="session")
def skyfields() -> ModuleType:
    """The invented frames of `skyfields.py`."""
    spec = importlib.util.spec_from_file_location("align_skyfields", Path(__file__).with_name("skyfields.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["align_skyfields"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    """The installed star list."""
    return load_catalogue()
