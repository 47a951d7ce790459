"""One target under atheris: coverage-guided inputs from the corpus on; `fuzz/run.py` starts it."""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

with atheris.instrument_imports(include=["nightfold", "tomllib", "tomlkit", "astropy.io.fits", "astropy.io.ascii"]):
    import targets

    # Loaded here, and not at the first input, so that they count for the coverage.
    for warm_up in targets.TARGETS.values():
        warm_up(b"")


def main() -> None:
    """Run until libFuzzer's own limits end it."""
    import warnings

    warnings.simplefilter("ignore")
    target = targets.TARGETS[sys.argv.pop(1)]
    atheris.Setup(sys.argv, lambda data: target(bytes(data)))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
