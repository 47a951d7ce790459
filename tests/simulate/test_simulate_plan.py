"""Plans: what they make on disk, the truth beside it, and what is said of a wrong one."""

from __future__ import annotations

import copy
import math
import tomllib
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from nightfold.errors import CancelledError, SettingsError
from nightfold.settings.models import CampaignSettings
from nightfold.simulate.demo import demo_plan, demo_settings_text
from nightfold.simulate.plan import load_truth, simulate_plan
from nightfold.simulate.plan_file import read_plan, start_of

PLAN = """
name = "small"
seed = 4
[site]
latitude_deg = -32.6
longitude_deg = 147.2
utc_offset_h = 10.0
[scene]
object = "Small Field"
ra_deg = 250.2
dec_deg = -48.8
size_arcmin = [20, 16]
faintest_g = 14.0
stars_per_deg2_to_10 = 150
catalogue = false
[[rig]]
name = "Rig A"
aperture_mm = 106
focal_length_mm = 530
pixel_um = 4.63
width_px = 160
height_px = 120
rotator = true
cosmic_rays_per_cm2_min = 40.0
filter = [
  { name = "Ha", centre_nm = 656.28, width_nm = 3.0, line = "Ha" },
  { name = "OIII", centre_nm = 500.7, width_nm = 3.0, line = "OIII" },
]
[[night]]
date = 2026-05-14
[[night.run]]
rig = "Rig A"
filter = "Ha"
start = "15:18"
subs = 3
exposure_s = 300
position_angle_deg = 4.0
creep_arcsec_h = [20.0, 0.0]
dither_arcsec = 0.0
fault = [{ sub = 2, kind = "trail" }, { sub = 2, kind = "cloud", amount = 0.5 }, { sub = 3, kind = "wrong_filter" }]
[[calibration]]
rig = "Rig A"
kind = "flat"
filter = "Ha"
count = 2
exposure_s = 3
start = 2026-05-14T21:00:00Z
[[calibration]]
rig = "Rig A"
kind = "bias"
count = 1
start = 2026-05-14T20:00:00Z
[[calibration]]
rig = "Rig A"
kind = "dark"
count = 1
exposure_s = 300
start = 2026-05-14T20:10:00Z
[[calibration]]
rig = "Rig A"
kind = "flat_dark"
count = 1
exposure_s = 3
start = 2026-05-14T21:30:00Z
"""


class Counter:
    """Counts what is told."""

    def __init__(self) -> None:
        self.total, self.done, self.finished = 0, 0, False

    def start(self, total: int, what: str, unit: str = "") -> None:
        self.total = total

    def advance(self, n: int = 1) -> None:
        self.done += n

    def finish(self) -> None:
        self.finished = True


def test_frames_cards_and_truth_of_a_small_plan(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN, encoding="utf-8")
    counter = Counter()
    made = simulate_plan(plan, tmp_path / "out", progress=counter)
    assert (counter.total, counter.done, counter.finished) == (8, 8, True)
    assert len(made.files) == 8
    assert all(f.is_file() for f in made.files)
    assert not list(tmp_path.rglob("*unfinished*"))
    kinds = []
    for file in made.files:
        with fits.open(file) as hdus:
            hdus.verify("exception")
            header, pixels = hdus[0].header, hdus[0].data
            assert pixels.dtype == np.uint16
            assert pixels.shape == (120, 160)
            assert header["XPIXSZ"] == 4.63
            assert header["EGAIN"] == 0.25
            kinds.append(header["IMAGETYP"])
    assert kinds == ["Light Frame"] * 3 + ["Flat Field"] * 2 + ["Bias Frame", "Dark Frame", "Flat Dark"]
    first = fits.getheader(made.files[0])
    assert first["DATE-OBS"] == "2026-05-14T15:18:00.000"
    assert first["DATE-LOC"] == "2026-05-15T01:18:00.000"
    assert (first["FILTER"], first["EXPTIME"], first["OBJECT"]) == ("Ha", 300.0, "Small Field")
    assert (first["PIERSIDE"], fits.getheader(made.files[2])["PIERSIDE"]) == ("West", "East")
    assert first["ROTATANG"] == 4.0
    assert first["RA"] == pytest.approx(250.2, abs=0.05)
    assert {"SITELAT", "SITELONG", "FOCUSPOS", "FOCTEMP", "AIRMASS", "CCD-TEMP", "SET-TEMP", "FOCALLEN"} <= set(first)

    truth = load_truth(made.truth)
    assert made.subs().keys() == truth.keys()
    one, two, three = (truth[f.relative_to(made.folder).as_posix()] for f in made.files[:3])
    assert [t.faults for t in (one, two, three)] == [(), ("trail", "cloud"), ("wrong_filter",)]
    assert (three.filter, fits.getheader(made.files[2])["FILTER"]) == ("OIII", "Ha")
    assert two.throughput / one.throughput == pytest.approx(0.5, abs=0.03)
    assert len(two.trails) == 1
    assert not one.flipped
    assert three.flipped
    assert len(one.star_xy) > 3
    assert len(one.cosmic_xy) == len(one.cosmic_e) > 0
    # Creep of 20" an hour to the east, two subs of 314 s later, seen by the flipped frame's centre.
    moved = three.sky_of_pixel([[79.5, 59.5]]) - one.sky_of_pixel([[79.5, 59.5]])
    assert moved[0] == pytest.approx([20.0 * 628.0 / 3600.0, 0.0], abs=0.01)


def test_thread_count_changes_nothing_and_an_interrupted_folder_is_completed(tmp_path: Path) -> None:
    raw = tomllib.loads(PLAN)
    a = simulate_plan(raw, tmp_path / "a", workers=1)
    a.files[1].unlink()
    a = simulate_plan(raw, tmp_path / "a", workers=1)
    b = simulate_plan(raw, tmp_path / "b", workers=3)
    for one, other in zip((*a.files, a.truth), (*b.files, b.truth)):
        assert one.read_bytes() == other.read_bytes()
    other_plan = {**raw, "seed": 5}
    with pytest.raises(SettingsError, match="holds frames already"):
        simulate_plan(other_plan, tmp_path / "a")


def test_a_request_to_stop_is_heard(tmp_path: Path) -> None:
    class Stop:
        def check(self, what: str) -> None:
            raise CancelledError(f"{what} was stopped")

    with pytest.raises(CancelledError, match="simulating frames"):
        simulate_plan(tomllib.loads(PLAN), tmp_path, cancelled=Stop())
    assert not list(tmp_path.rglob("*.fits"))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('filter = "Ha"\nstart', 'filter = "Hb"\nstart', r"no filter 'Hb'; it has: Ha, OIII"),
        ("subs = 3", "subs = 0", r"night\.1\.run\.1\.subs"),
        ("subs = 3", "subs = 2", "names sub 3, the run has 2"),
        ("aperture_mm = 106", 'aperture_mm = "wide"', "Rig A"),
        ("rotator = true", "rotator = true\nwarp = 3", r"unknown key; seen: warp"),
        ("width_px = 160", "", "lacks a key"),
        ('start = "15:18"', 'start = "soon"', "no time; seen: soon"),
        ('start = "15:18"', 'start = "03:18"', "too low"),
        ("latitude_deg = -32.6", "latitude_deg = -132.6", r"site\.latitude_deg"),
        ('kind = "trail"', 'kind = "goblin"', "goblin"),
        ("count = 2\nexposure_s = 3", "count = 2", "needs exposure_s"),
        ('name = "small"', 'name = "small', "is not TOML"),
        ("seed = 4", "sede = 4", "sede"),
    ],
)
def test_a_wrong_plan_is_told_by_its_place(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in PLAN
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(SettingsError, match=message):
        simulate_plan(plan, tmp_path / "out")
    assert not list(tmp_path.rglob("*.fits"))


def test_a_plan_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"none\.toml cannot be read"):
        read_plan(tmp_path / "none.toml")


def test_clock_times_belong_to_the_night_after_the_local_noon() -> None:
    plan = read_plan(tomllib.loads(PLAN))
    night, run = plan.night[0], plan.night[0].run[0]
    early = run.model_copy(update={"start": "01:00"})
    assert start_of(run, night, 10.0) == datetime(2026, 5, 14, 15, 18, tzinfo=UTC)
    assert start_of(early, night, 10.0) == datetime(2026, 5, 15, 1, 0, tzinfo=UTC)
    assert start_of(early, night, -6.0) == datetime(2026, 5, 15, 1, 0, tzinfo=UTC)
    dated = run.model_copy(update={"start": datetime(2026, 5, 14, 23, 5)})
    assert start_of(dated, night, 10.0) == datetime(2026, 5, 14, 23, 5, tzinfo=UTC)


def _with_fault(kind: str, sub: int = 2) -> dict[str, Any]:
    raw = copy.deepcopy(tomllib.loads(PLAN))
    raw["night"][0]["run"][0]["fault"] = [{"sub": sub, "kind": kind}]
    raw["night"][0]["moon"] = False
    return raw


@pytest.mark.parametrize("kind", ["trailing", "focus", "dew", "dawn", "pointing", "seeing"])
def test_each_fault_shows_in_the_truth(tmp_path: Path, kind: str) -> None:
    raw = _with_fault(kind)
    raw["calibration"] = []
    good, bad, _ = simulate_plan(raw, tmp_path).subs().values()
    off = math.dist(bad.sky_of_pixel([79.5, 59.5]), good.sky_of_pixel([79.5, 59.5]))
    changed = {
        "trailing": bad.axis_ratio < 0.6 < good.axis_ratio,
        "focus": bad.fwhm_px > 1.5 * good.fwhm_px and bad.axis_ratio > 0.8,
        "seeing": bad.fwhm_px > 1.4 * good.fwhm_px,
        "dew": bad.throughput < 0.6 * good.throughput,
        "dawn": bad.sky_e > 5 * good.sky_e,
        "pointing": off > 400.0,
    }
    assert changed[kind]
    assert all(not shown for other, shown in changed.items() if other not in {kind, "seeing", "focus"})


def test_the_demo_is_small_and_its_settings_fit_its_rigs() -> None:
    plan = read_plan(demo_plan())
    subs = sum(run.subs for night in plan.night for run in night.run)
    frames = subs + sum(c.count for c in plan.calibration)
    assert frames <= 120
    settings = CampaignSettings.model_validate(tomllib.loads(demo_settings_text()))
    assert len(plan.night) == 3
    for rig in plan.rig:
        made = rig.sim_rig()
        said = settings.rig_named(rig.name)
        assert said is not None
        assert made.width_px <= 900
        assert made.height_px <= 620
        assert (said.camera.width_px, said.camera.height_px) == (made.width_px, made.height_px)
        assert said.camera.pixel_um == made.pixel_um
        assert said.telescope.focal_length_mm == made.focal_length_mm
        gain = said.gain_for(made.gain_setting)
        assert gain is not None
        assert (gain.e_per_adu, gain.read_noise_e, gain.full_well_e) == (
            made.e_per_adu,
            made.read_noise_e,
            made.full_well_e,
        )
        assert [f.name for f in said.filter] == [f.name for f in rig.filter]
        for name in ("Ha", "OIII", "SII"):
            count = sum(r.subs for n in plan.night for r in n.run if (r.rig, r.filter) == (rig.name, name))
            assert count >= 8
    kinds = {f.kind for n in plan.night for r in n.run for f in r.fault}
    assert {"cloud", "trail"} <= kinds
    angles = [{r.position_angle_deg for r in n.run if r.rig == plan.rig[0].name} for n in plan.night]
    assert angles[0] == angles[1] != angles[2]
    assert settings.target[0].name == plan.scene.object
