"""TOML in, from anyone: what Python's reader lets through as other errors, or nests without end, is a mistake like any."""

from __future__ import annotations

import re
import tomllib
from typing import Any

MOST_DEEP = 20
"""Tables within tables; ours need five."""

BYTE_ORDER_MARK = "\ufeff"
"""What some editors put before UTF-8 text; it says nothing."""

_ENDLESS_KEY = re.compile(r"(?:[A-Za-z0-9_\-]+[ \t]*\.[ \t]*){200}")


def read_toml(text: str) -> dict[str, Any]:
    """The tables of a TOML text.

    Raises
    ------
    tomllib.TOMLDecodeError
        Also for numbers of thousands of digits, and for arrays and tables nested beyond all use.
    """
    if _ENDLESS_KEY.search(text):  # the reader's time grows with the square of a key's parts
        raise tomllib.TOMLDecodeError("nested too deeply")
    try:
        tables = tomllib.loads(text.removeprefix(BYTE_ORDER_MARK))
    except tomllib.TOMLDecodeError:
        raise
    except RecursionError as error:
        raise tomllib.TOMLDecodeError("nested too deeply") from error
    except ValueError as error:
        raise tomllib.TOMLDecodeError(f"a value cannot be read: {str(error)[:80]}") from error
    level: list[Any] = [tables]
    for _ in range(MOST_DEEP):
        level = [
            v
            for held in level
            for v in (held.values() if isinstance(held, dict) else held)
            if isinstance(v, dict | list)
        ]
        if not level:
            return tables
    raise tomllib.TOMLDecodeError("nested too deeply")


__all__ = ["BYTE_ORDER_MARK", "MOST_DEEP", "read_toml"]
