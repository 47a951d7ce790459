"""Single values of campaign.toml changed in place: comments, order and everything else in the file stay."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from nightfold.errors import SettingsError
from nightfold.settings.files import parse_settings

Value = float | int | str | bool | list[float] | None
TABLES = ("site", "rig", "target")
"""What may be changed from outside the file; where the ledger lies is not among it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A value under a path of keys and numbers of entries (from 0), such as ("rig", 0, "telescope", "aperture_mm").

    None takes the key away. A number one past the last entry adds an entry.
    """

    path: tuple[str | int, ...]
    value: Value


def changed_text(text: str, changes: Sequence[Change]) -> str:
    """The text of campaign.toml with the changes; a SettingsError names every mistake that they would make."""
    document = tomlkit.parse(text)
    for change in changes:
        if len(change.path) < 2 or change.path[0] not in TABLES:
            raise SettingsError(
                "this cannot be changed here",
                seen=".".join(str(p) for p in change.path),
                allowed=", ".join(TABLES),
                next_step="edit campaign.toml",
            )
        _apply(document, change)
    made = tomlkit.dumps(document)
    parse_settings(made)
    return made


def _apply(document: Any, change: Change) -> None:
    here: Any = document
    for part, following in zip(change.path[:-1], change.path[1:]):
        if isinstance(part, int):
            if not 0 <= part <= len(here):
                raise SettingsError("there is no such entry", seen=str(part + 1), allowed=f"1 to {len(here) + 1}")
            if part == len(here):
                here.append(tomlkit.table())
            here = here[part]
            continue
        if part not in here:
            here[part] = tomlkit.aot() if isinstance(following, int) else tomlkit.table()
        here = here[part]
        if not isinstance(here, Table | AoT | dict | list):
            raise SettingsError("this key holds no other keys", seen=str(part))
    key = change.path[-1]
    if not isinstance(key, str) or isinstance(here, AoT):
        raise SettingsError("a change names a key last", seen=str(key))
    if change.value is None:
        here.pop(key, None)
    else:
        here[key] = change.value
