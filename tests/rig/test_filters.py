"""Passband shift in a cone against the textbook example and the recomputed rows O11 to O14."""

from __future__ import annotations

import numpy as np
import pytest

from nightfold.rig.filters import (
    LINES_NM,
    best_centre_nm,
    effective_transmission,
    lines_inside,
    marginal_angle_deg,
    mean_shift_nm,
    shift_nm,
)


def test_textbook_example() -> None:
    # CHECKS O11: Smith, Modern Optical Engineering, p. 246.
    assert float(shift_nm(532.0, 10.0, 1.85)) == pytest.approx(-2.349, abs=1e-3)


@pytest.mark.parametrize(
    ("line", "ratio", "index", "marginal", "mean"),
    [
        (656.28, 2.8, 2.0, 2.540, 1.424),
        (656.28, 4.0, 2.0, 1.263, 0.709),
        (656.28, 5.0, 2.0, 0.813, 0.456),
        (656.28, 7.0, 2.0, 0.417, 0.234),
        (656.28, 4.0, 1.7, 1.749, 0.981),
        (500.68, 4.0, 2.0, 0.964, 0.541),
    ],
)
def test_shift_in_a_cone(line: float, ratio: float, index: float, marginal: float, mean: float) -> None:
    # CHECKS O12, obstruction 0.35 of the diameter.
    assert -float(shift_nm(line, marginal_angle_deg(ratio), index)) == pytest.approx(marginal, rel=0.01)
    assert -mean_shift_nm(line, ratio, obstruction=0.35, index=index) == pytest.approx(mean, rel=0.01)


@pytest.mark.parametrize(
    ("ratio", "index", "left"),
    [(2.8, 2.0, 0.545), (2.8, 1.7, 0.378), (4, 2.0, 0.838), (4, 1.7, 0.725), (5, 2.0, 0.927), (5, 1.7, 0.868),
     (7, 2.0, 0.980), (7, 1.7, 0.962)],
)  # fmt: skip
def test_loss_of_a_narrow_filter(ratio: float, index: float, left: float) -> None:
    # CHECKS O13: 3 nm Gaussian centred on H-alpha.
    through = effective_transmission(
        656.28, centre_nm=656.28, width_nm=3.0, focal_ratio=ratio, obstruction=0.35, index=index
    )
    assert float(through) == pytest.approx(left, rel=0.02)


def test_nitrogen_leak() -> None:
    # CHECKS O14.
    flat = effective_transmission([658.35, 654.81], centre_nm=656.28, width_nm=3.0, focal_ratio=np.inf)
    assert flat == pytest.approx([0.267, 0.514], rel=0.01)
    cone = effective_transmission(658.35, centre_nm=656.28, width_nm=3.0, focal_ratio=4.0, obstruction=0.35, index=2.0)
    assert float(cone) == pytest.approx(0.104, rel=0.03)


def test_a_shifted_filter_wins_back_the_line() -> None:
    centre = best_centre_nm(500.68, 4.5, index=1.8)
    assert centre > 500.68
    kept = effective_transmission(500.68, centre_nm=centre, width_nm=4.0, focal_ratio=4.5, index=1.8)
    lost = effective_transmission(500.68, centre_nm=500.68, width_nm=4.0, focal_ratio=4.5, index=1.8)
    assert float(kept) > float(lost)


def test_flat_tops_lose_less() -> None:
    cone = {"centre_nm": 656.28, "width_nm": 3.0, "focal_ratio": 5.0, "index": 2.0}
    assert float(effective_transmission(656.28, **cone, shape="flat")) > float(effective_transmission(656.28, **cone))


def test_lines_of_a_wide_filter() -> None:
    assert lines_inside((*LINES_NM["Ha"], *LINES_NM["NII"]), 656.3, 7.0) == (656.28, 654.81, 658.35)
    assert lines_inside(LINES_NM["OIII"], 500.7, 3.0) == (500.68,)


def test_impossible_numbers() -> None:
    with pytest.raises(ValueError, match="index"):
        shift_nm(500.0, 5.0, 0.9)
    with pytest.raises(ValueError, match="obstruction"):
        mean_shift_nm(500.0, 5.0, obstruction=1.0)
