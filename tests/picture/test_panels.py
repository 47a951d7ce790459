"""A picture is made of one panel of a mosaic, and says so."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from astropy.io import fits

from nightfold.campaign import Campaign
from nightfold.cli import main
from nightfold.errors import PictureError
from nightfold.frames.identity import hash_file
from nightfold.picture.recipe import load_recipe
from nightfold.picture.stage import left_out


def workspace(*panels: int | None) -> Any:
    masters = [SimpleNamespace(target="Lantern Shell", panel=p) for p in panels]
    return SimpleNamespace(ledger=SimpleNamespace(masters=lambda target: masters))


def test_the_other_panels_are_told() -> None:
    first: Any = [SimpleNamespace(target="Lantern Shell", panel=2)]
    (note,) = left_out(workspace(1, 2, 2, 3), first)
    assert (
        note
        == "This is panel 2 of Lantern Shell; panels 1, 3 are not in it: a picture is made of one panel. For another: --panel 1"
    )
    assert left_out(workspace(2, 2), first) == []
    assert left_out(workspace(None, None), [SimpleNamespace(target="Lantern Shell", panel=None)]) == []  # type: ignore[list-item]


@pytest.fixture(scope="module")
def mosaic(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small campaign with its masters once more as panels 1 and 2, the second turned by half a turn."""
    folder = tmp_path_factory.mktemp("mosaic") / "campaign"
    shutil.copytree(small_campaign, folder)
    with Campaign.open(folder) as campaign:
        ledger = campaign._ws.ledger
        for row in ledger.masters():
            for panel in (1, 2):
                path = row.path.with_name(f"panel{panel}_{row.path.name}")
                with fits.open(folder / "masters" / row.path.name) as units:
                    units[0].header["PANEL"] = panel
                    if panel == 2:
                        for unit in units[:4]:
                            unit.data = unit.data[::-1, ::-1].copy()
                    units.writeto(path)
                ledger.save_master(
                    target=row.target, panel=panel, filter=row.filter, rigs=row.rigs, grid_id=row.grid_id, path=path,
                    sha256=hash_file(path), document=row.document,
                )  # fmt: skip
    return folder


def test_each_panel_has_its_own_picture(mosaic: Path) -> None:
    with Campaign.open(mosaic) as campaign:
        first, second = campaign.picture(), campaign.picture(panel=2)
        again = campaign.picture(second.recipe, exact=True)
        hashes = {(m.panel, m.filter): m.sha256 for m in campaign._ws.ledger.masters()}
    assert "panel 2 is not in it" in " ".join(first.notes)
    assert "panel 1 is not in it" in " ".join(second.notes)
    for report, panel in ((first, 1), (second, 2)):
        recipe = load_recipe(Path(report.recipe))
        assert recipe.panel == panel
        assert recipe.masters == {f: hashes[panel, f] for f in recipe.masters}
        assert f"_panel{panel}_" in Path(report.file).name
        assert f", panel {panel}: " in report.caption
    assert again.file == second.file
    assert Path(first.files[1]).read_bytes() != Path(second.files[1]).read_bytes()


def test_a_recipe_without_its_panel_is_known_by_its_masters(mosaic: Path) -> None:
    with Campaign.open(mosaic) as campaign:
        second = campaign.picture(panel=2)
        old = load_recipe(Path(second.recipe)).model_copy(update={"panel": None})
        again = campaign.picture(old, exact=True)
    assert again.file == second.file


def test_a_panel_that_is_not_folded_is_refused_with_those_that_are(mosaic: Path) -> None:
    with Campaign.open(mosaic) as campaign, pytest.raises(PictureError, match="panel 1, panel 2"):
        campaign.picture(panel=3)


def test_the_command_takes_a_panel_and_tells_whole_paths(
    mosaic: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(mosaic.parent)
    assert main(["--campaign", "campaign", "picture", "--panel", "2", "--out", "two.png", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["file"] == str(mosaic.parent / "two.png")
    assert Path(told["recipe"]).is_absolute()
    assert main(["--campaign", "campaign", "picture", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert all(Path(f).is_absolute() and Path(f).is_file() for f in told["files"])
