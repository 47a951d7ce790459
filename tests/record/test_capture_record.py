"""The capture record holds what happened to every sub, and not a word on where the site is."""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path

import pypdf
import pytest
from PIL import Image

from nightfold.campaign import Campaign
from nightfold.cli.app import main
from nightfold.errors import LedgerError, NightfoldError, SettingsError
from nightfold.picture.steps import Recipe, Saturate, recipe_text
from nightfold.record.capture import caption_of, gather, rig_sentence
from nightfold.record.pages import drawings, number, shared_picture
from nightfold.settings.models import CampaignSettings

TARGET = "Lantern Shell"


@pytest.fixture(scope="module")
def campaign(small_campaign: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Campaign]:
    """A folded campaign with a picture on record; the picture's file tells where it was taken, as phones do."""
    folder = tmp_path_factory.mktemp("capture") / "campaign"
    shutil.copytree(small_campaign, folder)
    settings = folder / "campaign.toml"
    made_by = '\n[credits]\ncreator = "Mara <Lindqvist>"\nrights = "CC BY 4.0"\n'
    settings.write_text(settings.read_text(encoding="utf-8") + made_by, encoding="utf-8")
    with Campaign.open(folder) as found:
        first = next(s for s in found.verdicts().subs if s.verdict == "keep")
        found.decide([first.file], "drop", why="neighbour's lamp")
        found.note("camera turned", rig="Heron 106", on=date(2026, 5, 15))
        ledger = found._ws.ledger
        pictures = folder / "pictures"
        pictures.mkdir()
        exif = Image.Exif()
        exif.get_ifd(0x8825)[2] = (31.0, 24.0, 36.0)  # GPS latitude
        exif[0x010E] = "taken at home"
        Image.new("RGB", (2400, 1600), (40, 90, 120)).save(pictures / "lantern.jpg", exif=exif)
        recipe = Recipe(
            target=TARGET,
            masters={"Ha": "ab" * 32},
            cut_box_px=(0, 0, 519, 399),
            steps=[Saturate(step="saturate", factor=1.25)],
        )
        (pictures / "lantern.recipe.toml").write_text(recipe_text(recipe), encoding="utf-8")
        ledger.save_picture(
            target=TARGET,
            path=pictures / "lantern.jpg",
            recipe_path=pictures / "lantern.recipe.toml",
            sha256="cd" * 32,
            document={"files": [str(pictures / "lantern.jpg")]},
        )
        yield found


def pdf_text(data: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(data)).pages).split())


def html_text(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<style>.*?</style>|<[^>]+>", " ", text, flags=re.S))


@pytest.fixture(scope="module")
def documents(campaign: Campaign) -> dict[str, bytes]:
    report = campaign.record()
    assert [Path(f).suffix for f in report.files] == [".html", ".pdf"]
    return {Path(f).suffix: Path(f).read_bytes() for f in report.files}


@pytest.mark.parametrize("ending", [".html", ".pdf"])
def test_the_record_tells_all(campaign: Campaign, documents: dict[str, bytes], ending: str) -> None:
    text = pdf_text(documents[ending]) if ending == ".pdf" else html_text(documents[ending].decode())
    for wanted in (
        "Lantern Shell", "What was exposed, by filter", "Night by night", "What was dropped, and why", "106 mm f/5.0", "decided by hand",
        "cloud", "camera turned", "Nightfold", "numpy", "signal-to-noise", "saturate", "factor 1.25", "CC BY 4.0", "Gain 100", "2026-05-14",
    ):  # fmt: skip
        assert wanted in text, wanted
    for master in campaign.masters():
        assert number(master["noise_e_per_s"]) in text
    for sub in campaign.verdicts().subs:
        if sub.verdict == "drop":
            assert Path(sub.file).name.split("_")[-1] in text.replace(" ", "")
    if ending == ".html":
        assert "neighbour&#39;s lamp" in text
        assert "Mara &lt;Lindqvist&gt;" in text, "words are words, never markup"
    else:
        assert "neighbour's lamp" in text.replace("’", "'")


@pytest.mark.parametrize("ending", [".html", ".pdf"])
def test_no_place_is_shared(campaign: Campaign, documents: dict[str, bytes], ending: str) -> None:
    site = campaign.settings.site
    assert site is not None
    data = documents[ending]
    text = pdf_text(data) if ending == ".pdf" else data.decode()
    if ending == ".html":
        for chart in re.findall(r"data:image/svg\+xml;base64,([A-Za-z0-9+/=]+)", text):
            text += base64.b64decode(chart).decode()
        text = re.sub(r"base64,[A-Za-z0-9+/=]+", "", text)
    for secret in (
        f"{abs(site.latitude_deg):.2f}"[:-1],
        f"{abs(site.longitude_deg):.2f}"[:-1],
        f"{site.elevation_m:.0f} m",
        str(site.time_zone),
    ):
        assert secret not in text, secret
    assert str(campaign.folder) not in text
    assert "/" + campaign.folder.parent.name not in text
    assert "UTC+" not in text, "the clock would tell the longitude"


def test_the_shared_picture_has_only_pixels(campaign: Campaign) -> None:
    data = shared_picture(campaign.folder / "pictures" / "lantern.jpg")
    assert data is not None
    with Image.open(io.BytesIO(data)) as picture:
        assert max(picture.size) == 1800
        assert not picture.getexif()
    assert b"taken at home" not in data
    assert shared_picture(None) is None


def test_the_html_loads_nothing(documents: dict[str, bytes]) -> None:
    text = documents[".html"].decode()
    assert "<script" not in text
    assert not re.findall(r"(?:src|href)=\"(?!data:)", text)
    assert text.count("data:image/svg+xml") >= 2
    assert text.count("data:image/jpeg") == 1
    assert all(alt for alt in re.findall(r'<img alt="([^"]*)"', text))


def test_same_inputs_give_the_same_bytes(campaign: Campaign, documents: dict[str, bytes]) -> None:
    again = campaign.record(out=campaign.folder / "again.pdf")
    assert Path(again.file).read_bytes() == documents[".pdf"]


def test_caption_and_numbers_agree_with_the_ledger(campaign: Campaign) -> None:
    data = gather(campaign._ws)
    subs = campaign.verdicts().subs
    kept = sum(s.exposure_s or 0.0 for s in subs if s.verdict == "keep") / 3600.0
    assert sum(f.kept_h for f in data.filters) == pytest.approx(kept)
    assert sum(n.kept_h for n in data.nights) == pytest.approx(kept)
    assert sum(c.subs for c in data.causes) == sum(s.verdict == "drop" for s in subs)
    assert [f.filter for f in data.filters] == ["[O III]", "Hα"]
    assert all(f.noise_over_ideal is not None and 0.8 < f.noise_over_ideal < 1.3 for f in data.filters)
    assert f"{kept:.1f} h of exposure" in data.caption
    assert "14 May 2026" in data.caption
    assert next(d.name for d in drawings(data)) == "strip"
    assert any(d.name.startswith("night-") for d in drawings(data))


def test_record_command_and_mistakes(campaign: Campaign, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--campaign", str(campaign.folder), "record", "--json", "--out", str(tmp_path / "r.html")]
    assert main(words) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["file"] == str(tmp_path / "r.html")
    assert document["caption"].startswith("Lantern Shell.")
    with pytest.raises(NightfoldError, match=r"\.html, \.pdf"):
        campaign.record(out=tmp_path / "r.docx")
    with pytest.raises(SettingsError, match="Lantern Shell"):
        campaign.record(target="Elsewhere")
    with (
        Campaign.create(tmp_path / "bare", text='name = "Bare"\n') as bare,
        pytest.raises(LedgerError, match="nothing to record"),
    ):
        bare.record()


def test_a_rig_of_few_words_is_told() -> None:
    settings = CampaignSettings.model_validate({"name": "x", "rig": [{"name": "Wren 61"}]})
    assert rig_sentence(settings.rig[0]) == "Wren 61."
    assert caption_of("Far Veil", [], settings).startswith("Far Veil. Calibrated")
