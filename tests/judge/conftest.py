"""Makes `invented_nights.py` importable for the tests of this folder."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_spec = importlib.util.spec_from_file_location("invented_nights", Path(__file__).with_name("invented_nights.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["invented_nights"] = _module
_spec.loader.exec_module(_module)
