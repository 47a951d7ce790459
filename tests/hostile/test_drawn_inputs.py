"""Drawn inputs at every door: headers in any dialect, FITS bytes, TOML of campaigns and recipes, names of folders."""

from __future__ import annotations

import copy
import math
import os
import tomllib
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import tomlkit
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightfold.errors import NightfoldError

QUICK = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
ENDS = ("read", "refused")
"""How reading may end; whatever else comes out of a door is a fault and fails the test."""
KEYS = (
    "NAXIS NAXIS1 NAXIS2 NAXIS3 BITPIX BZERO BSCALE BLANK PCOUNT GCOUNT EXTEND GROUPS IMAGETYP FRAME OBSTYPE EXPTIME EXPOSURE "
    "DATE-OBS DATE-LOC DATE-BEG DATE-AVG DATE-END TIME-OBS UT JD MJD-OBS FILTER FILTER1 OBJECT INSTRUME TELESCOP GAIN EGAIN "
    "OFFSET BLKLEVEL CCD-TEMP SET-TEMP XBINNING YBINNING BINNING XPIXSZ PIXSIZE1 FOCALLEN APTDIA RA DEC OBJCTRA OBJCTDEC "
    "SITELAT SITELONG LAT-OBS LONG-OBS FOCPOS FOCUSPOS FOCTEMP AMBTEMP ROTATOR ROTATANG PIERSIDE AIRMASS BAYERPAT XBAYROFF "
    "YBAYROFF ROWORDER PEDESTAL SATURATE READOUTM CALSTAT HISTORY COMMENT CONTINUE HIERARCH"
).split()
VALUES = st.one_of(
    st.sampled_from(
        "0 1 2 -1 16 -32 64 1E400 -1E400 NAN INF 1D5 T F 4294967296 999999999999 1e-320 '' 'NaN' '-10.0 C' '2,5' 0x10 "
        "'25:61:61' '2026-05-14T13:00:00' '2026-02-30' '9999-12-31T23:59:60' '-48 48 00' '99:99:99' 'east' 'RGGB' 'Light "
        "'a&' 1/2 (1,2) ''''".split(" ")
    ),
    st.integers().map(str),
    st.floats().map(repr),
    st.text(st.characters(min_codepoint=0, max_codepoint=255), max_size=40).map(lambda t: f"'{t}'"),
    st.text(st.characters(min_codepoint=0, max_codepoint=255), max_size=60),
)


def header_bytes(cards: list[tuple[str, str]], *, sound: bool) -> bytes:
    """One header of drawn cards, behind the four that make a small image of it where `sound`."""
    start = ["SIMPLE  =                    T"]
    if sound:
        start += ["BITPIX  =                   16", "NAXIS   =                    2"]
        start += ["NAXIS1  =                    8", "NAXIS2  =                    6"]
    lines = [*start, *(f"{key:<8}= {value}"[:80] for key, value in cards), "END"]
    text = "".join(line.ljust(80) for line in lines).encode("latin-1", "replace")
    return text.ljust(-(-len(text) // 2880) * 2880) + bytes(2880 if sound else 0)


CARDS = st.lists(st.tuples(st.sampled_from(KEYS), VALUES), max_size=30)


@given(cards=CARDS, sound=st.booleans())
@settings(QUICK, max_examples=250)
def test_headers_of_any_dialect(doors: ModuleType, cards: list[tuple[str, str]], sound: bool) -> None:
    data = header_bytes(cards, sound=sound)
    assert doors.header(data) in ENDS
    assert doors.pixels(data) in ENDS


@given(cards=CARDS)
@QUICK
def test_a_small_sound_image_with_any_other_cards_is_a_frame(cards: list[tuple[str, str]]) -> None:
    from nightfold.engine.documents import to_document
    from nightfold.frames.cards import parse_cards
    from nightfold.frames.header import interpret_cards

    text = "".join(f"{key:<8}= {value}"[:80].ljust(80) for key, value in cards)
    found = interpret_cards(parse_cards(text), name="night/hostile.fits", width_px=8, height_px=6)
    assert (found.width_px, found.height_px) == (8, 6)
    assert found.kind in ("sub", "dark", "flat", "bias", "flat_dark")
    assert found.start is None or found.start.tzinfo is not None
    assert found.binning[0] >= 1
    assert found.binning[1] >= 1
    for value in (found.ra_deg, found.dec_deg, found.exposure_s, found.pixel_um, found.gain, found.sensor_c):
        assert value is None or math.isfinite(value)
    assert to_document(found)["kind"] == found.kind


SEEDS = ("sound.fits", "sound.fits.gz", "sound.fits.fz")


@given(data=st.data(), seed=st.sampled_from(SEEDS))
@settings(QUICK, max_examples=120)
def test_sound_files_with_bytes_changed_cut_or_put_in(doors: ModuleType, data: st.DataObject, seed: str) -> None:
    content = bytearray((Path(__file__).parents[1] / "corpus" / seed).read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        piece = data.draw(st.binary(min_size=0, max_size=8))
        content[at : at + data.draw(st.integers(0, 8))] = piece
        content = content or bytearray(b"S")
    assert doors.header(bytes(content)) in ENDS
    assert doors.pixels(bytes(content)) in ENDS
    # However it was changed, a raw frame is no master and no calibration frame of ours.
    assert doors.master(bytes(content)) == doors.REFUSED
    assert doors.calibration(bytes(content)) == doors.REFUSED


@given(st.binary(max_size=400))
@settings(QUICK, max_examples=150)
def test_any_bytes_at_every_door(doors: ModuleType, data: bytes) -> None:
    for name in ("header", "pixels", "master", "calibration", "star_list", "recipe"):
        assert doors.TARGETS[name](data) == doors.REFUSED, f"400 bytes are no {name}"
    for door in doors.TARGETS.values():
        assert door(data) in ENDS


def _places(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Paths of all values in nested tables."""
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    found = [path] if path else []
    for key, value in items:
        found += _places(value, (*path, key))
    return found


SCALARS = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**70), 2**70), st.floats(), st.text(max_size=20), st.just([]), st.just({}),
    st.lists(st.integers(), max_size=3), st.just([[[]]]), st.dictionaries(st.text(max_size=5), st.integers(), max_size=2),
)  # fmt: skip


def changed(data: st.DataObject, tables: dict[str, Any]) -> dict[str, Any]:
    """The same tables with some values put in place of others, as a person or a program may get them wrong."""
    tables = copy.deepcopy(tables)
    for _ in range(data.draw(st.integers(1, 4))):
        places = _places(tables)
        if not places:
            break
        path = data.draw(st.sampled_from(places))
        holder: Any = tables
        for key in path[:-1]:
            holder = holder[key]
        value = data.draw(SCALARS)
        if value is None:
            del holder[path[-1]]
        else:
            holder[path[-1]] = copy.deepcopy(value)  # a drawn list is one object: put into itself it would be endless
    return tables


def campaign_tables() -> dict[str, Any]:
    from nightfold.simulate.demo import demo_settings_text

    return tomllib.loads(demo_settings_text())


@given(data=st.data())
@settings(QUICK, max_examples=100)
def test_campaign_files_with_wrong_values(doors: ModuleType, data: st.DataObject) -> None:
    tables = changed(data, campaign_tables())
    assert doors.campaign_file(tomlkit.dumps(tables).encode("utf-8", "surrogatepass")) in ENDS


@given(data=st.data())
@settings(QUICK, max_examples=60)
def test_recipes_with_wrong_values(doors: ModuleType, data: st.DataObject, recipe_tables: dict[str, Any]) -> None:
    assert doors.recipe(tomlkit.dumps(changed(data, recipe_tables)).encode("utf-8", "surrogatepass")) in ENDS


@pytest.fixture(scope="session")
def recipe_tables() -> dict[str, Any]:
    """A recipe with every step, at its defaults."""
    from nightfold.picture.recipe import parse_recipe, recipe_text

    sound = (Path(__file__).parent / "recipe.toml").read_text(encoding="utf-8")
    assert recipe_text(parse_recipe(sound))
    return tomllib.loads(sound)


NAMES = st.text(
    st.characters(blacklist_characters="/\x00", blacklist_categories=("Cs",)), min_size=1, max_size=40
).filter(lambda n: n not in (".", "..") and len(n.encode()) < 200)


@given(names=st.lists(NAMES, min_size=1, max_size=5, unique=True), data=st.data())
@settings(QUICK, max_examples=25)
def test_folders_of_any_name_are_gone_through(
    names: list[str], data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    from nightfold.intake.scan import find_files, scan
    from nightfold.watch.steady import Steady

    folder = tmp_path_factory.mktemp("watched")
    sound = (Path(__file__).parents[1] / "corpus" / "sound.fits").read_bytes()
    for name in names:
        inside = folder / name
        try:
            inside.mkdir()
            (inside / f"{name[:30]}.fits").write_bytes(sound)
        except OSError:
            continue
        if data.draw(st.booleans()):
            os.symlink(folder, inside / "round", target_is_directory=True)  # a link that leads back
    files = find_files([folder])
    hidden = {n for n in names if n.startswith(".")}
    assert all(not set(f.relative_to(folder).parts) & hidden for f in files)
    assert len(files) == len({os.path.realpath(f) for f in files})
    for found in scan(files, workers=2):
        assert found.header is not None
        assert found.header.exposure_s == 120.0
    steady = Steady(1.0)
    states = {f: (f.stat().st_size, f.stat().st_mtime_ns) for f in files}
    assert steady.look(states, 0.0) == []
    assert sorted(steady.look(states, 2.0)) == files
    assert steady.look(states, 4.0) == []


def test_settings_run_nothing(tmp_path: Path) -> None:
    """Texts that other programs would run or follow stay texts: in names, in headers, in recipes."""
    from nightfold.campaign import Campaign
    from nightfold.settings.files import parse_settings, settings_text

    mark = tmp_path / "ran"
    evil = [
        f"$(touch {mark})", f"`touch {mark}`", f"; touch {mark}", f"__import__('os').system('touch {mark}')",
        "{{ 7 * 7 }}", "{% include '/etc/passwd' %}", "'; DROP TABLE frame; --", "../../outside", "#eval(\"1\")", "\\input{x}",
    ]  # fmt: skip
    for number, text in enumerate(evil):
        tables = {"name": text, "target": [{"name": text, "ra_deg": 1.0, "dec_deg": 2.0}]}
        try:
            found = parse_settings(settings_text(tables))
        except NightfoldError:
            continue
        assert found.target[0].name == text
        with Campaign.create(tmp_path / f"c{number}", text=settings_text(tables)) as campaign:
            campaign.note(text)
            campaign.nights()
            assert campaign.settings.name == text
    assert not mark.exists()
    assert not (tmp_path.parent / "outside").exists()
