import mmap

import numpy as np
import pytest

from nightfold.fold.scratch import plane_of_small_pages


@pytest.mark.parametrize("with_advice", [True, False])
@pytest.mark.parametrize(("shape", "dtype"), [((70, 33), np.float32), ((5, 7), np.int16), ((0, 4), np.float32)])
def test_planes_of_small_pages_are_ordinary_planes(monkeypatch, shape, dtype, with_advice):
    if not with_advice:
        monkeypatch.delattr(mmap, "MADV_NOHUGEPAGE", raising=False)
    one, other = (plane_of_small_pages(shape, dtype) for _ in range(2))
    assert one.shape == shape
    assert one.dtype == dtype
    assert one.flags.c_contiguous
    one[...] = 3
    assert (one == 3).all()
    assert not other.any()
    assert one.byteswap(inplace=True) is not None  # as a spent plane is written
