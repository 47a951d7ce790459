"""Masters on disk: the contract, the same bytes, and the standards' own checkers."""

from __future__ import annotations

import dataclasses
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from nightfold.align.records import Transform
from nightfold.errors import FoldError
from nightfold.fold.masters import (
    MasterDocument,
    MasterSummary,
    SubRow,
    fold_document,
    read_master,
    write_master,
)

SHAPE = (40, 60)


def wcs_cards() -> fits.Header:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [250.2, -48.8]
    wcs.wcs.crpix = [30.5, 20.5]
    wcs.wcs.cd = [[-5e-4, 0.0], [0.0, 5e-4]]
    return wcs.to_header(relax=True)


def document(*, distortion: bool = False, wcs: bool = True, name: str = "ha-001.fits") -> MasterDocument:
    generator = np.random.default_rng(1)
    image = generator.normal(1.0, 0.1, SHAPE).astype(np.float32)
    variance = np.full(SHAPE, 0.01, np.float32)
    image[0], variance[0] = np.nan, np.nan
    coverage = np.full(SHAPE, 2, np.int16)
    coverage[0] = 0
    model = np.arange(14.0).reshape(2, 7) * 1e-3 if distortion else None
    subs = (
        SubRow(file=name, sha256="ab" * 32, weight=0.75, scale=1.0, transform=Transform.identity(), verdict="keep"),
        SubRow(
            file="ha-002.fits",
            sha256="cd" * 32,
            weight=0.25,
            scale=0.8,
            transform=Transform(
                matrix=np.array([[-1.0, 0.01, 59.0], [-0.01, -1.0, 39.0]]),
                distortion=model,
                centre=(29.5, 19.5),
                radius=36.0,
            ),
            verdict="keep",
            best_affine=np.array([[-1.0, 0.011, 59.1], [-0.01, -1.0, 39.0]]) if distortion else None,
        ),
        SubRow(file="ha-003.fits", sha256="ef" * 32, weight=0.0, scale=np.nan, transform=None, verdict="drop"),
    )
    summary = MasterSummary(
        target="a nebula of ours",
        panel=2,
        filter="Hα",
        rigs=("refractor", "small one"),
        subs_used=2,
        subs_dropped=1,
        exposure_s=360.0,
        width_px=60,
        height_px=40,
        common_box_px=(0, 1, 59, 39),
        cut_box_px=None,
        noise_e_per_s=0.1,
        noise_over_ideal=1.02,
        registration_rms_px=0.03,
        fwhm_px=float("nan"),
        rejected_fraction=0.001,
    )
    return MasterDocument(
        image=image,
        variance=variance,
        coverage=coverage,
        rejected=np.zeros(SHAPE, np.int16),
        subs=subs,
        summary=summary,
        wcs_cards=wcs_cards() if wcs else None,
        facts={"DATE-OBS": "2031-05-02T12:00:00.000", "INSTRUME": "camera of ours"},
        history=("calibrated with a dark of 20 frames", "weights are inverse variance at equal signal"),
    )


def test_the_contract_of_a_master(tmp_path: Path) -> None:
    path = tmp_path / "Ha.fits"
    write_master(path, document())
    with fits.open(path, checksum=True) as units:
        units.verify("exception")
        assert [u.name for u in units] == ["PRIMARY", "VARIANCE", "COVERAGE", "REJECTED", "SUBS"]
        header = units[0].header
        assert header["BITPIX"] == -32
        assert header["BUNIT"] == "electron/s"
        assert header["OBJECT"] == "a nebula of ours"
        assert header["EXPTIME"] == 360.0
        assert "CHECKSUM" in header
        assert "DATASUM" in header
        assert len(header["HISTORY"]) == 2
        assert units["VARIANCE"].header["BITPIX"] == -32
        assert units["COVERAGE"].header["BITPIX"] == 16
        assert units["REJECTED"].header["BITPIX"] == 16
        table = units["SUBS"].data
        assert table.names == ["FILE", "SHA256", "WEIGHT", "SCALE", "TRANSFORM", "VERDICT"]
        assert table["FILE"].tolist() == ["ha-001.fits", "ha-002.fits", "ha-003.fits"]
        assert table["TRANSFORM"].shape == (3, 6)
        assert table["TRANSFORM"][1].tolist() == [-1.0, 0.01, 59.0, -0.01, -1.0, 39.0]
        assert table["WEIGHT"].tolist() == [0.75, 0.25, 0.0]
        assert table["VERDICT"].tolist() == ["keep", "keep", "drop"]


@pytest.mark.parametrize("distortion", [False, True])
def test_round_trip(tmp_path: Path, distortion: bool) -> None:
    path = tmp_path / "Ha.fits"
    original = document(distortion=distortion, name="nächte/100% Hα.fits")
    write_master(path, original)
    back = read_master(path)
    for plane in ("image", "variance", "coverage", "rejected"):
        np.testing.assert_array_equal(getattr(back, plane), getattr(original, plane))
        assert getattr(back, plane).dtype == getattr(original, plane).dtype
    assert json.dumps(back.summary.as_json("f")) == json.dumps(original.summary.as_json("f"))
    assert back.filter == "Hα"
    assert back.exposure_s == 360.0
    points = np.array([[3.0, 4.0], [50.0, 30.0]])
    for ours, theirs in zip(original.subs, back.subs, strict=True):
        assert (ours.file, ours.sha256, ours.weight, ours.verdict) == (
            theirs.file,
            theirs.sha256,
            theirs.weight,
            theirs.verdict,
        )
        if ours.transform is None:
            assert theirs.transform is None
        else:
            assert theirs.transform is not None
            np.testing.assert_array_equal(ours.transform.apply(points), theirs.transform.apply(points))
            np.testing.assert_array_equal(ours.table_matrix, theirs.table_matrix)
    with fits.open(path) as units:
        assert units["SUBS"].data["TRANSFORM"][1][2] == (59.1 if distortion else 59.0)
        assert ("MODEL" in units) == distortion
    assert back.wcs is not None
    # 0-based pixel (29.5, 19.5) is the reference point.
    np.testing.assert_allclose(back.wcs.pixel_to_world_values(29.5, 19.5), (250.2, -48.8), atol=1e-9)


def test_without_wcs(tmp_path: Path) -> None:
    write_master(tmp_path / "m.fits", document(wcs=False))
    assert read_master(tmp_path / "m.fits").wcs is None


def test_same_bytes_for_the_same_inputs(tmp_path: Path) -> None:
    write_master(tmp_path / "a.fits", document(distortion=True))
    write_master(tmp_path / "b.fits", document(distortion=True))
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.fits", "b.fits"]


def test_planes_that_may_be_used_up_give_the_same_bytes(tmp_path: Path) -> None:
    kept, spent = document(), document()
    write_master(tmp_path / "kept.fits", kept)
    write_master(tmp_path / "spent.fits", spent, spend=True)
    assert (tmp_path / "spent.fits").read_bytes() == (tmp_path / "kept.fits").read_bytes()
    np.testing.assert_array_equal(kept.image, document().image)


@pytest.mark.skipif(
    shutil.which("fitsverify") is None, reason="fitsverify (HEASARC; a Debian package) is not installed"
)
@pytest.mark.parametrize("distortion", [False, True])
def test_fitsverify_finds_nothing(tmp_path: Path, distortion: bool) -> None:
    path = tmp_path / "Ha.fits"
    write_master(path, document(distortion=distortion, name="nächte/ha.fits"))
    done = subprocess.run(["fitsverify", str(path)], capture_output=True, text=True, check=False)
    assert "found 0 warning(s) and 0 error(s)" in done.stdout, done.stdout
    assert done.returncode == 0


def test_json_of_fold_has_the_keys_of_the_contract() -> None:
    summary = document().summary
    result = fold_document([(summary, "masters/Ha.fits")], seconds=1.5, peak_memory_bytes=1 << 20)
    text = json.dumps(result, allow_nan=False)
    entry = json.loads(text)["masters"][0]
    assert (
        list(entry)
        == (
            "target panel filter rigs file subs_used subs_dropped exposure_s width_px height_px common_box_px cut_box_px "
            "noise_e_per_s noise_over_ideal registration_rms_px fwhm_px rejected_fraction"
        ).split()
    )
    assert entry["fwhm_px"] is None
    assert entry["cut_box_px"] is None
    assert entry["common_box_px"] == [0, 1, 59, 39]


def test_masters_that_contradict_themselves_are_not_written(tmp_path: Path) -> None:
    good = document()
    path = tmp_path / "m.fits"
    with pytest.raises(FoldError, match=r"differ in size.*coverage \(3, 3\)"):
        write_master(path, dataclasses.replace(good, coverage=np.zeros((3, 3), np.int16)))
    heavy = dataclasses.replace(good.subs[0], weight=0.9)
    with pytest.raises(FoldError, match=r"do not sum to 1.*1\.15"):
        write_master(path, dataclasses.replace(good, subs=(heavy, *good.subs[1:])))
    dropped = dataclasses.replace(good.subs[2], weight=0.1)
    with pytest.raises(FoldError, match=r"dropped sub ha-003\.fits has a weight"):
        write_master(path, dataclasses.replace(good, subs=(*good.subs[:2], dropped)))
    assert not path.exists()


def test_other_files_are_told(tmp_path: Path) -> None:
    path = tmp_path / "x.fits"
    fits.PrimaryHDU(np.ones((3, 3))).writeto(path)
    with pytest.raises(FoldError, match=r"x\.fits is not a master of ours.*fold the filter again"):
        read_master(path)
