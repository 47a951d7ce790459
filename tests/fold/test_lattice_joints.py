"""What joins cells and nodes, and maps that are read between their points, against scipy's."""

import numpy as np
import pytest
from scipy import ndimage, sparse

from nightfold.fold.levels import _between
from nightfold.fold.look import SMOOTHING_PX, SOURCE_SIGMA, STAR_MARGIN_PX, source_mask
from nightfold.fold.sky_field import Lattice, SkyPoints


def _joined(seed, cells=180):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(-50, 6300, cells), rng.uniform(10, 4200, cells)
    points = SkyPoints(x, y, rng.normal(3, 1, cells), np.ones(cells))
    frame = Lattice.around([points])
    joints = frame.joints(points)
    rows = np.tile(np.arange(cells), 4)
    columns = np.concatenate([joints.first + step for step in joints.steps])
    dense = sparse.csr_array((joints.share.ravel(), (rows, columns)), shape=(cells, joints.nodes)).toarray()
    return rng, points, frame, joints, dense


@pytest.mark.parametrize("seed", [4, 5])
def test_joints_do_what_their_matrix_does(seed):
    rng, points, frame, joints, dense = _joined(seed)
    field, weight = rng.normal(size=joints.nodes), rng.uniform(0.1, 2.0, len(points.x))
    np.testing.assert_allclose(joints.of(field), dense @ field, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(joints.squares(weight), dense.T @ (weight[:, None] * dense), rtol=1e-12, atol=1e-12)
    group = rng.integers(0, 3, len(points.x))
    sums = joints.sums(weight, group, 3)
    for g in range(3):
        np.testing.assert_allclose(sums[g], dense.T @ np.where(group == g, weight, 0.0), rtol=1e-12, atol=1e-12)
    # A plane is joined to itself, so the nodes lie where they are thought to.
    columns, rows = np.meshgrid(np.arange(frame.columns), np.arange(frame.rows))
    plane = 2.0 + 0.1 * (frame.x0 + columns * frame.step_x) - 0.3 * (frame.y0 + rows * frame.step_y)
    np.testing.assert_allclose(joints.of(plane.ravel()), 2.0 + 0.1 * points.x - 0.3 * points.y, rtol=1e-9)


def test_between_points_and_beyond_the_edge():
    rng = np.random.default_rng(6)
    plane = rng.normal(size=(7, 9))
    row, column = rng.uniform(-2, 9, 300), rng.uniform(-2, 11, 300)
    wanted = ndimage.map_coordinates(plane, np.stack([row, column]), order=1, mode="nearest")
    np.testing.assert_allclose(_between(plane, row, column), wanted, rtol=1e-12, atol=1e-12)


def test_stars_are_masked_as_by_a_gaussian_and_a_grown_mask():
    rng = np.random.default_rng(7)
    image = rng.normal(0, 1, (96, 112)).astype(np.float32)
    for x, y in rng.uniform(15, 80, (6, 2)):
        ys, xs = np.mgrid[:96, :112]
        image += (20 * np.exp(-0.5 * ((xs - x) ** 2 + (ys - y) ** 2) / 2.0)).astype(np.float32)
    sky = np.zeros_like(image)
    limit = SOURCE_SIGMA / (2.0 * np.sqrt(np.pi) * SMOOTHING_PX)
    smooth = ndimage.gaussian_filter(image, SMOOTHING_PX, mode="mirror")
    wanted = ndimage.binary_dilation(smooth > limit, iterations=STAR_MARGIN_PX)
    cells = np.median(image.reshape(6, 16, 7, 16).swapaxes(1, 2).reshape(6, 7, 256), axis=2)
    darkest = np.median(np.sort(cells.ravel())[:4])
    nebula = np.repeat(np.repeat(cells > darkest + 0.5, 16, axis=0), 16, axis=1)
    assert wanted.mean() < 0.6
    assert nebula.mean() < 0.5
    np.testing.assert_array_equal(source_mask(image, sky, 1.0), wanted | nebula)
