"""Which rig's zero point holds for a master of several rigs."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from nightfold.depth.stage import of_level_rig


@pytest.mark.parametrize(
    ("rigs", "grid_rig", "wanted"),
    [
        (["Wren 61", "Heron 106", "Wren 61"], "Heron 106", ["Heron 106"]),
        (["Wren 61", "Heron 106", "Wren 61"], "Kite 80", ["Wren 61", "Wren 61"]),
        (["Wren 61", "Heron 106"], None, ["Wren 61"]),
        (["Wren 61", "Wren 61"], "Heron 106", ["Wren 61", "Wren 61"]),
    ],
)
def test_the_grids_rig_gives_the_level(rigs: list[str], grid_rig: str | None, wanted: list[str]) -> None:
    frames = [SimpleNamespace(rig=r) for r in rigs]
    grid = None if grid_rig is None else SimpleNamespace(rig=grid_rig)
    assert [f.rig for f in of_level_rig(frames, grid)] == wanted  # type: ignore[arg-type]
