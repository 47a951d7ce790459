"""Loops over pixels and points, compiled once a machine and kept on disk."""

from importlib import import_module
from typing import Any


def _load_without_linear_algebra() -> None:
    """Load numba's array functions without scipy.linalg, which they load only to learn that it is there: 0.15 s a command.

    No loop of ours multiplies matrices. Where numba's insides are named otherwise, they are left to load as they like.
    """
    try:
        linalg: Any = import_module("numba.np.linalg")
        asked = linalg.ensure_blas
    except (ImportError, AttributeError):
        return
    linalg.ensure_blas = lambda: None  # scipy is installed with us: the answer is known
    try:
        import_module("numba.np.arraymath")
    except ImportError:
        return
    finally:
        linalg.ensure_blas = asked


_load_without_linear_algebra()
