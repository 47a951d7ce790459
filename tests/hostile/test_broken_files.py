"""Files that broke something once or were made to, kept: refused in one line or read, at once and in little memory."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from nightfold.errors import NightfoldError

ROOT = Path(__file__).parents[2]
CORPUS = ROOT / "tests" / "corpus"
FILES = sorted(p.name for p in CORPUS.iterdir())
SOUND = {"sound.fits", "sound.fits.gz", "sound.fits.fz"}
MEMORY_BYTES = 4_000_000_000
"""Of addresses, the libraries' own included; what is unpacked in memory may be 1 GiB."""

_LOOK = """
import json, resource, sys, time
sys.path.insert(0, sys.argv[1])
import targets
from pathlib import Path
targets.header(b""); targets.star_list(b"")  # load everything first
most = int(sys.argv[3])
resource.setrlimit(resource.RLIMIT_AS, (most, most))
slowest, broke = {}, {}
for path in sorted(Path(sys.argv[2]).iterdir()):
    for name, target in targets.TARGETS.items():
        began = time.perf_counter()
        try:
            target(path.read_bytes())
        except BaseException as error:
            broke[f"{path.name} as {name}"] = f"{type(error).__name__}: {error}"[:300]
        slowest[f"{path.name} as {name}"] = time.perf_counter() - began
print(json.dumps({"broke": broke, "slowest": max(slowest.values()), "which": max(slowest, key=slowest.get)}))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="needs a ceiling of memory")
def test_no_broken_file_crashes_hangs_or_fills_the_memory() -> None:
    done = subprocess.run(
        [sys.executable, "-c", _LOOK, str(ROOT / "fuzz"), str(CORPUS), str(MEMORY_BYTES)],
        capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    seen = json.loads(done.stdout)
    assert seen["broke"] == {}
    assert seen["slowest"] < 5.0 * _slowness(), seen["which"]


def _slowness() -> float:
    """How much slower than a quiet machine this one is now; a busy one must not fail the test."""
    began = time.perf_counter()
    sum(range(3_000_000))
    return max(1.0, (time.perf_counter() - began) / 0.06)


@pytest.mark.parametrize("name", [f for f in FILES if ".fits" in f])
def test_a_broken_frame_is_refused_in_one_line(name: str, tmp_path: Path) -> None:
    from nightfold.frames.pixels import open_pixels

    path = Path(shutil.copy(CORPUS / name, tmp_path))
    if name in SOUND:
        with open_pixels(path) as source:
            assert source.read_rows(0, 48).shape == (48, 64)
        return
    readable = {"blank-text.fits", "bzero-nan.fits", "continue-without-end.fits", "latin1-names.fits", "year-0000.fits"}
    if name in readable:
        with open_pixels(path) as source:
            source.read_rows(0, source.shape[0])
        return
    with pytest.raises(NightfoldError) as refused, open_pixels(path, scratch_dir=tmp_path / "scratch") as source:
        source.read_rows(0, source.shape[0])
    assert name.split(".")[0] in refused.value.line
    assert len(refused.value.line) < 400
    left = [p for p in (tmp_path / "scratch").rglob("*") if p.is_file()] if (tmp_path / "scratch").exists() else []
    assert left == [], "what could not be unpacked leaves nothing in scratch"


def test_a_folder_of_broken_files_is_taken_in_and_told(tmp_path: Path) -> None:
    from nightfold.campaign import Campaign

    folder = tmp_path / "campaign"
    with Campaign.create(folder, text='name = "hostile"\n') as campaign:
        taken = campaign.take_in([CORPUS])
    assert taken.taken_in >= 1
    refused = {Path(r.file).name for r in taken.refused}
    assert {"promises-1e12-pixels.fits", "axis-is-infinite.fits", "no-end.fits", "gzip-bomb-short.fits.gz"} <= refused
    assert refused.isdisjoint(SOUND)
    assert not (tmp_path / "campaign" / "scratch").exists()


def test_a_bomb_is_not_unpacked_beyond_what_its_header_promises(tmp_path: Path) -> None:
    from nightfold.frames.unpack import inflate

    with pytest.raises(NightfoldError):
        inflate(CORPUS / "gzip-bomb-short.fits.gz", tmp_path)
    with pytest.raises(NightfoldError, match="missing"):
        inflate(CORPUS / "gzip-bomb.fits.gz", tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_numbers_beyond_all_bounds_are_left_out(tmp_path: Path) -> None:
    from nightfold.frames.header import read_header

    found = read_header(CORPUS / "blank-text.fits")
    assert found.exposure_s is None
    assert found.pixel_um is None
    assert found.gain is None
