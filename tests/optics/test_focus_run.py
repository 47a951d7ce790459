"""Focus runs against outside values, and against runs made here from rings blurred by the seeing."""

from __future__ import annotations

import functools
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from scipy.stats import ncx2

from nightfold.charts.optics import optics_chart
from nightfold.errors import FrameError
from nightfold.optics.files import focus_of_files, measure_file
from nightfold.optics.focus_run import expected_slope_px, fit_focus_run, read_focus_csv
from nightfold.optics.reports import focus_alone

POSITIONS = np.arange(24788.0, 25189.0, 50.0)
RADII = np.array([5.6461, 4.5032, 3.4323, 2.5267, 2.0222, 2.2126, 2.9671, 3.9766, 5.0915])


DISC = np.linspace(0.0, 300.0, 601)


@functools.cache
def disc_radii() -> np.ndarray:
    """Half-flux radius of a blurred full disc over its defocus, both in sigmas of the blur, at f/5."""
    return ring_radius(DISC, focal_ratio=5.0, obstruction=0.0, sigma=1.0)


def disc_radius(defocus: np.ndarray, sigma: float) -> np.ndarray:
    return np.interp(np.abs(defocus) / sigma, DISC, disc_radii()) * sigma


def ring_radius(defocus: np.ndarray, *, focal_ratio: float, obstruction: float, sigma: float) -> np.ndarray:
    """Half-flux radius of an annulus convolved with a Gaussian, from equal-area points and their noncentral chi."""
    e2 = obstruction**2
    rings = np.sqrt(e2 + (1.0 - e2) * (np.arange(40) + 0.5) / 40)
    out = []
    for dz in np.abs(defocus):
        places = rings * dz / (2.0 * focal_ratio) / sigma
        low, high = 0.0, 6.0 + places.max()
        for _ in range(40):
            middle = 0.5 * (low + high)
            inside = ncx2.cdf(middle**2, 2, places**2).mean()
            low, high = (middle, high) if inside < 0.5 else (low, middle)
        out.append(middle * sigma)
    return np.array(out)


def test_the_nine_points_give_their_curve() -> None:
    """CHECKS J2."""
    run = fit_focus_run(POSITIONS, RADII)
    assert run.verdict == "good"
    assert run.best_position == pytest.approx(25000.0, abs=0.01)
    assert run.least_radius_px == pytest.approx(1.99998, abs=2e-4)
    assert run.half_width == pytest.approx(80.302, abs=0.01)


def test_errors_are_those_of_the_fisher_matrix() -> None:
    """CHECKS J3: 0.90 um, 0.031 px, 1.67 um at 0.05 px noise, as scatter and as stated."""
    random = np.random.default_rng(3)
    runs = [fit_focus_run(POSITIONS, RADII + random.normal(0, 0.05, 9)) for _ in range(300)]
    best = np.array([r.best_position for r in runs])
    assert best.std() == pytest.approx(0.90, rel=0.13)  # 300 trials know it to 4 percent
    assert np.sqrt(np.mean([r.best_error**2 for r in runs])) == pytest.approx(0.90, rel=0.1)
    assert np.std([r.least_radius_px for r in runs]) == pytest.approx(0.031, rel=0.13)
    assert np.std([r.half_width for r in runs]) == pytest.approx(1.67, rel=0.13)


@pytest.mark.parametrize(("e", "slope"), [(0.0, 0.02351), (0.25, 0.02423), (0.35, 0.02491), (0.45, 0.02578)])
def test_slope_of_the_pupil(e: float, slope: float) -> None:
    """CHECKS J1, in pixels per micrometre."""
    assert expected_slope_px(focal_ratio=4.0, pixel_um=3.76, um_per_step=1.0, obstruction=e) == pytest.approx(
        slope, rel=1e-3
    )


def test_a_blurred_ring_is_nearly_a_hyperbola() -> None:
    """CHECKS J5: the simulated ring has the outside radii (2 percent)."""
    sigma = 2.5 / 206.264806 * 800.0 / 2.35482
    radius = ring_radius(np.array([0.0, 50, 100, 200]), focal_ratio=4.0, obstruction=0.35, sigma=sigma)
    assert radius == pytest.approx([4.88, 6.36, 10.06, 18.89], rel=0.02)


def simulated(random: np.random.Generator) -> tuple[float, np.ndarray, np.ndarray]:
    """A run of a 106 mm f/5 refractor, 4 um steps, 4.63 um pixels; 1 to 3 percent noise, sometimes a wild point."""
    best = random.uniform(-40.0, 40.0)
    span, count = random.uniform(50.0, 90.0), int(random.integers(9, 16))
    x = np.linspace(-span, span, count) + best + random.uniform(-0.25, 0.25) * span
    sigma = random.uniform(3.0, 5.0)
    radius = disc_radius((x - best) * 4.0, sigma) / 4.63
    radius = radius + random.normal(0, random.uniform(0.02, 0.05) * radius.min(), count)
    if random.random() < 0.2:
        radius[random.integers(count)] *= random.uniform(1.4, 2.0)
    return 20000.0 + best, x + 20000.0, radius


@pytest.mark.slow
def test_two_hundred_good_runs() -> None:
    random = np.random.default_rng(11)
    within, pull, verdicts = [], [], []
    for _ in range(200):
        truth, x, radius = simulated(random)
        run = fit_focus_run(x, radius)
        verdicts.append(run.verdict)
        if run.verdict == "good":
            within.append(abs(run.best_position - truth) <= run.interval_95)
            pull.append((run.best_position - truth) / run.best_error)
    assert verdicts.count("good") >= 196
    assert sum(within) >= 0.95 * 200
    assert 0.8 <= np.std(pull) <= 1.2


def bad_run(kind: str, random: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    truth, x, radius = simulated(random)
    flux = np.full(x.size, 100.0) * random.normal(1, 0.05, x.size)
    if kind == "too few points":
        keep = random.permutation(x.size)[: random.integers(1, 5)]
        return x[keep], radius[keep], flux[keep]
    if kind == "one-sided":
        keep = (x - truth) * random.choice([-1.0, 1.0]) > 0.0
        x = np.linspace(x[keep].min(), x[keep].max(), 11)
        best = truth
        clean = disc_radius((x - best) * 4.0, 4.0) / 4.63
        return x, clean * random.normal(1, 0.02, 11), np.full(11, 100.0)
    if kind == "noisy":
        return x, np.abs(radius + random.normal(0, 0.45 * radius.min(), x.size)), flux
    if kind == "constant":
        return x, np.median(radius) * random.normal(1.0, 0.03, x.size), flux
    first = random.integers(0, x.size - 3)
    flux[first : first + 4] *= random.uniform(0.1, 0.5)
    radius[first : first + 4] *= random.uniform(1.0, 1.5)
    return x, radius, flux


@pytest.mark.parametrize("kind", ["too few points", "one-sided", "noisy", "constant", "clouds"])
def test_bad_runs_are_recognised(kind: str) -> None:
    random = np.random.default_rng(5)
    found = [fit_focus_run(x, r, flux=f) for x, r, f in (bad_run(kind, random) for _ in range(60))]
    assert np.mean([f.verdict != "good" for f in found]) >= 0.95
    assert np.mean([f.verdict == kind for f in found]) >= 0.7
    assert all(np.isnan(f.best_position) for f in found if f.verdict not in ("good", "shallow"))


def weak_run(random: np.random.Generator, bend: float, drift: float) -> tuple[float, np.ndarray, np.ndarray]:
    """Radii that rise by `bend` at the ends of the range under 2 to 6 percent of seeing, one way or both."""
    x = np.linspace(-350.0, 350.0, int(random.integers(9, 16)))
    if random.random() < 0.5:
        x = np.concatenate([x[x.size // 2 :: 2], x[::-1]])
    best = float(random.uniform(-120.0, 120.0))
    rise = np.sqrt(1.0 + ((x - best) / 350.0) ** 2 * ((1.0 + bend) ** 2 - 1.0))
    seeing = 1.0 + random.normal(0.0, random.uniform(0.02, 0.06), x.size) + drift * np.linspace(-0.5, 0.5, x.size)
    return best, x, 2.0 * rise * seeing


@pytest.mark.slow
@pytest.mark.parametrize("drift", [0.0, 0.05])
def test_a_shallow_curve_tells_its_best_position_within_its_interval(drift: float) -> None:
    random = np.random.default_rng(31)
    within, claims = [], 0
    for _ in range(150):
        best, x, radius = weak_run(random, float(random.uniform(0.08, 0.25)), drift)
        run = fit_focus_run(x, radius)
        assert np.isfinite(run.best_position) == (run.verdict in ("good", "shallow"))
        if run.verdict == "shallow":
            claims += 1
            within.append(abs(run.best_position - best) <= run.interval_95)
            assert "shallow" in run.sentence
    assert claims > 30
    assert np.mean(within) >= 0.9


@pytest.mark.parametrize("drift", [0.0, 0.05])
def test_no_shallow_curve_where_there_is_none(drift: float) -> None:
    """One in two hundred may look bent by chance."""
    random = np.random.default_rng(32)
    runs = [fit_focus_run(*weak_run(random, 0.0, drift)[1:]) for _ in range(200)]
    assert sum(np.isfinite(r.best_position) for r in runs) <= 4


def test_a_shallow_curve_is_drawn_dashed_and_near(tmp_path: Path) -> None:
    """Its parabola of squared radii, on an axis without zero; a good run's curve is solid over zero."""
    x = np.linspace(-350.0, 350.0, 13)
    radius = 2.0 * np.hypot(1.0, (x - 20.0) / 700.0) + 0.02 * np.cos(9.0 * np.arange(13))
    for name, points, dash, zero in (("a", (5000 + x, radius), [5, 4], False), ("b", (POSITIONS, RADII), [1, 0], True)):
        file = tmp_path / f"{name}.csv"
        lines = "".join(f"{p:.1f},{r:.5f}\n" for p, r in zip(*points, strict=True))
        file.write_text(f"position,half_flux_radius_px\n{lines}", encoding="utf-8")
        report = focus_alone([file])
        spec = optics_chart(report, ground="print")
        line = next(layer for layer in spec["layer"] if layer["mark"]["type"] == "line")
        assert line["mark"]["strokeDash"] == dash
        assert line["encoding"]["y"]["scale"]["zero"] is zero
        least = min(line["data"]["values"], key=lambda v: v["radius"])
        assert least["position"] == pytest.approx(report.best_position, abs=5.0)
        assert line["data"]["values"][0]["radius"] == pytest.approx(points[1][0], rel=0.03)


def test_constant_radii_give_no_number() -> None:
    run = fit_focus_run(POSITIONS, np.full(9, 3.0))
    assert run.verdict == "constant"
    assert np.isnan(run.best_position)


def test_backlash_of_a_two_way_run() -> None:
    random = np.random.default_rng(2)
    up = 2.0 * np.hypot(1.0, (POSITIONS - 25015.0) / 80.0)
    down = 2.0 * np.hypot(1.0, (POSITIONS - 24985.0) / 80.0)
    x = np.concatenate([POSITIONS, POSITIONS[::-1]])
    run = fit_focus_run(x, np.concatenate([up, down[::-1]]) + random.normal(0, 0.03, 18))
    assert run.backlash == pytest.approx(30.0, abs=3.0 * run.backlash_error)
    assert 0.2 < run.backlash_error < 2.0
    assert run.best_position == pytest.approx(25015.0, abs=3.0 * run.best_error)


def test_positions_out_of_order_give_the_same_answer() -> None:
    order = np.random.default_rng(1).permutation(9)
    run = fit_focus_run(POSITIONS[order], RADII[order])
    assert run.best_position == pytest.approx(25000.0, abs=0.01)
    assert any("out of order" in n for n in run.notes)


def test_a_wrong_step_size_shows() -> None:
    slope = RADII[0] / 212.0  # about the asymptote's
    assert fit_focus_run(POSITIONS, RADII, slope_px=slope).slope_as_expected
    wrong = fit_focus_run(POSITIONS, RADII, slope_px=2.0 * slope)
    assert wrong.slope_as_expected is False
    assert any("step size" in n for n in wrong.notes)


def test_csv() -> None:
    data = read_focus_csv("position,half_flux_radius_px,temperature_c\n100, 3.5, 4.0\n110,2.5,\n")
    assert data.position.tolist() == [100.0, 110.0]
    assert np.isnan(data.temperature_c[1])
    with pytest.raises(FrameError, match="line 3: position is not a number"):
        read_focus_csv("position,half_flux_radius_px\n1,2\nx,2\n")
    with pytest.raises(FrameError, match="lacks columns"):
        read_focus_csv("a,b\n1,2\n")


@pytest.mark.parametrize(("between", "sign"), [(";", ","), (";", "."), ("\t", ","), ("\t", "."), (", ", ".")])
def test_csv_as_spreadsheets_write_it(between: str, sign: str) -> None:
    lines = [["Position", "half_flux_radius_px", "Temperature_C"], ["100", "3.5", "4.5"], ["110", "2.25", ""]]
    data = read_focus_csv(
        "\n".join(between.join(v.replace(".", sign) if i else v for v in w) for i, w in enumerate(lines))
    )
    assert data.half_flux_radius_px.tolist() == [3.5, 2.25]
    assert data.temperature_c[0] == 4.5
    assert np.isnan(data.temperature_c[1])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "holds no points"), ("position,half_flux_radius_px\n", "holds no points"), ("Pos,Radius\n1,2\n", "lacks columns; seen: Pos, Radius"),
        ("position,half_flux_radius_px\n24788,5,6461\n", "line 2: more values than columns; seen: 24788,5,6461"),
        ("position,half_flux_radius_px,temperature_c\n24788,5,6461\n", "line 2: no telescope stands at this temperature"),
        ("position,half_flux_radius_px\n24788\n", "line 2: half_flux_radius_px is not a number"),
    ],
)  # fmt: skip
def test_csv_that_would_give_wrong_numbers(text: str, words: str) -> None:
    """A decimal comma between commas splits a radius in two: never read as half of it."""
    with pytest.raises(FrameError, match=words):
        read_focus_csv(text)


def test_a_shallow_real_run(real_frames: Path) -> None:
    """Fourteen frames of one field through a 356 mm f/11 reflector: radii rise by a fifth, seeing moves them by 5 percent.

    The widths of fitted Moffat profiles, another measure of the same stars, bend three times as surely; their best position
    must lie in the interval that the radii tell.
    """
    run = focus_of_files([real_frames / "focus-run"])
    assert run.run.verdict == "shallow"
    assert run.run.interval_95 < 120.0
    files = sorted((real_frames / "focus-run").iterdir())
    position = np.array([fits.getheader(f)["FOCPOS"] for f in files], np.float64)
    width = [measure_file(f).reading.fwhm_px for f in files]
    c0, c1, c2 = np.polynomial.polynomial.polyfit(position - 4073.0, np.square(width), 2)
    assert c0 > 0.0
    assert abs(4073.0 - c1 / (2.0 * c2) - run.run.best_position) < run.run.interval_95
