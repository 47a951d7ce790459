"""Registration against injected transforms, against astroalign, and against everything that tempts it to be wrong."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nightfold.align.fit import best_affine, fit_transform, pooled_distortion
from nightfold.align.match import ReferencePattern, match_stars
from nightfold.align.records import Transform, polynomial_terms
from nightfold.errors import RegistrationError

SHAPE = (1100, 1600)


@dataclass
class Field:
    """A sky of stars with fluxes; positions on the grid."""

    xy: np.ndarray
    flux: np.ndarray


def make_field(rng: np.random.Generator, n: int) -> Field:
    xy = np.column_stack([rng.uniform(-400, 2000, n), rng.uniform(-400, 1500, n)])
    return Field(xy, 100.0 * rng.pareto(0.9, n) + 100.0)


def similarity(scale: float, angle_deg: float, shift: tuple[float, float], *, mirror: bool = False) -> Transform:
    c, s = scale * np.cos(np.radians(angle_deg)), scale * np.sin(np.radians(angle_deg))
    linear = np.array([[c, -s], [s, c]]) @ (np.diag([1.0, -1.0]) if mirror else np.eye(2))
    middle = np.array([799.5, 549.5])
    return Transform(matrix=np.column_stack([linear, middle + np.array(shift) - linear @ middle]))


def seen(
    rng: np.random.Generator, field: Field, truth: Transform | None, depth: float = 100.0, hot: np.ndarray | None = None
):
    """A star list as a frame gives it: noise by flux, brightest first, false ones mixed in."""
    xy = field.xy if truth is None else truth.invert(field.xy)
    error = np.clip(1.5 / np.sqrt(field.flux), 0.003, 0.15)
    inside = (
        (xy[:, 0] > 0) & (xy[:, 0] < SHAPE[1] - 1) & (xy[:, 1] > 0) & (xy[:, 1] < SHAPE[0] - 1) & (field.flux > depth)
    )
    xy, error, flux = xy[inside], error[inside], field.flux[inside] * rng.normal(1, 0.05, inside.sum())
    xy = xy + rng.normal(0, 1, xy.shape) * error[:, None]
    if hot is not None:
        xy = np.vstack([xy, hot])
        error = np.concatenate([error, np.full(len(hot), 0.02)])
        flux = np.concatenate([flux, rng.uniform(100, 1e5, len(hot))])
    order = np.argsort(-flux)
    return xy[order], error[order]


def worst(found: Transform, truth: Transform) -> float:
    """Largest error per axis over the frame that both lists share."""
    x, y = np.meshgrid(np.linspace(0, SHAPE[1] - 1, 21), np.linspace(0, SHAPE[0] - 1, 21))
    xy = np.column_stack([x.ravel(), y.ravel()])
    there = truth.apply(xy)
    common = (there >= 0).all(axis=1) & (there[:, 0] < SHAPE[1]) & (there[:, 1] < SHAPE[0])
    error = np.abs(found.apply(xy[common]) - there[common])
    return float(np.sqrt((error**2).mean(axis=0)).max()) if common.any() else 0.0


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    angle=st.floats(-180, 180),
    scale=st.floats(0.95, 1.05),
    dx=st.floats(-300, 300),
    dy=st.floats(-200, 200),
    mirror=st.booleans(),
    n=st.integers(150, 900),
)
def test_injected_similarities_come_back(
    seed: int, angle: float, scale: float, dx: float, dy: float, mirror: bool, n: int
) -> None:
    rng = np.random.default_rng(seed)
    field = make_field(rng, n)
    truth = similarity(scale, angle, (dx, dy), mirror=mirror)
    reference = ReferencePattern(*seen(rng, field, None))
    match = match_stars(*seen(rng, field, truth), reference, shape=SHAPE)
    # The goal is 1.5 of its own sigma; a random draw passes three of them once in several hundred.
    assert worst(match.transform, truth) <= max(0.02, 3.0 * match.error_px)
    assert match.transform.mirrored == mirror


def test_errors_are_calibrated() -> None:
    pulls = []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        field = make_field(rng, 500)
        truth = similarity(1.0, 0.7, (11.3, -7.7))
        match = match_stars(*seen(rng, field, truth), ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
        corners = np.array([[0.0, 0.0], [SHAPE[1] - 1, 0], [0, SHAPE[0] - 1], [SHAPE[1] - 1, SHAPE[0] - 1]])
        pulls.append((match.transform.apply(corners) - truth.apply(corners)) / match.error_px)
    assert 0.5 < np.std(pulls) < 1.3


@pytest.mark.parametrize("stars", [6, 7, 9])
def test_a_handful_of_stars(stars: int) -> None:
    rng = np.random.default_rng(stars)
    xy = np.column_stack([rng.uniform(100, 1500, stars), rng.uniform(100, 1000, stars)])
    truth = similarity(1.0, 180.0, (20.0, 5.0))
    error = np.full(stars, 0.02)
    sub = truth.invert(xy) + rng.normal(0, 0.02, xy.shape)
    match = match_stars(sub, error, ReferencePattern(xy, error), shape=SHAPE)
    assert len(match.pairs) == stars
    assert worst(match.transform, truth) <= max(0.02, 1.5 * match.error_px)


def test_a_hundred_hot_pixels_do_not_hold_the_sky_still() -> None:
    rng = np.random.default_rng(5)
    field = make_field(rng, 250)
    hot = np.column_stack([rng.uniform(0, 1599, 100), rng.uniform(0, 1099, 100)])
    truth = similarity(1.0, 0.3, (14.0, -9.0))
    match = match_stars(
        *seen(rng, field, truth, hot=hot), ReferencePattern(*seen(rng, field, None, hot=hot)), shape=SHAPE
    )
    assert worst(match.transform, truth) <= max(0.02, 1.5 * match.error_px)


def test_an_unmoved_frame_is_found_unmoved() -> None:
    rng = np.random.default_rng(6)
    field = make_field(rng, 400)
    match = match_stars(*seen(rng, field, Transform.identity()), ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
    assert worst(match.transform, Transform.identity()) < 0.02


def test_another_rig_of_another_scale() -> None:
    rng = np.random.default_rng(7)
    field = make_field(rng, 2500)
    truth = similarity(0.52, 33.0, (40.0, 10.0))
    match = match_stars(
        *seen(rng, field, truth), ReferencePattern(*seen(rng, field, None)), shape=SHAPE, scale_range=None
    )
    assert worst(match.transform, truth) <= max(0.02, 1.5 * match.error_px)
    assert match.transform.scale == pytest.approx(0.52, rel=1e-3)


def test_unequal_depth() -> None:
    rng = np.random.default_rng(8)
    field = make_field(rng, 1500)
    truth = similarity(1.0, -2.0, (50.0, 30.0))
    match = match_stars(*seen(rng, field, truth, depth=1500.0), ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
    assert worst(match.transform, truth) <= max(0.02, 1.5 * match.error_px)


def test_the_model_grows_only_where_asked() -> None:
    rng = np.random.default_rng(9)
    field = make_field(rng, 900)
    plain = match_stars(
        *seen(rng, field, similarity(1, 1, (3, 3))), ReferencePattern(*seen(rng, field, None)), shape=SHAPE
    )
    assert plain.model == "similarity"
    bent = Transform(
        matrix=similarity(1, 1, (3, 3)).matrix,
        distortion=np.array([[0.4, 0.1, -0.3, 0.8, 0.0, 0.7, 0.1], [0.2, -0.3, 0.1, 0.0, 0.9, 0.1, 0.6]]),
        centre=(799.5, 549.5),
        radius=970.0,
    )
    found = match_stars(*seen(rng, field, bent), ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
    assert found.model == "cubic"
    assert worst(found.transform, bent) < 0.05


def test_differential_refraction_asks_for_an_affine() -> None:
    # 0.1 % of the field at 30 degrees of altitude: one axis is squeezed against the other.
    rng = np.random.default_rng(10)
    field = make_field(rng, 900)
    squeezed = Transform(matrix=np.array([[1.0, 0.0, 5.0], [0.0, 0.999, 2.0]]))
    found = match_stars(*seen(rng, field, squeezed), ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
    assert found.model == "affine"
    assert worst(found.transform, squeezed) < 0.02


def test_unrelated_fields_never_match() -> None:
    for seed in range(60):
        rng = np.random.default_rng(1000 + seed)
        n = int(rng.integers(6, 900))
        a, b = make_field(rng, n), make_field(rng, n)
        lists = seen(rng, a, None), seen(rng, b, None)
        with pytest.raises(RegistrationError):
            match_stars(*lists[0], ReferencePattern(*lists[1]), shape=SHAPE, scale_range=None)


@pytest.mark.full
def test_three_hundred_unrelated_fields_never_match() -> None:
    for seed in range(300):
        rng = np.random.default_rng(7000 + seed)
        n = int(rng.integers(6, 900))
        a, b = (seen(rng, make_field(rng, n), None) for _ in range(2))
        with pytest.raises(RegistrationError):
            match_stars(*a, ReferencePattern(*b), shape=SHAPE, scale_range=None)


def test_one_bright_star_with_a_wrong_centre_does_not_pull() -> None:
    rng = np.random.default_rng(21)
    field = make_field(rng, 300)
    truth = similarity(1.0, 0.4, (6.0, 3.0))
    xy, error = seen(rng, field, truth)
    xy[0] += 0.6  # saturated: its photon error says 0.003 px
    match = match_stars(xy, error, ReferencePattern(*seen(rng, field, None)), shape=SHAPE)
    assert worst(match.transform, truth) <= max(0.02, 1.5 * match.error_px)


def test_a_regular_grid_of_stars_is_refused() -> None:
    x, y = np.meshgrid(np.arange(100, 1600, 100.0), np.arange(100, 1100, 100.0))
    xy = np.column_stack([x.ravel(), y.ravel()])
    error = np.full(len(xy), 0.02)
    with pytest.raises(RegistrationError):
        match_stars(xy + np.array([30.0, 40.0]), error, ReferencePattern(xy, error), shape=SHAPE)


def test_too_few_stars_say_so() -> None:
    xy = np.zeros((3, 2))
    with pytest.raises(RegistrationError, match="too few stars; seen: 3; allowed: 6 or more"):
        match_stars(
            xy, np.ones(3), ReferencePattern(np.random.default_rng(0).uniform(0, 100, (9, 2)), np.ones(9)), shape=SHAPE
        )


def test_against_an_independent_library() -> None:
    # astroalign (Beroiz et al. 2020, Astronomy and Computing 32, 100384) on the same lists.
    astroalign = pytest.importorskip("astroalign")
    ours_worst, theirs_worst = [], []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        field = make_field(rng, 400)
        truth = similarity(1.0, 181.3, (12.0, 31.0))
        reference, sub = seen(rng, field, None), seen(rng, field, truth)
        ours = match_stars(*sub, ReferencePattern(*reference), shape=SHAPE)
        theirs, _ = astroalign.find_transform(sub[0][:60], reference[0][:60])
        np.testing.assert_allclose(ours.transform.matrix, theirs.params[:2], atol=0.5)
        ours_worst.append(worst(ours.transform, truth))
        theirs_worst.append(worst(Transform(matrix=theirs.params[:2]), truth))
    assert np.median(ours_worst) < np.median(theirs_worst)


def test_inverse_of_a_bent_transform() -> None:
    bent = Transform(
        matrix=similarity(1.01, 30, (3, 3)).matrix, distortion=np.full((2, 7), 1.5), centre=(800.0, 550.0), radius=970.0
    )
    xy = np.random.default_rng(2).uniform(0, 1000, (50, 2))
    np.testing.assert_allclose(bent.invert(bent.apply(xy)), xy, atol=1e-7)
    assert np.abs(best_affine(bent, SHAPE) - bent.matrix).max() > 0
    assert polynomial_terms(np.ones(1), np.ones(1)).shape == (1, 7)


def test_clipped_pairs_do_not_pull_the_fit() -> None:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 1000, (200, 2))
    truth = similarity(1.0, 1.0, (5.0, 5.0))
    target = truth.apply(xy) + rng.normal(0, 0.02, xy.shape)
    target[:20] += rng.uniform(1, 3, (20, 2))
    fit = fit_transform(xy, target, np.full(200, 0.02), shape=SHAPE, mirror=False)
    assert not fit.used[:20].any()
    assert worst(fit.transform, truth) < 0.02


def test_subs_of_one_camera_share_its_distortion() -> None:
    bend = np.array([[0.0, 0.0, 0.0, 0.25, 0.0, 0.25, 0.0], [0.0, 0.0, 0.0, 0.0, 0.25, 0.0, 0.25]])
    pairs, transforms, truths = [], [], []
    for seed in range(14):
        rng = np.random.default_rng(seed)
        plain = similarity(0.8, 30.0 + 180.0 * (seed % 2), tuple(rng.uniform(-10, 10, 2)))
        truth = Transform(
            matrix=plain.matrix,
            distortion=plain.matrix[:, :2] @ bend,
            centre=(799.5, 549.5),
            radius=0.5 * float(np.hypot(*SHAPE)),
        )
        xy = np.column_stack([rng.uniform(0, 1599, 120), rng.uniform(0, 1099, 120)])
        target, sigma = truth.apply(xy) + rng.normal(0, 0.05, xy.shape), np.full(120, 0.05)
        fit = fit_transform(xy, target, sigma, shape=SHAPE, mirror=False)
        pairs.append((xy, target, sigma))
        transforms.append(Transform(matrix=fit.transform.matrix))
        truths.append(truth)
    shared = pooled_distortion(pairs, transforms, SHAPE)
    assert shared is not None
    corners = np.array([[0.0, 0.0], [1599, 0], [0, 1099], [1599, 1099], [800, 550]])
    rms = [
        np.sqrt(np.mean([(t.apply(corners) - s.apply(corners)) ** 2 for t, s in zip(truths, list_)]))
        for list_ in (transforms, shared)
    ]
    assert rms[1] < 0.025
    assert rms[1] < 0.5 * rms[0]


def test_without_distortion_none_is_shared() -> None:
    rng = np.random.default_rng(4)
    pairs, transforms = [], []
    for _ in range(10):
        truth = similarity(1.0, 10.0, tuple(rng.uniform(-10, 10, 2)))
        xy = np.column_stack([rng.uniform(0, 1599, 120), rng.uniform(0, 1099, 120)])
        pairs.append((xy, truth.apply(xy) + rng.normal(0, 0.05, xy.shape), np.full(120, 0.05)))
        transforms.append(truth)
    assert pooled_distortion(pairs, transforms, SHAPE) is None
