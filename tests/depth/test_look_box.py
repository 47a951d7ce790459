"""Which part of a master the depth is measured on."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from nightfold.depth.stage import box_to_look_at


@pytest.mark.parametrize(
    ("common", "cut", "wanted"),
    [
        ((10, 10, 889, 639), (5, 5, 894, 644), (10, 10, 889, 639)),
        # Twenty short subs at another angle: what all cover is the nebula in the middle.
        ((179, 126, 704, 518), (143, 9, 768, 649), (143, 9, 768, 649)),
        (None, (143, 9, 768, 649), (143, 9, 768, 649)),
        ((179, 126, 704, 518), None, (179, 126, 704, 518)),
        (None, None, (0, 0, 899, 649)),
    ],
)
def test_a_few_turned_subs_do_not_leave_the_nebula_alone(common: Any, cut: Any, wanted: Any) -> None:
    summary: Any = SimpleNamespace(common_box_px=common, cut_box_px=cut)
    assert box_to_look_at(summary, (650, 900)) == wanted
