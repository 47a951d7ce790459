"""The whole way by the command line, on small simulated frames: the contract's documents, decisions, and bad input."""

from __future__ import annotations

import json
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.table import Table

from command_shell import Shell
from nightfold.campaign import Campaign
from nightfold.cli import main

MASTER_KEYS = {
    "target", "panel", "filter", "rigs", "file", "subs_used", "subs_dropped", "exposure_s", "width_px", "height_px", "common_box_px",
    "cut_box_px", "noise_e_per_s", "noise_over_ideal", "registration_rms_px", "fwhm_px", "rejected_fraction",
}  # fmt: skip
SUB_KEYS = {
    "file", "sha256", "rig", "target", "filter", "night", "start", "exposure_s", "stars", "fwhm_px", "fwhm_arcsec", "half_flux_radius_px",
    "ellipticity", "ellipticity_angle_deg", "sky_e_per_s", "transparency", "verdict", "weight", "causes",
}  # fmt: skip


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], tmp_path: Path, small_settings: str) -> Shell:
    return Shell.new(capsys, tmp_path / "campaign", small_settings)


def test_the_whole_way(shell: Shell, small_frames: Path, tmp_path: Path) -> None:
    before = {p: p.stat().st_mtime_ns for p in small_frames.rglob("*.fits")}
    taken = shell("take-in", small_frames)
    assert taken["taken_in"] == len(before)
    assert set(taken) >= {"taken_in", "already_known", "refused", "frames", "nights", "missing_calibration"}
    assert set(taken["frames"]) == {"sub", "bias", "dark", "flat", "flat_dark"}
    assert len(taken["nights"]) == 2
    assert {"kind", "rig", "filter", "exposure_s", "gain", "sensor_c", "have", "wanted"} <= set(
        taken["missing_calibration"][0]
    )
    again = shell("take-in", small_frames)
    assert (again["taken_in"], again["already_known"]) == (0, len(before))

    judged = shell("judge")
    assert all(set(s) >= SUB_KEYS for s in judged["subs"])
    dropped = [s for s in judged["subs"] if s["verdict"] == "drop"]
    assert [d["causes"][0]["cause"] for d in dropped] == ["cloud"]
    assert all(len(s["sha256"]) == 64 for s in judged["subs"])
    only = shell("judge", "--filter", "Ha")
    assert {s["filter"] for s in only["subs"]} == {"Ha"}

    folded = shell("fold")
    assert set(folded) >= {"masters", "seconds", "peak_memory_bytes"}
    assert {m["filter"] for m in folded["masters"]} == {"Ha", "OIII"}
    for master in folded["masters"]:
        assert set(master) >= MASTER_KEYS
        assert 0.8 < master["noise_over_ideal"] < 1.25
        check_master(Path(master["file"]), master)
    first = {m["file"]: Path(m["file"]).read_bytes() for m in folded["masters"]}
    shell("fold")
    assert {f: Path(f).read_bytes() for f in first} == first, "the same inputs give the same bytes"

    picture = shell("picture", "--palette", "HOO")
    assert set(picture) >= {"file", "recipe", "width_px", "height_px", "seconds"}
    assert Path(picture["file"]).exists()
    assert Path(picture["recipe"]).exists()

    name = Path(only["subs"][0]["file"]).name
    assert shell("drop", name, "--why", "a lamp") == {"changed": 1}
    fewer = shell("fold", "--filter", "Ha", "--out", tmp_path / "elsewhere")
    ha = next(m for m in folded["masters"] if m["filter"] == "Ha")
    assert fewer["masters"][0]["subs_used"] == ha["subs_used"] - 1
    assert Path(fewer["masters"][0]["file"]).parent == tmp_path / "elsewhere"
    judged = shell("judge", "--filter", "Ha")
    mine = next(s for s in judged["subs"] if Path(s["file"]).name == name)
    assert mine["causes"][0] == {"cause": "person", "detail": "a lamp"}
    assert shell("keep", "--clear", name) == {"changed": 1}

    assert shell("note", "camera turned", "--rig", "Heron 106", "--on", "2026-05-20") == {"noted": 1}
    assert {p: p.stat().st_mtime_ns for p in small_frames.rglob("*.fits")} == before, "raw files are only read"


def check_master(path: Path, document: dict[str, Any]) -> None:
    """A master holds what the contract says, by astropy."""
    with fits.open(path, checksum=True) as hdus:
        hdus.verify("exception")
        primary = hdus[0]
        assert primary.header["BUNIT"] == "electron/s"
        assert primary.header["FILTER"] == document["filter"]
        assert primary.data.dtype.newbyteorder("=") == np.float32
        for name in ("VARIANCE", "COVERAGE", "REJECTED"):
            assert hdus[name].data.shape == primary.data.shape
        table = hdus["SUBS"].data
        kept = table["VERDICT"] == "keep"
        assert kept.sum() == document["subs_used"]
        assert table["WEIGHT"].sum() == pytest.approx(1.0)
        assert (table["WEIGHT"][~kept] == 0).all()
        x0, y0, x1, y1 = document["common_box_px"]
        inside = primary.data[y0 : y1 + 1, x0 : x1 + 1]
        assert np.isfinite(inside).all()
        assert (hdus["COVERAGE"].data[y0 : y1 + 1, x0 : x1 + 1] == document["subs_used"]).all()


def test_weights_follow_a_person(small_campaign: Path, tmp_path: Path) -> None:
    """The weights of the subs that a fold would use sum to 1 in each group, whoever decided, and are those of the master."""
    folder = tmp_path / "campaign"
    shutil.copytree(small_campaign, folder)
    with Campaign.open(folder) as campaign:
        subs = campaign.verdicts().subs
        clouded = next(s for s in subs if s.verdict == "drop")
        good = next(s for s in subs if s.verdict == "keep" and s.filter == clouded.filter)
        for verdict, sub in (("keep", clouded), ("drop", good)):
            assert campaign.decide([sub.file], verdict) == 1
            told = campaign.verdicts().subs
            sums: dict[str | None, float] = {}
            for s in told:
                assert s.weight is not None
                assert (s.weight > 0.0) is (s.verdict == "keep")
                sums[s.filter] = sums.get(s.filter, 0.0) + s.weight
            assert sums == pytest.approx({"Ha": 1.0, "OIII": 1.0}), "one rig, one target"
        weights = {s.sha256: s.weight for s in told}
        night = clouded.night
        assert night is not None
        with Campaign.open(folder) as again:
            there = {s.sha256: s.weight for s in again.judge(night=date.fromisoformat(night)).subs}
        assert there.items() <= weights.items(), "a night's subs weigh what they weigh among all"
        report = campaign.fold(filter=clouded.filter)
        table = Table.read(report.masters[0].file, hdu="SUBS")
    for row in table:
        # The fold's pixels are the grid's, which a sub's registration makes larger or smaller by some 1e-5.
        assert weights[str(row["SHA256"])] == pytest.approx(row["WEIGHT"], rel=1e-4, abs=1e-12)


def test_a_campaign_may_move(small_campaign: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Masters, pictures and calibration masters are found where the folder lies now, not where it was or a copy is."""
    shutil.copytree(small_campaign, tmp_path / "before")
    monkeypatch.chdir(tmp_path)
    with Campaign.open("before") as campaign:
        made = campaign.fold(filter="Ha").masters[0].file
        campaign.picture(palette="HOO")
    assert Path(made).exists()
    shutil.move(tmp_path / "before", tmp_path / "now")
    monkeypatch.chdir(tmp_path / "now")
    with Campaign.open(".") as campaign:
        masters = campaign.masters()
        assert {Path(m["file"]) for m in masters} == set((tmp_path / "now" / "masters").glob("*.fits"))
        ledger = campaign._ws.ledger
        pictures = [path for row in ledger.pictures() for path in (row.path, row.recipe_path)]
        for path in (*pictures, *(row.path for row in ledger.calibration_masters())):
            assert path.is_relative_to(tmp_path / "now")
            assert path.exists()
        assert campaign.verify().missing == ()


def test_start_goes_the_whole_way_from_a_folder(
    capsys: pytest.CaptureFixture[str], small_frames: Path, tmp_path: Path
) -> None:
    assert main(["start", str(small_frames), str(tmp_path / "mine"), "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert set(document) >= {"campaign", "guesses", "take_in", "masters", "picture"}
    assert any("read noise" in g for g in document["guesses"])
    assert {m["filter"] for m in document["masters"]} == {"Ha", "OIII"}
    assert Path(document["picture"]["file"]).exists()


def test_bad_files_are_told_and_the_rest_goes_on(shell: Shell, small_frames: Path, tmp_path: Path) -> None:
    raws = tmp_path / "raws"
    raws.mkdir()
    subs = sorted(p for p in small_frames.rglob("*.fits") if "_Ha_300s_" in p.name)
    for sub in subs:
        shutil.copy(sub, raws)
    (raws / "truncated.fits").write_bytes(subs[0].read_bytes()[:20000])
    (raws / "empty.fits").write_bytes(b"")
    (raws / "not-fits.fits").write_bytes(b"hello" * 1000)
    header = (
        b"SIMPLE  =                    T".ljust(80)
        + b"BITPIX  =                   16".ljust(80)
        + b"NAXIS   =                    2".ljust(80)
    )
    header += (
        b"NAXIS1  =        1000000000000".ljust(80) + b"NAXIS2  =        1000000000000".ljust(80) + b"END".ljust(80)
    )
    (raws / "absurd.fits").write_bytes(header.ljust(2880))
    taken = shell("take-in", raws)
    assert taken["taken_in"] == len(subs)
    assert {Path(r["file"]).name for r in taken["refused"]} == {
        "truncated.fits",
        "empty.fits",
        "not-fits.fits",
        "absurd.fits",
    }
    assert all("\n" not in r["reason"] for r in taken["refused"])
    folded = shell("fold")
    assert folded["masters"][0]["subs_used"] >= len(subs) - 1
    notes = " ".join(folded["notes"])
    assert "no flat" in notes
    assert "no dark" in notes


def test_what_cannot_be_done_says_so_in_one_line(shell: Shell, small_frames: Path, tmp_path: Path) -> None:
    nothing = tmp_path / "nothing"
    nothing.mkdir()
    assert "no FITS files" in shell("take-in", nothing, status=1)["error"]["what"]
    (nothing / "broken.fits").write_bytes(b"hello" * 1000)
    refused = shell("take-in", nothing, status=1)
    assert set(refused["error"]) == {"what", "seen", "allowed", "next"}
    assert [Path(r["file"]).name for r in refused["refused"]] == ["broken.fits"], "the report stands beside the error"
    assert set(shell("fold", status=1)["error"]) == {"what", "seen", "allowed", "next"}
    shell("picture", status=1)
    shell("take-in", small_frames)
    assert "Ha, OIII" in shell("judge", "--filter", "Hb", status=1)["error"]["allowed"]
    assert "no sub" in shell("drop", "nosuch.fits", status=1)["error"]["what"]
    name = next(p.name for p in sorted(small_frames.rglob("*.fits")) if "_Ha_300s_" in p.name)
    assert shell("drop", "nosuch.fits", name) == {"changed": 1, "unknown": ["nosuch.fits"]}
    assert shell("keep", "--clear", name) == {"changed": 1}
    assert "mean, median" in shell("fold", "--statistic", "mode", status=1)["error"]["allowed"]
    assert main(["--campaign", str(tmp_path / "nowhere"), "judge"]) == 1
    missing = shell("new", tmp_path / "other", "--from", tmp_path / "nothing.toml", status=1)["error"]
    assert missing["what"].endswith("nothing.toml does not exist")
    assert "campaign.toml to start from" in missing["allowed"]
    assert main(["judge", "--no-such-option"]) == 2
    assert main(["no-such-command"]) == 2


def test_one_sub_two_subs_and_none(shell: Shell, small_frames: Path) -> None:
    subs = sorted(p for p in small_frames.rglob("*.fits") if "_Ha_300s_" in p.name)
    shell("take-in", subs[0])
    one = shell("fold")["masters"][0]
    assert (one["subs_used"], one["rejected_fraction"]) == (1, 0)
    shell("take-in", subs[1])
    assert shell("fold")["masters"][0]["subs_used"] == 2
    shell("drop", subs[0].name, subs[1].name)
    assert "dropped" in shell("fold", status=1)["error"]["seen"]


def test_binned_subs_lie_on_the_same_grid(shell: Shell, small_frames: Path, tmp_path: Path) -> None:
    raws = tmp_path / "raws"
    raws.mkdir()
    subs = sorted(p for p in small_frames.rglob("*.fits") if "_Ha_300s_" in p.name)
    for sub in subs[:3]:
        shutil.copy(sub, raws)
    with fits.open(subs[3]) as hdus:
        data, header = hdus[0].data.astype(np.float64), hdus[0].header.copy()
    binned = data.reshape(200, 2, 260, 2).mean(axis=(1, 3)).astype(np.uint16)
    for key, value in (
        ("XBINNING", 2),
        ("YBINNING", 2),
        ("XPIXSZ", 2 * header["XPIXSZ"]),
        ("YPIXSZ", 2 * header["XPIXSZ"]),
    ):
        header[key] = value
    fits.PrimaryHDU(binned, header).writeto(raws / "binned.fits")
    shell("take-in", raws)
    judged = shell("judge")
    mine = next(s for s in judged["subs"] if s["file"].endswith("binned.fits"))
    assert mine["verdict"] == "keep", mine["causes"]
    assert shell("fold")["masters"][0]["subs_used"] == 4


def test_darks_are_scaled_only_when_asked(shell: Shell, small_frames: Path, tmp_path: Path) -> None:
    raws = tmp_path / "raws"
    raws.mkdir()
    for path in small_frames.rglob("*.fits"):
        with fits.open(path) as hdus:
            kind, header = hdus[0].header["IMAGETYP"].lower(), hdus[0].header.copy()
            if "bias" in kind or ("dark" in kind and "flat" not in kind) or "_Ha_300s_" in path.name:
                if "dark" in kind:
                    header["EXPTIME"] = 600.0
                fits.PrimaryHDU(hdus[0].data, header).writeto(raws / path.name)
    shell("take-in", raws)
    assert "no dark" in " ".join(shell("fold")["notes"])
    file = shell.folder / "campaign.toml"
    file.write_text("scale_darks = true\n" + file.read_text(encoding="utf-8"), encoding="utf-8")
    notes = " ".join(shell("fold")["notes"])
    assert "dark scaled from 600 s to 300 s" in notes


def test_a_campaign_in_python(small_frames: Path, small_settings: str, tmp_path: Path) -> None:
    import astropy.units as u

    import nightfold

    with nightfold.Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        campaign.take_in([small_frames])
        campaign.judge()
        table = campaign.subs()
        assert table["exposure_s"].unit == u.s
        assert len(table) == sum(
            1 for f in small_frames.rglob("*.fits") if "_300s_" in f.name and "dark" not in f.name.lower()
        )
        assert "subs" in repr(campaign)
        assert campaign.masters() == []


def test_a_full_disk_is_told_in_one_line(shell: Shell, small_frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from sqlalchemy.exc import OperationalError

    from nightfold.ledger.core import Ledger

    def full(*_args: object, **_options: object) -> None:
        raise OperationalError("INSERT", {}, Exception("database or disk is full"))

    shell("take-in", small_frames)
    with monkeypatch.context() as patch:
        patch.setattr(Ledger, "save_verdicts", full)
        error = shell("judge", status=1)["error"]
    assert error["seen"] == "database or disk is full"
    assert "room" in error["next"]
    shell("judge")  # and goes on where it stopped


def test_a_killed_fold_leaves_the_old_master(shell: Shell, small_frames: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import nightfold.fold.stage as stage

    shell("take-in", small_frames)
    before = {m["file"]: Path(m["file"]).read_bytes() for m in shell("fold")["masters"]}

    def dies(*_args: object, **_options: object) -> None:
        raise OSError(28, "No space left on device", "masters")

    monkeypatch.setattr(stage, "write_master", dies)
    assert "No space left" in shell("fold", status=1)["error"]["what"]
    assert {f: Path(f).read_bytes() for f in before} == before
    assert not list((shell.folder / "scratch").glob("*"))


def test_the_whole_way_on_a_shared_server(
    shell: Shell, small_frames: Path, small_campaign: Path, server_url: str, tmp_path: Path
) -> None:
    file = shell.folder / "campaign.toml"
    file.write_text(f'database_url = "{server_url}"\n' + file.read_text(encoding="utf-8"), encoding="utf-8")
    (shell.folder / "ledger.sqlite").unlink()
    assert shell("take-in", small_frames)["taken_in"] > 0
    assert {c["cause"] for s in shell("judge")["subs"] if s["verdict"] == "drop" for c in s["causes"]} >= {"cloud"}
    folded = shell("fold")["masters"]
    assert not (shell.folder / "ledger.sqlite").exists()
    for master in folded:
        alone = small_campaign / "masters" / Path(master["file"]).name
        assert Path(master["file"]).read_bytes() == alone.read_bytes(), "the database leaves no trace in a master"
    assert Path(shell("picture")["file"]).exists()
    assert shell("verify")["sound"]
    assert shell("archive", tmp_path / "bag", "--references")["files"] > 0
    assert (tmp_path / "bag" / "data" / "ledger.sqlite").exists()
