"""Names of files that are not whole yet, so that a later run knows what a killed one left and removes nothing else."""

from __future__ import annotations

import re
import secrets
from pathlib import Path

SUFFIX = ".unfinished"
"""Ending of temporary files; a next run removes those it finds."""

_LEFTOVER = re.compile(r"^\..+\.[0-9a-f]{16}\.unfinished$")


def unfinished(path: Path) -> Path:
    """A new name beside `path` to write under until the file is whole and gets its own."""
    return path.with_name(f".{path.name}.{secrets.token_hex(8)}{SUFFIX}")


def is_leftover(name: str) -> bool:
    """Whether a file's name is one that `unfinished` makes."""
    return _LEFTOVER.match(name) is not None
