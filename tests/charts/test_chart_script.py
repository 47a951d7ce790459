"""The page's chart script is whole, kept by version, and made again where it was lost."""

from __future__ import annotations

from pathlib import Path

import pytest

from nightfold.charts.bundle import EMBED_OPTIONS, cache_folder, chart_script


def test_the_script_is_made_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTFOLD_CACHE", str(tmp_path / "cache"))
    assert cache_folder() == tmp_path / "cache"
    script = chart_script()
    kept = list((tmp_path / "cache").glob("charts-*.js"))
    assert len(kept) == 1
    assert kept[0].read_bytes() == script
    assert b"vegaEmbed" in script
    assert 400_000 < len(script) < 1_500_000
    assert b"import " not in script[:200], "one file, nothing loaded beside it"
    kept[0].write_bytes(b"kept")
    assert chart_script() == b"kept"


def test_a_cache_that_cannot_be_written_is_no_harm(tmp_path: Path) -> None:
    in_the_way = tmp_path / "file"
    in_the_way.write_text("not a folder")
    assert b"vegaEmbed" in chart_script(in_the_way)


def test_embedding_needs_no_eval() -> None:
    assert EMBED_OPTIONS["ast"] is True
    assert EMBED_OPTIONS["defaultStyle"] is False
