"""The optics commands in a campaign: documents, findings, trends, charts, and bad input in one line."""

from __future__ import annotations

import shutil
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from optics_runs import HERON, SCENE, tilted

from command_shell import Shell
from nightfold.align.places.stage import solve_subs
from nightfold.align.stage import place_subs
from nightfold.campaign import Campaign
from nightfold.cli import main
from nightfold.intake.stage import header_of_row
from nightfold.ledger.records import FindingRow, NewFrame, SolutionRow
from nightfold.measure.stage import measure_subs
from nightfold.optics.apparent import air_factor, position_angle_deg, seen_by_the_mount
from nightfold.optics.files import temperature_of
from nightfold.simulate.demo import demo_settings_text
from nightfold.simulate.frames import render_bias, render_dark, render_flat, render_sub
from nightfold.simulate.rig import SimRig
from nightfold.simulate.truth import Conditions

RUN = """position,half_flux_radius_px,temperature_c
24788,5.6461,4.0
24838,4.5032,4.1
24888,3.4323,
24938,2.5267,4.0
24988,2.0222,4.0
25038,2.2126,3.9
25088,2.9671,3.9
25138,3.9766,3.9
25188,5.0915,3.9
"""
FOCUS_KEYS = {"best_position", "uncertainty", "half_flux_radius_px", "slope_px_per_step", "good"}
POLAR_KEYS = {
    "azimuth_error_arcmin", "azimuth_error_arcmin_uncertainty", "altitude_error_arcmin", "altitude_error_arcmin_uncertainty",
    "separable",
}  # fmt: skip
FIELD_KEYS = {
    "tilt_x_um",
    "tilt_x_uncertainty_um",
    "tilt_y_um",
    "tilt_y_uncertainty_um",
    "curvature_um",
    "coma",
    "sentence",
}


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], tmp_path: Path, small_settings: str) -> Shell:
    return Shell.new(capsys, tmp_path / "campaign", small_settings)


@pytest.fixture(scope="session")
def measured_folder(tmp_path_factory: pytest.TempPathFactory, small_frames: Path, small_settings: str) -> Path:
    """A campaign whose subs are measured and placed, but not judged: optics need no verdicts."""
    folder = tmp_path_factory.mktemp("measured") / "campaign"
    with Campaign.create(folder, text=small_settings) as campaign:
        campaign.take_in([small_frames])
        measure_subs(campaign._ws)
        place_subs(campaign._ws)
    return folder


@pytest.fixture
def measured(shell: Shell, measured_folder: Path) -> Shell:
    shutil.rmtree(shell.folder)
    shutil.copytree(measured_folder, shell.folder)
    return shell


def header(start: datetime, **more: Any) -> fits.Header:
    cards = {
        "IMAGETYP": "Light", "EXPTIME": 10.0, "DATE-OBS": start.strftime("%Y-%m-%dT%H:%M:%S"), "TELESCOP": "Heron 106",
        "INSTRUME": "SIM", "XPIXSZ": 4.63, "FOCALLEN": 530.0, "APTDIA": 106.0, "GAIN": 100, "EGAIN": 0.25, "FILTER": "L",
        "XBINNING": 1, "YBINNING": 1, "CCD-TEMP": -5.0,
    }  # fmt: skip
    return fits.Header(list({**cards, **more}.items()))


@pytest.fixture(scope="session")
def focus_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Nine whole frames of a focus run: steps of 1.2 um, best at 12040, a sensor tilted by 50 and -36 um."""
    folder = tmp_path_factory.mktemp("run")
    rig = tilted((50.0, -36.0))
    for i, position in enumerate(np.linspace(11920, 12160, 9)):
        conditions = Conditions(
            filter="L", exposure_s=10.0, sensor_z_um=float((position - 12040) * 1.2), elongation_px=1.0,
            seeing_arcsec=2.6 + 0.1 * (i % 3),
        )  # fmt: skip
        adu, _ = render_sub(SCENE, rig, conditions, 40 + i)
        start = datetime(2026, 5, 14, 20, 0, tzinfo=UTC) + timedelta(seconds=20 * i)
        cards = header(start, FOCUSPOS=int(position), FOCTEMP=11.5)
        fits.PrimaryHDU(adu, cards).writeto(folder / f"run-{i}.fits")
    return folder


def test_a_run_from_csv(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "run.csv"
    file.write_text(RUN, encoding="utf-8")
    found = shell("optics", "focus", file, "--chart", tmp_path / "run.svg")
    assert set(found) >= FOCUS_KEYS
    assert found["good"] is True
    assert found["best_position"] == pytest.approx(25000.0, abs=0.1)
    assert found["temperature_c"] == pytest.approx(3.95, abs=0.06)
    assert (tmp_path / "run.svg").read_text(encoding="utf-8").startswith("<svg")
    with Campaign.open(shell.folder) as campaign:
        assert [f.document["best_position"] for f in campaign._ws.ledger.findings("optics-focus")] == [
            found["best_position"]
        ]
    shell("optics", "focus", file)
    with Campaign.open(shell.folder) as campaign:
        assert len(campaign._ws.ledger.findings("optics-focus")) == 1, "the same run is kept once"


def test_a_run_without_a_campaign(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NIGHTFOLD_CAMPAIGN", raising=False)
    Path("run.csv").write_text(RUN, encoding="utf-8")
    assert main(["optics", "focus", "run.csv"]) == 0
    assert "Best focus at 25000" in capsys.readouterr().out


def test_a_run_of_whole_frames_tells_focus_and_tilt(shell: Shell, focus_folder: Path, tmp_path: Path) -> None:
    found = shell("optics", "focus", focus_folder, "--rig", "Heron 106")
    assert found["good"] is True
    assert abs(found["best_position"] - 12040) <= max(found["interval_95"], 2.0)
    assert found["filter"] == "L"
    assert found["night"] == "2026-05-14"
    field = found["field"]
    assert set(field) >= FIELD_KEYS
    assert field["measured"] is True
    assert field["tilt_x_um"] == pytest.approx(50.0, abs=max(5.0, 3 * field["tilt_x_uncertainty_um"]))
    assert field["tilt_y_um"] == pytest.approx(-36.0, abs=max(3.6, 3 * field["tilt_y_uncertainty_um"]))
    assert field["sentence"].startswith("The lower right corner is")
    assert field["coma"]["measured"] is True
    assert field["coma"]["size_px"] is None, "these optics have none"
    assert field["coma"]["least_px"] < 0.5
    assert "lower right" in field["try_first"][0]
    assert [t["night"] for t in field["trend"]] == ["2026-05-14"]
    told = shell("optics", "summary", "--night", "2026-05-14")
    assert any("lower right" in s for s in told["sentences"])
    assert any("Best focus" in s for s in told["sentences"])
    # A note of the rig ends the trend.
    shell("note", "corrector turned", "--rig", "Heron 106", "--on", "2026-05-15")
    with Campaign.open(shell.folder) as campaign:
        from nightfold.optics.stage import _field_trend

        assert _field_trend(campaign._ws, "Heron 106") == ()


def line_of(shell: Shell, *words: str | Path) -> str:
    error = shell(*words, status=1)["error"]
    assert set(error) == {"what", "seen", "allowed", "next"}
    text = " ".join(error.values())
    assert "\n" not in text
    return text


def test_bad_runs_say_one_line(shell: Shell, focus_folder: Path, tmp_path: Path) -> None:
    flat = tmp_path / "flat.csv"
    flat.write_text("position,half_flux_radius_px\n" + "".join(f"{100 * i},2.5\n" for i in range(9)), encoding="utf-8")
    constant = shell("optics", "focus", flat)
    assert (constant["good"], constant["verdict"], constant["best_position"]) == (False, "constant", None)
    broken = tmp_path / "broken.csv"
    broken.write_text("position,half_flux_radius_px\n100,abc\n", encoding="utf-8")
    assert "line 2" in line_of(shell, "optics", "focus", broken)
    noise = tmp_path / "noise.csv"
    noise.write_bytes(bytes(range(128, 256)))
    assert "not text" in line_of(shell, "optics", "focus", noise)
    assert "one CSV file" in line_of(shell, "optics", "focus", flat, broken)
    for name in ("focus", "camera"):
        assert "no such file or folder" in line_of(shell, "optics", name, tmp_path / "nowhere")
        (tmp_path / "empty").mkdir(exist_ok=True)
        assert "frames" in line_of(shell, "optics", name, tmp_path / "empty")
    mixed = tmp_path / "mixed"
    mixed.mkdir()
    for i, file in enumerate(sorted(focus_folder.glob("*.fits"))[:2]):
        with fits.open(file) as hdus:
            cards = hdus[0].header
            if i:
                cards["INSTRUME"] = "another"
            fits.PrimaryHDU(hdus[0].data, cards).writeto(mixed / file.name)
    assert "two rigs" in line_of(shell, "optics", "focus", mixed)
    (mixed / "run-1.fits").unlink()
    with fits.open(mixed / "run-0.fits") as hdus:
        cards = hdus[0].header
        del cards["FOCUSPOS"]
        fits.PrimaryHDU(hdus[0].data, cards).writeto(mixed / "run-2.fits")
    assert "do not say where the focuser stood" in line_of(shell, "optics", "focus", mixed)


def test_law_and_what_missed_focus_cost(measured: Shell, tmp_path: Path) -> None:
    """Runs on record over three nights; the subs stood 40 steps off."""
    shell = measured
    with Campaign.open(shell.folder) as campaign:
        rows = campaign._ws.ledger.frames(kind="sub")
        rig, stood = rows[0].rig, float(rows[0].header["focuser_position"])
        temperature = rows[0].header["ambient_c"] or rows[0].header["focuser_c"]
        random = np.random.default_rng(1)
        for i in range(14):
            moment = datetime(2026, 5, 10, 18, tzinfo=UTC) + timedelta(hours=0.5 * (i % 5), days=i // 5)
            c = temperature + 6.0 * np.sin(i)
            document = {
                "good": True, "best_position": stood + 40.0 + 5.0 * (c - temperature) + random.normal(0, 1.0), "uncertainty": 1.0,
                "temperature_c": c, "filter": "Ha", "start": moment.isoformat().replace("+00:00", "Z"),
            }  # fmt: skip
            night = date(2026, 5, 10) + timedelta(days=i // 5)
            campaign._ws.ledger.add_finding(FindingRow(kind="optics-focus", document=document, rig=rig, filter="Ha", night=night))  # fmt: skip
    found = shell("optics", "law", "--rig", rig, "--chart", tmp_path / "law.svg")
    assert "mark" in (tmp_path / "law.svg").read_text(encoding="utf-8")
    assert found["told"] is True
    assert found["steps_per_c"] == pytest.approx(5.0, abs=max(0.5, 3 * found["uncertainty"]))
    assert found["refocus_interval_c"] > 0
    ha = [s for s in found["subs"] if s["filter"] == "Ha"]
    assert ha
    assert {s["filter"] for s in found["subs"]} == {"Ha"}, "no offset is known of the other filter"
    assert all(s["cost"] >= 0 for s in found["subs"])
    assert "Refocus every" in found["sentence"]


def test_a_focuser_that_counts_inward_turns_the_signs(shell: Shell, focus_folder: Path) -> None:
    """Until it is said which way positions grow, the answer tells what it took for granted."""
    first = shell("optics", "focus", focus_folder, "--rig", "Heron 106")["field"]
    assert any("outward" in n for n in first["notes"])
    file = shell.folder / "campaign.toml"
    text = file.read_text(encoding="utf-8")
    assert "step_um = 1.2" in text
    file.write_text(text.replace("step_um = 1.2", "step_um = 1.2\noutward = false"), encoding="utf-8")
    other = shell("optics", "focus", focus_folder, "--rig", "Heron 106")["field"]
    assert not any("outward" in n for n in other["notes"])
    for key in ("tilt_x_um", "tilt_y_um", "curvature_um"):
        assert other[key] == pytest.approx(-first[key], abs=0.5)


def test_too_few_runs_give_no_law(shell: Shell) -> None:
    found = shell("optics", "law", "--rig", "Heron 106")
    assert found["told"] is False
    assert found["steps_per_c"] is None
    assert "several rigs" in line_of(shell, "optics", "law")


def test_nothing_measured_is_said(shell: Shell, small_frames: Path) -> None:
    assert "take some in" in line_of(shell, "optics", "field")
    shell("take-in", small_frames)
    assert "judge" in line_of(shell, "optics", "field")


def test_field_tracking_and_polar_of_a_night(measured: Shell, tmp_path: Path) -> None:
    shell = measured
    found = shell("optics", "field", "--night", "2026-05-14", "--chart", tmp_path / "field.png")
    assert set(found) >= FIELD_KEYS
    assert found["measured"] is False
    assert "not measurable" in found["sentence"]
    assert found["tilt_x_um"] is None
    assert (tmp_path / "field.png").read_bytes()[:4] == b"\x89PNG"
    line = line_of(shell, "optics", "polar")
    assert "place on the sky" in line
    assert "none was looked for yet" in line
    assert "run `nightfold judge`" in line
    on_frame = shell("optics", "tracking", "--night", "2026-05-14", "--chart", tmp_path / "on-frame.svg")
    assert on_frame["along"] == "frame"
    assert on_frame["ra_arcsec_per_h"] is None
    assert "How the frame lies on the sky is not known" in on_frame["sentence"]
    with Campaign.open(shell.folder) as campaign:
        solve_subs(campaign._ws)
    line = line_of(shell, "optics", "polar")
    assert "too few catalogue stars" in line
    assert "catalogue add" in line
    # The small field is too small to be solved: the scale and turn of its first night are given here.
    with Campaign.open(shell.folder) as campaign:
        ws = campaign._ws
        row = next(r for r in ws.ledger.frames(kind="sub") if r.target)
        grid = ws.ledger.grid(row.target or "", row.panel)
        assert grid is not None
        scale = 206.264806 * 4.63 / 530 / 3600
        cards = {
            "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 260.5, "CRPIX2": 200.5, "CRVAL1": 250.2, "CRVAL2": -48.8,
            "CD1_1": -scale, "CD1_2": 0.0, "CD2_1": 0.0, "CD2_2": scale, "LONPOLE": 180.0,
        }  # fmt: skip
        ws.ledger.set_grid_wcs(grid.id, cards)
    polar = shell("optics", "polar", "--night", "2026-05-14", "--chart", tmp_path / "polar.png")
    assert (tmp_path / "polar.png").exists()
    assert set(polar) >= POLAR_KEYS
    assert polar["separable"] is False
    assert polar["azimuth_error_arcmin"] is None
    assert "not separable" in polar["sentence"]
    assert polar["refracted_pole_arcmin"] > 0
    told = shell("optics", "summary", "--night", "2026-05-14")["sentences"]
    assert told
    tracking = shell("optics", "tracking", "--night", "2026-05-14", "--chart", tmp_path / "t.svg", "--trend", tmp_path / "n.svg")  # fmt: skip
    assert (tmp_path / "t.svg").exists()
    assert (tmp_path / "n.svg").exists()
    assert [t["night"] for t in tracking["trend"]] == ["2026-05-14"]
    assert tracking["subs"] >= 3
    assert len(tracking["points"]) == tracking["subs"]
    assert tracking["along"] == "sky"
    # North is up and east to the left there: stars that went to the right did as the frame went east.
    scale = 206.264806 * 4.63 / 530
    for a, b in zip(tracking["points"], on_frame["points"], strict=True):
        assert b["x_px"] * scale == pytest.approx(a["east_arcsec"], abs=0.05)
        assert b["y_px"] * scale == pytest.approx(-a["north_arcsec"], abs=0.05)
        assert b["east_arcsec"] is None
    assert {"sentence", "ra_arcsec_per_h", "dithers", "elongation_sentence"} <= set(tracking)
    assert "no measured subs" in line_of(shell, "optics", "tracking", "--night", "2020-01-01")


def test_a_night_that_drifted_through_focus(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    """The focuser stood still while an aluminium tube cooled by 16 degrees: 12.5 um each; the tilt is 60 and -40 um."""
    folder = tmp_path / "frames"
    folder.mkdir()
    rig = tilted((60.0, -40.0))
    for i, c in enumerate(np.linspace(17.0, 1.0, 12)):
        conditions = Conditions(filter="L", exposure_s=10.0, sensor_z_um=(c - 9.5) * 12.5, elongation_px=1.0, seeing_arcsec=2.6 + 0.05 * (i % 3))  # fmt: skip
        adu, _ = render_sub(SCENE, rig, conditions, 70 + i)
        start = datetime(2026, 5, 14, 12, 0, tzinfo=UTC) + timedelta(minutes=30 * i)
        cards = header(start, OBJECT="Lantern Shell", FOCUSPOS=12000)
        cards["AMBTEMP"] = float(c)
        fits.PrimaryHDU(adu, cards).writeto(folder / f"sub-{i:02d}.fits")
    with Campaign.create(tmp_path / "c", text=demo_settings_text()) as campaign:
        campaign.take_in([folder])
        measure_subs(campaign._ws)
        found = campaign.optics_field(rig="Heron 106")
    assert found.measured, found.sentence
    assert found.tilt_x_um == pytest.approx(60.0, abs=max(6.0, 3 * found.tilt_x_uncertainty_um))
    assert found.tilt_y_um == pytest.approx(-40.0, abs=max(4.0, 3 * found.tilt_y_uncertainty_um))
    assert any("tube" in n for n in found.notes)


CAMERA = replace(HERON, width_px=520, height_px=400)


def write_camera_frames(folder: Path, rig: SimRig, *, levels: tuple[float, ...], steady: bool = True, darks: int = 3, number: int = 0, **cards: Any) -> None:  # fmt: skip
    """Biases, darks at two temperatures and pairs of flats whose exposures go with their levels."""
    start = datetime(2026, 5, 15, 8, 0, tzinfo=UTC)
    folder.mkdir(exist_ok=True)

    def write(adu: np.ndarray, kind: str, exposure: float, sensor: float = -5.0) -> None:
        nonlocal number
        number += 1
        kept = header(start + timedelta(seconds=number), IMAGETYP=kind, EXPTIME=exposure, **cards)
        kept["CCD-TEMP"] = sensor
        fits.PrimaryHDU(adu, kept).writeto(folder / f"{kind}-{number:02d}.fits")

    for i in range(4):
        write(render_bias(rig, number + i), "Bias", 0.0)
    for sensor in (-5.0, 5.0):
        for i in range(darks):
            write(render_dark(rig, 50 + i, exposure_s=1200.0, sensor_c=sensor, cosmic_rays=False), "Dark", 1200.0, sensor)  # fmt: skip
    for n, level in enumerate(levels):
        exposure = 10.0 * level if steady else 1.0 + n
        for i in range(2):
            write(render_flat(rig, "L", int(100 * level) + i, exposure_s=exposure, level=level), "Flat", exposure)


@pytest.fixture(scope="session")
def camera_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Biases, darks at two temperatures and flats of five exposures of the simulated camera."""
    folder = tmp_path_factory.mktemp("camera")
    write_camera_frames(folder, CAMERA, levels=(0.11, 0.22, 0.33, 0.44, 0.55))
    return folder


def test_camera(shell: Shell, camera_folder: Path, tmp_path: Path) -> None:
    """Gain within 1 percent, read noise within 2, dark current within 5; differences to campaign.toml are flagged."""
    found = shell("optics", "camera", camera_folder, "--rig", "Heron 106", "--chart", tmp_path / "camera.svg")
    assert found["e_per_adu"] == pytest.approx(HERON.e_per_adu, rel=0.01)
    assert found["read_noise_e"] == pytest.approx(np.hypot(HERON.read_noise_e, HERON.row_noise_e), rel=0.02)
    by_temperature = {round(d["sensor_c"]): d for d in found["dark"]}
    assert by_temperature[-5]["e_per_s"] == pytest.approx(HERON.dark_e_per_s, rel=0.05)
    assert by_temperature[5]["e_per_s"] == pytest.approx(HERON.dark_e_per_s * 2 ** (10 / 6), rel=0.05)
    assert found["dark_doubling_c"] == pytest.approx(6.0, rel=0.1)
    assert found["worst_departure"] < 0.01
    assert found["hot_pixels"] is not None
    assert (tmp_path / "camera.svg").exists()
    assert all(d["sentence"] for d in found["differs"])
    file = shell.folder / "campaign.toml"
    text = file.read_text(encoding="utf-8")
    assert "e_per_adu = 0.25" in text
    file.write_text(text.replace("e_per_adu = 0.25", "e_per_adu = 0.40"), encoding="utf-8")
    flagged = shell("optics", "camera", camera_folder, "--rig", "Heron 106")["differs"]
    assert "gain" in {d["what"] for d in flagged}
    assert any("campaign.toml says 0.4" in d["sentence"] for d in flagged)


def test_camera_of_the_campaigns_own_frames(shell: Shell, camera_folder: Path, tmp_path: Path) -> None:
    """Without files: those of the rig and setting that tell most; the rest is named, not mixed in."""
    assert "flats, biases and darks of its own" in line_of(shell, "optics", "camera")
    write_camera_frames(tmp_path / "other", CAMERA, levels=(), darks=1, number=40, GAIN=0, EGAIN=1.0)
    shell("take-in", camera_folder, tmp_path / "other")
    found = shell("optics", "camera")
    assert found["rig"] == "Heron 106"
    assert found["e_per_adu"] == pytest.approx(CAMERA.e_per_adu, rel=0.01)
    assert found["notes"][0].startswith("of the campaign's frames 10 flats, 4 biases and 6 darks of Heron 106 gain 100")
    assert "left out: 4 biases and 2 darks of Heron 106 gain 0" in found["notes"][0]
    assert shell("optics", "camera", "--rig", "Heron 106")["e_per_adu"] == found["e_per_adu"]
    assert "flats, biases and darks of its own" in line_of(shell, "optics", "camera", "--rig", "Wren 61")
    assert "no rig has this name" in line_of(shell, "optics", "camera", "--rig", "Nobody")


def test_camera_behind_colour_filters(shell: Shell, tmp_path: Path) -> None:
    """A green lamp lights R, G and B by 0.2 to 1: each place by itself tells the one gain, together within 1 percent."""
    rig = replace(CAMERA, cfa="RGGB")
    write_camera_frames(tmp_path / "f", rig, levels=(0.2, 0.4, 0.6, 0.8, 0.9, 1.1, 1.3), darks=1, BAYERPAT="RGGB")
    found = shell("optics", "camera", tmp_path / "f", "--rig", "Heron 106")
    assert found["e_per_adu"] == pytest.approx(rig.e_per_adu, rel=0.01)
    assert found["read_noise_e"] == pytest.approx(np.hypot(rig.read_noise_e, rig.row_noise_e), rel=0.02)
    assert [c["colour"] for c in found["colours"]] == ["R", "G", "G", "B"]
    for c in found["colours"]:
        assert c["e_per_adu"] == pytest.approx(rig.e_per_adu, abs=4 * c["uncertainty"])
    light = {c["colour"]: c["level_e"] for c in found["colours"]}
    assert max(light.values()) > 1.2 * min(light.values()), "the lamp's colours differ"
    assert found["worst_departure"] < 0.01
    holds = min(rig.full_well_e, (rig.adu_ceiling - rig.offset_adu) * rig.e_per_adu)
    assert found["full_well_e"] == pytest.approx(holds, rel=0.03)
    assert found["looked_at_px"] == [400, 520]


def test_flats_in_changing_light_tell_no_linearity(shell: Shell, tmp_path: Path) -> None:
    write_camera_frames(tmp_path / "f", CAMERA, levels=(0.1, 0.4, 0.3, 0.35, 0.6), steady=False, darks=1)
    found = shell("optics", "camera", tmp_path / "f", "--rig", "Heron 106")
    assert found["e_per_adu"] == pytest.approx(CAMERA.e_per_adu, rel=0.01)
    assert found["linearity"] == []
    assert found["full_well_e"] is None
    assert any("light changes" in n for n in found["notes"])


def test_hot_pixels_grow_between_two_tests(shell: Shell, camera_folder: Path) -> None:
    """A year ago 50 of today's hot pixels were not there and 8 others were: 42 a year, by Poisson 7.6."""
    now = shell("optics", "camera", camera_folder, "--rig", "Heron 106")
    assert now["hot_per_year"] is None
    assert len(now["hot_places"]) < 10, "this camera was made without"
    before = date.fromisoformat(now["night"]) - timedelta(days=365)
    with Campaign.open(shell.folder) as campaign:
        from nightfold.optics.lamp.stage import hot_growth

        document = {"hot_places": [*range(1000, 1060), *range(5, 13)], "looked_at_px": list(now["looked_at_px"])}
        campaign._ws.ledger.add_finding(
            FindingRow(kind="optics-camera", document=document, rig="Heron 106", night=before)
        )
        report = campaign.camera_test([camera_folder], rig="Heron 106")
        grown = replace(report, hot_pixels=110, hot_places=tuple(range(1000, 1110)))
        found = hot_growth(campaign._ws, grown, "Heron 106", before + timedelta(days=365))
    assert found.hot_per_year == pytest.approx(42.0, rel=0.01)
    assert found.hot_per_year_uncertainty == pytest.approx(np.sqrt(58.0), rel=0.01)


def test_camera_frames_that_do_not_belong(shell: Shell, camera_folder: Path, focus_folder: Path) -> None:
    flats = sorted(camera_folder.glob("Flat-*.fits"))
    biases = sorted(camera_folder.glob("Bias-*.fits"))
    one_each = [flats[0], flats[2], *biases]
    assert "taken alike" in line_of(shell, "optics", "camera", *one_each)
    assert "tell nothing" in line_of(shell, "optics", "camera", *biases)
    assert "is a sub" in line_of(shell, "optics", "camera", *biases, next(iter(focus_folder.glob("*.fits"))))


def test_collimation_of_a_file(shell: Shell, tmp_path: Path) -> None:
    from nightfold.simulate.scene import star_scene

    rig = replace(HERON, width_px=220, height_px=200, obstruction_mm=36.0, shadow_offset=(0.1, 0.0))
    adu, _ = render_sub(
        star_scene([0.0], [0.0], [6.0]), rig, Conditions(filter="L", exposure_s=2.0, sensor_z_um=1800.0), 1
    )
    file = tmp_path / "defocused.fits"
    fits.PrimaryHDU(adu, header(datetime(2026, 5, 14, 19, tzinfo=UTC))).writeto(file)
    found = shell("optics", "collimation", file, "--rig", "Heron 106", "--chart", tmp_path / "disc.svg")
    assert found["offset_fraction"] == pytest.approx(0.1, abs=0.01)
    assert found["direction_deg"] % 360 == pytest.approx(0.0, abs=6.0) or found["direction_deg"] > 354
    assert found["offset_uncertainty"] > 0
    assert (tmp_path / "disc.svg").exists()
    assert "no.fits" in line_of(shell, "optics", "collimation", tmp_path / "no.fits")


def test_polar_and_tracking_through_the_ledger(measured: Shell) -> None:
    """A guided mount that is 9 arcmin too far east and 6 too low turns the field through a night of 40 subs."""
    shell = measured
    times = datetime(2026, 5, 20, 9, 0, tzinfo=UTC)
    with Campaign.open(shell.folder) as campaign:
        ws = campaign._ws
        template = next(r for r in ws.ledger.frames(kind="sub") if r.target)
        site = ws.settings.site
        assert site is not None
        air = air_factor(elevation_m=site.elevation_m, air_c=temperature_of(header_of_row(template)))
        random = np.random.default_rng(3)
        side = 1.0 if site.latitude_deg >= 0 else -1.0
        a, b = side * -6.0, -side * 9.0 * np.cos(np.radians(site.latitude_deg))  # tilt of the north end, arcmin
        frames, solutions = [], []
        for i in range(40):
            start = times + timedelta(minutes=9 * i)
            frames.append(
                NewFrame(
                    path=shell.folder / f"made-{i}.fits", size=1, mtime_ns=1, fingerprint=f"made-{i}", kind="sub", rig=template.rig,
                    target="Elsewhere", panel=None, filter="Ha", night=date(2026, 5, 20), start=start, exposure_s=300.0,
                    width_px=520, height_px=400, header=template.header,
                )
            )  # fmt: skip
        ws.ledger.add_frames(frames)
        rows = ws.ledger.frames(kind="sub", night=date(2026, 5, 20))
        for row in rows:
            assert row.start is not None
            moment = row.start.timestamp() + 150.0
            hour, seen_dec = seen_by_the_mount(250.2, -48.8, moment, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, air=air)  # fmt: skip
            h = np.radians(float(hour))
            # CHECKS K3: north through east, in the apparent sky; the catalogue's north is turned against it by what follows.
            turn = (a * np.sin(h) - b * np.cos(h)) / np.cos(np.radians(float(seen_dec))) / 60.0
            # A rigid camera sees the sky squeezed by refraction: what the catalogue's steps look like to the mount, inverted.
            columns = []
            for ra, dec in ((250.2 + 0.05 / np.cos(np.radians(48.8)), -48.8), (250.2, -48.75)):
                there = seen_by_the_mount(ra, dec, moment, latitude_deg=site.latitude_deg, longitude_deg=site.longitude_deg, air=air)  # fmt: skip
                d0, d1 = np.radians(float(seen_dec)), np.radians(float(there[1]))
                west = np.radians(float(there[0]) - float(hour))
                toward = np.radians(float(position_angle_deg(hour, seen_dec, *there)))
                apart = np.hypot(
                    np.cos(d1) * np.sin(west), np.sin(d1) * np.cos(d0) - np.cos(d1) * np.sin(d0) * np.cos(west)
                )
                columns.append(np.degrees(apart) / 0.05 * np.array([np.sin(toward), np.cos(toward)]))
            angle, scale = np.radians(turn + random.normal(0.0, 0.003)), 5e-4
            camera = scale * np.array([[-np.cos(angle), np.sin(angle)], [np.sin(angle), np.cos(angle)]])
            cd = np.linalg.solve(np.column_stack(columns), camera)
            dx, dy = random.normal(0.0, 2e-3, 2)
            cards = {
                "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRPIX1": 260.5, "CRPIX2": 200.5, "CRVAL1": 250.2 + dx, "CRVAL2": -48.8 + dy,
                "CD1_1": cd[0, 0], "CD1_2": cd[0, 1], "CD2_1": cd[1, 0], "CD2_2": cd[1, 1], "LONPOLE": 180.0,
            }  # fmt: skip
            solutions.append(SolutionRow(frame_id=row.id, solved=True, document={"cards": {k: v if isinstance(v, str) else float(v) for k, v in cards.items()}}))  # fmt: skip
            reading = ws.ledger.readings([template.id])[template.id]
            ws.ledger.save_reading(replace(reading, frame_id=row.id), sha256=None)
        ws.ledger.save_solutions(solutions)
    found = shell("optics", "polar", "--night", "2026-05-20")
    assert found["separable"] is True
    assert found["guided"] is True
    assert found["azimuth_error_arcmin"] == pytest.approx(
        9.0, abs=max(0.9, 3 * found["azimuth_error_arcmin_uncertainty"])
    )
    assert found["altitude_error_arcmin"] == pytest.approx(
        -6.0, abs=max(0.6, 3 * found["altitude_error_arcmin_uncertainty"])
    )
    assert found["corner_trail_arcsec"] > 0
    tracked = shell("optics", "tracking", "--night", "2026-05-20")
    assert tracked["dithered"] is True
    assert tracked["subs"] == 40
