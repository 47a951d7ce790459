"""Which target and panel a sub is of: by its OBJECT, by patterns of it, by its place, panels included."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from nightfold.campaign import Campaign

TEXT = """name = "Targets"
[[target]]
name = "Lantern Shell"
ra_deg = 250.2
dec_deg = -48.8
match = { object = ["shell *", "Shell 9"] }
[[target]]
name = "Shell Minor"
match = { object = "shell 9b", ra_deg = 100.0, dec_deg = 5.0, within_deg = 0.5 }
[[target]]
name = "Long Wall"
[[target.panel]]
panel = 1
ra_deg = 20.0
dec_deg = 30.0
[[target.panel]]
panel = 2
ra_deg = 23.0
dec_deg = 30.0
"""


@pytest.mark.parametrize(
    ("name", "place", "target", "panel"),
    [
        ("LANTERN SHELL", None, "Lantern Shell", None),
        ("Shell no. 3", None, "Lantern Shell", None),
        ("shell 9", None, "Lantern Shell", None),
        ("shell 9B", None, "Shell Minor", None),  # a name as it stands comes before a pattern that fits it
        ("wisp", (250.5, -48.6), "Lantern Shell", None),
        ("wisp", (100.3, 5.2), "Shell Minor", None),
        ("wisp", (101.0, 5.0), "wisp", None),
        ("wisp", (22.6, 29.8), "Long Wall", 2),
        ("long wall", (20.4, 30.1), "Long Wall", 1),
        ("long wall", None, "Long Wall", None),
    ],
)
def test_the_target_of_a_sub(
    tmp_path: Path, name: str, place: tuple[float, float] | None, target: str, panel: int | None
) -> None:
    header = fits.Header(
        [("OBJECT", name), ("IMAGETYP", "Light"), ("EXPTIME", 60.0), ("DATE-OBS", "2026-05-14T12:00:00")]
    )
    if place is not None:
        header["RA"], header["DEC"] = place
    (tmp_path / "raws").mkdir()
    fits.writeto(tmp_path / "raws" / "sub.fits", np.full((8, 8), 300, np.uint16), header)
    with Campaign.create(tmp_path / "campaign", text=TEXT) as campaign:
        assert campaign.take_in([tmp_path / "raws"]).frames["sub"] == 1
        (row,) = campaign._ws.ledger.frames(kind="sub")
    assert (row.target, row.panel) == (target, panel)
