"""One target under atheris: coverage-guided inputs from the corpus on; `fuzz/run.py` starts it."""

from __future__ import annotations

import importlib
import pkgutil
import sys
from pathlib import Path

import atheris

import nightfold.kernels

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

# Compiled loops are loaded before and stay as they are: their compiler does not know atheris's marks.
for module in pkgutil.iter_modules(nightfold.kernels.__path__, "nightfold.kernels."):
    importlib.import_module(module.name)

READ_BY_COVERAGE = ["nightfold", "tomllib", "tomlkit", "astropy.io.fits", "astropy.io.ascii"]
with atheris.instrument_imports(include=READ_BY_COVERAGE):
    import targets

    # Loaded here, and not at the first input, so that they count for the coverage.
    for warm_up in targets.TARGETS.values():
        warm_up(b"")


def main() -> None:
    """Run until libFuzzer's own limits end it."""
    import warnings

    warnings.simplefilter("ignore")
    target = targets.TARGETS[sys.argv.pop(1)]

    def one_input(data: bytes) -> None:
        target(bytes(data))

    atheris.Setup(sys.argv, one_input)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
