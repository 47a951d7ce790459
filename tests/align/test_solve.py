"""Plate solving on invented frames all over the sky: found where they lie, or refused, never wrong."""

from __future__ import annotations

import time
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from nightfold.align.catalogue import Catalogue
from nightfold.align.solve import LOG10_FALSE_ALARM, Solution, solve
from nightfold.align.triangles import build_index, triangle_codes, user_cache_folder, whole_sky_index
from nightfold.errors import RegistrationError

SHAPE = (1000, 1500)


def solved(frame, catalogue: Catalogue, folder: Path | None = None, *, blind: bool = False) -> Solution:
    return solve(
        frame.xy,
        frame.flux,
        shape=frame.shape,
        scale_arcsec_px=frame.header_scale,
        catalogue=catalogue,
        around=None if blind else frame.hint,
        index_folder=folder,
    )


def random_fields(
    skyfields: ModuleType, catalogue: Catalogue, seeds: range
) -> tuple[int, int, list[float], list[float]]:
    """Fields that hold eight stars, those of them solved, rms and seconds; none may be wrong."""
    rich, good, rms, seconds = 0, 0, [], []
    for seed in seeds:
        rng = np.random.default_rng(seed)
        width = float(np.exp(rng.uniform(np.log(0.7), np.log(5.0))))
        frame = skyfields.sky_frame(rng, catalogue, width_deg=width, mirrored=bool(seed % 2))
        rich += frame.catalogue_stars >= 8
        start = time.perf_counter()
        try:
            found = solved(frame, catalogue)
        except RegistrationError:
            continue
        assert frame.corner_error_px(found.wcs) < 1.0
        assert found.mirrored == bool(seed % 2)
        assert found.false_alarm_log10 < LOG10_FALSE_ALARM
        if frame.catalogue_stars >= 8:
            good += 1
            rms.append(found.rms_px)
            seconds.append(time.perf_counter() - start)
    return rich, good, rms, seconds


def test_random_fields_solve_from_a_pointing_that_is_a_degree_off(skyfields: ModuleType, catalogue: Catalogue) -> None:
    rich, good, rms, seconds = random_fields(skyfields, catalogue, range(30))
    assert rich >= 20
    assert good == rich
    assert np.median(rms) < 0.3
    assert np.median(seconds) < 2.0


@pytest.mark.full
def test_three_hundred_random_fields(skyfields: ModuleType, catalogue: Catalogue) -> None:
    rich, good, rms, seconds = random_fields(skyfields, catalogue, range(300))
    assert good >= 0.99 * rich
    assert np.median(rms) < 0.3
    assert np.quantile(seconds, 0.95) < 2.0


@pytest.mark.full
def test_random_fields_solve_blind(skyfields: ModuleType, catalogue: Catalogue, tmp_path: Path) -> None:
    rich = good = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        width = float(np.exp(rng.uniform(np.log(0.7), np.log(5.0))))
        frame = skyfields.sky_frame(rng, catalogue, width_deg=width, mirrored=bool(seed % 2))
        rich += frame.catalogue_stars >= 8
        start = time.perf_counter()
        try:
            found = solved(frame, catalogue, tmp_path, blind=True)
        except RegistrationError:
            continue
        finally:
            assert time.perf_counter() - start < 60.0
        assert frame.corner_error_px(found.wcs) < 1.0
        good += frame.catalogue_stars >= 8
    assert good >= 0.95 * rich


@pytest.mark.parametrize("seed", range(3))
def test_blind_from_the_scale_alone(skyfields: ModuleType, catalogue: Catalogue, tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame = skyfields.sky_frame(rng, catalogue, width_deg=6.5, mirrored=bool(seed % 2), focal_error=0.08)
    found = solved(frame, catalogue, tmp_path, blind=True)
    assert frame.corner_error_px(found.wcs) < 1.0


@pytest.mark.parametrize(
    ("at", "width"),
    [((40.0, 89.7), 2.0), ((200.0, -89.2), 3.0), ((266.0, -29.0), 1.7), ((0.01, 10.0), 2.5), ((250.2, -48.8), 1.9)],
)
def test_poles_plane_and_the_meridian_of_0h(
    skyfields: ModuleType, catalogue: Catalogue, at: tuple[float, float], width: float
) -> None:
    frame = skyfields.sky_frame(np.random.default_rng(5), catalogue, width_deg=width, at=at)
    found = solved(frame, catalogue)
    assert frame.corner_error_px(found.wcs) < 0.5
    # Each pair is one star in both lists.
    sky = found.wcs.all_pix2world(frame.xy[found.pairs[:, 0]], 0)
    there = found.stars.take(found.pairs[:, 1])
    assert np.abs(sky[:, 1] - there.dec_deg).max() * 3600 < 2.0 * found.scale_arcsec_px
    assert found.matched == len(there)


@pytest.mark.parametrize(("width", "barrel"), [(10.0, 0.004), (5.0, 0.006)])
def test_distortion_goes_into_sip(skyfields: ModuleType, catalogue: Catalogue, width: float, barrel: float) -> None:
    frame = skyfields.sky_frame(np.random.default_rng(6), catalogue, width_deg=width, at=(100.0, 5.0), barrel=barrel)
    found = solved(frame, catalogue)
    assert found.distortion
    assert found.cards["CTYPE1"] == "RA---TAN-SIP"
    assert frame.corner_error_px(found.wcs) < 0.5
    assert found.rms_px < 0.25


def test_no_distortion_no_sip(skyfields: ModuleType, catalogue: Catalogue) -> None:
    frame = skyfields.sky_frame(np.random.default_rng(7), catalogue, width_deg=5.0, at=(100.0, 5.0))
    assert not solved(frame, catalogue).distortion


@pytest.mark.parametrize("seed", [1, 2])
def test_a_wrong_focal_length_is_told(skyfields: ModuleType, catalogue: Catalogue, seed: int) -> None:
    rng = np.random.default_rng(seed)
    frame = skyfields.sky_frame(rng, catalogue, width_deg=2.0, at=(100.0, 5.0), focal_error=0.3)
    found = solved(frame, catalogue)
    assert found.scale_arcsec_px == pytest.approx(4.8, rel=1e-3)
    assert "the stars suggest 4.800 arcsec/px" in found.notes[0]


def test_stars_that_are_nowhere_on_the_sky_are_refused(catalogue: Catalogue) -> None:
    for seed, n in enumerate((6, 20, 60, 150)):
        rng = np.random.default_rng(90_000 + seed)
        with pytest.raises(RegistrationError) as caught:
            solve(
                rng.uniform(0, 1, (n, 2)) * [1499.0, 999.0],
                rng.pareto(1.2, n),
                shape=SHAPE,
                scale_arcsec_px=float(rng.uniform(2, 15)),
                catalogue=catalogue,
                around=(float(rng.uniform(230, 290)), float(rng.uniform(-60, -10))),
                within_deg=1.5,
            )
        assert caught.value.tried


def test_a_pointing_in_the_wrong_hemisphere_says_so(skyfields: ModuleType, catalogue: Catalogue) -> None:
    frame = skyfields.sky_frame(np.random.default_rng(8), catalogue, width_deg=2.0, at=(250.2, -48.8))
    frame.hint = (250.2, 48.8)
    with pytest.raises(RegistrationError, match="no place near where the telescope was said to point") as caught:
        solved(frame, catalogue)
    assert "without a pointing" in caught.value.next_step
    assert "Dec -48.8" in caught.value.next_step
    assert "sign is wrong" in caught.value.next_step


@pytest.mark.parametrize("factor", [2.0, 0.5])
def test_a_wrong_binning_is_told(skyfields: ModuleType, catalogue: Catalogue, factor: float) -> None:
    frame = skyfields.sky_frame(np.random.default_rng(31), catalogue, width_deg=3.0, at=(250.2, -48.8), focal_error=0.0)
    true = frame.header_scale
    frame.header_scale = true * factor
    found = solved(frame, catalogue)
    assert found.scale_arcsec_px == pytest.approx(true, rel=1e-3)
    assert "the stars suggest" in found.notes[0]


def test_a_field_that_cannot_hold_five_stars_is_refused_at_once(catalogue: Catalogue) -> None:
    rng = np.random.default_rng(32)
    with pytest.raises(RegistrationError, match="too few catalogue stars") as caught:
        solve(
            rng.uniform(0, 900, (60, 2)), rng.pareto(1.2, 60), shape=SHAPE, scale_arcsec_px=0.1, catalogue=catalogue,
            around=(192.9, 27.1), within_deg=1.0,
        )  # fmt: skip
    assert not caught.value.tried


def test_a_thin_field_counts_its_stars(skyfields: ModuleType, catalogue: Catalogue) -> None:
    # Near the north Galactic pole; 0.3 degrees hold no star or one.
    frame = skyfields.sky_frame(np.random.default_rng(9), catalogue, width_deg=0.3, at=(192.9, 27.1), false_stars=5)
    with pytest.raises(RegistrationError, match=r"too few catalogue stars \(\d\) in this field"):
        solved(frame, catalogue)


def test_a_thin_field_is_searched_at_other_scales_with_its_brightest_stars_alone(
    skyfields: ModuleType, catalogue: Catalogue
) -> None:
    # Holds five catalogue stars where six are usual: it cannot be solved, and took twice as long to say so.
    rng = np.random.default_rng(58)
    width = float(np.exp(rng.uniform(np.log(0.7), np.log(5.0))))
    frame = skyfields.sky_frame(rng, catalogue, width_deg=width, mirrored=False)
    with pytest.raises(RegistrationError) as caught:
        solved(frame, catalogue)
    at_other_scales = [line for line in caught.value.tried if "within 10 %" not in line]
    assert at_other_scales
    assert all(line.startswith("triangles of 24 stars") for line in at_other_scales)


def test_too_few_stars_in_the_frame(catalogue: Catalogue) -> None:
    with pytest.raises(RegistrationError, match="too few stars to solve; seen: 3; allowed: 5 or more"):
        solve(
            np.eye(3, 2) * 50 + 5, np.ones(3), shape=SHAPE, scale_arcsec_px=3.0, catalogue=catalogue, around=(0.0, 0.0)
        )


def test_the_kept_index_is_whole_or_made_again(catalogue: Catalogue, tmp_path: Path) -> None:
    made = whole_sky_index(catalogue, (7.0, 13.0), tmp_path / "new")
    (path,) = (tmp_path / "new").iterdir()
    again = whole_sky_index(catalogue, (7.5, 13.0), tmp_path / "new")
    np.testing.assert_array_equal(again.key, made.key)
    path.write_bytes(path.read_bytes()[:1000])
    mended = whole_sky_index(catalogue, (7.0, 13.0), tmp_path / "new")
    np.testing.assert_array_equal(mended.anchor, made.anchor)
    assert path.stat().st_size > 1000
    blocked = tmp_path / "file"
    blocked.write_text("in the way")
    assert len(whole_sky_index(catalogue, (7.0, 13.0), blocked).key) == len(made.key)


def test_the_cache_folder_can_be_moved(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr("sys.platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    assert user_cache_folder() == tmp_path / "nightfold"


def test_codes_know_no_shift_turn_or_mirror() -> None:
    rng = np.random.default_rng(10)
    z = rng.normal(size=(50, 3)) + 1j * rng.normal(size=(50, 3))
    code, order, left = triangle_codes(z)
    turned, turned_order, turned_left = triangle_codes(3.0 * np.exp(0.7j) * z + 5.0)
    np.testing.assert_allclose(turned[:, :2], code[:, :2])
    np.testing.assert_allclose(turned[:, 2] - code[:, 2], np.log(3.0))
    np.testing.assert_array_equal(turned_order, order)
    np.testing.assert_array_equal(turned_left, left)
    _, _, mirrored_left = triangle_codes(z.conj())
    np.testing.assert_array_equal(mirrored_left, ~left)


def test_a_search_finds_what_a_plain_comparison_finds(catalogue: Catalogue) -> None:
    among = catalogue.indices_near(catalogue.vectors[1000], 12.0)
    index = build_index(catalogue, among, field_deg=(4.0, 7.0), linked=5)
    code = index.code[::37].astype(np.float64) + np.array([0.002, -0.003, 0.05])
    row, hit = index.search(code, 0.08)
    difference = np.abs(index.code[None].astype(np.float64) - code[:, None])
    plain = (difference < [0.006, 0.006, 0.08]).all(axis=2)
    # Codes are kept in single precision: pairs at the very edge may go either way.
    assert len(row) == pytest.approx(plain.sum(), abs=3)
    assert plain[row, hit].mean() > 0.999
