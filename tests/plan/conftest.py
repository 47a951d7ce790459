"""The settings of `campaigns.py`, imported as `plan_campaigns`."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

_spec = importlib.util.spec_from_file_location("plan_campaigns", Path(__file__).with_name("campaigns.py"))
assert _spec is not None
assert _spec.loader is not None
_module = importlib.util.module_from_spec(_spec)
sys.modules["plan_campaigns"] = _module
_spec.loader.exec_module(_module)
