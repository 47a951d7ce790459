"""Which sub sets the grid: of the commonest rig and binning, the sharpest with most stars."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

from nightfold.align.stage import best_reference


def rows_and_readings(*subs: tuple[str, int, int, float]) -> tuple[list[Any], dict[int, Any]]:
    """Subs as (rig, width, stars, FWHM in own pixels)."""
    rows, readings = [], {}
    for i, (rig, width, stars, fwhm) in enumerate(subs):
        rows.append(SimpleNamespace(id=i, rig=rig, width_px=width, height_px=width, fingerprint=f"{i:03d}"))
        readings[i] = SimpleNamespace(star_count=stars, fwhm_px=fwhm, ellipticity=0.1)
    return rows, readings


def test_binned_subs_do_not_set_the_grid_of_finer_ones() -> None:
    # Binned, stars look twice as sharp: that is no merit.
    fine, binned = ("a", 900, 300, 2.2), ("a", 450, 290, 1.1)
    for subs, wanted in (
        ([fine, fine, binned], 900),
        ([fine, binned], 900),
        ([binned, binned, fine], 450),
    ):
        rows, readings = rows_and_readings(*subs)
        chosen = best_reference(rows, readings)
        assert chosen is not None
        assert chosen.width_px == wanted


def test_the_rig_with_most_subs_and_its_best_sub() -> None:
    rows, readings = rows_and_readings(
        ("b", 900, 900, 1.5), ("a", 900, 300, 2.4), ("a", 900, 320, 2.1), ("a", 900, 5, 1.0)
    )
    chosen = best_reference(rows, readings)
    assert chosen is not None
    assert chosen.id == 2
    assert best_reference(rows[3:], readings) is None
