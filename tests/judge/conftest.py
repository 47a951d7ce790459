"""Makes this folder's helpers importable for its tests."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

for _name in ("invented_nights", "faulty_plans"):
    _spec = importlib.util.spec_from_file_location(_name, Path(__file__).with_name(f"{_name}.py"))
    assert _spec is not None
    assert _spec.loader is not None
    _module = importlib.util.module_from_spec(_spec)
    sys.modules[_name] = _module
    _spec.loader.exec_module(_module)
