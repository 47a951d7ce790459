"""What a command loads before it knows what it is asked for."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("numpy", "numba", "scipy", "astropy", "matplotlib", "PIL", "starlette")


def loaded_by(code: str) -> set[str]:
    told = f"import sys\n{code}\nprint(*sorted(m for m in {HEAVY!r} if m in sys.modules))"
    return set(subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True).stdout.split())


def test_no_command_loads_arrays_or_compiled_loops_before_it_needs_them() -> None:
    assert loaded_by("import nightfold.cli") == set()


def test_compiled_loops_do_not_load_linear_algebra() -> None:
    code = """
import numpy as np
from nightfold.kernels.decode import decode_unsigned16
out = np.empty(3, np.float32)
decode_unsigned16(np.array([0x0080, 0x0180, 0x0000], np.uint16), out)
assert list(out) == [0.0, 1.0, 32768.0], out
print("scipy.linalg" in sys.modules)
"""
    told = subprocess.run(
        [sys.executable, "-c", "import sys\n" + code], capture_output=True, text=True, check=True
    ).stdout
    assert told.split() == ["False"]
