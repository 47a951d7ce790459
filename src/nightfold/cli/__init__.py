"""The command line: parse, one call into the library, print."""

from __future__ import annotations

import gc

# Loading makes hundreds of thousands of objects that stay; at its usual threshold the collector goes through them all again
# and again, a fifth of a short command's time.
gc.set_threshold(50_000, 20, 20)

from nightfold.cli.app import main  # noqa: E402

__all__ = ["main"]
