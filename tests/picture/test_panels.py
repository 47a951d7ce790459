"""A picture is made of one panel of a mosaic, and says so."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from nightfold.picture.stage import left_out


def workspace(*panels: int | None) -> Any:
    masters = [SimpleNamespace(target="Lantern Shell", panel=p) for p in panels]
    return SimpleNamespace(ledger=SimpleNamespace(masters=lambda target: masters))


def test_the_other_panels_are_told() -> None:
    first: Any = [SimpleNamespace(target="Lantern Shell", panel=2)]
    (note,) = left_out(workspace(1, 2, 2, 3), first)
    assert note == "This is panel 2 of Lantern Shell; panels 1, 3 are not in it: a picture is made of one panel."
    assert left_out(workspace(2, 2), first) == []
    assert left_out(workspace(None, None), [SimpleNamespace(target="Lantern Shell", panel=None)]) == []  # type: ignore[list-item]
