"""The command line: parse, one call into the library, print."""

from __future__ import annotations

from nightfold.cli.app import main

__all__ = ["main"]
