"""Nightfold keeps a deep-sky imaging campaign from the first plan to the finished picture."""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import version as _version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from nightfold.campaign import Campaign
    from nightfold.errors import NightfoldError

__version__ = _version("nightfold")

__all__ = ["Campaign", "NightfoldError", "__version__"]

_HOMES = {"Campaign": "nightfold.campaign", "NightfoldError": "nightfold.errors"}


def __getattr__(name: str) -> Any:
    """Load the public names when they are first asked for: `import nightfold` alone stays fast."""
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'nightfold' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
