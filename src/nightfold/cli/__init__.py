"""The command line: parse, one call into the library, print."""

from __future__ import annotations

import atexit
import gc

# Loading makes hundreds of thousands of objects that stay; at its usual threshold the collector goes through them all again
# and again, a fifth of a short command's time.
gc.set_threshold(50_000, 20, 20)
# And at the end, when all of it goes anyway, it would go through them twice more: a quarter of a second of a fold.
atexit.register(gc.freeze)

from nightfold.cli.app import main  # noqa: E402

__all__ = ["main"]
