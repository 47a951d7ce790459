"""With many subs a first picture comes from every fifth of them, binned; the real campaign knows nothing of it."""

from __future__ import annotations

from pathlib import Path

import pytest
from PIL import Image

import nightfold.campaign.core as front
from nightfold.campaign import Campaign
from nightfold.engine.core import NullProgress
from nightfold.frames import binned


class Listening(NullProgress):
    """Remembers what was said."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


@pytest.mark.slow
def test_a_first_picture_then_the_whole(small_frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(front, "LEAST_FOR_A_FIRST_LOOK", 5)
    monkeypatch.setattr(binned, "MOST_PX", 300)  # so that frames of 520 pixels are halved
    monkeypatch.setattr(front, "FIRST_LOOK_PX", 140)  # and their picture once more
    progress = Listening()
    report = Campaign.start(small_frames, tmp_path / "c", first_look=True, progress=progress)
    assert any("every fifth sub" in text for text in progress.said)
    with Campaign.open(tmp_path / "c") as campaign:
        with Image.open(campaign.first_look_file) as first:
            assert 75 < first.width <= 130
        commands = [r.command for r in campaign._ws.ledger.runs()]
        assert commands == ["take-in", "judge", "fold", "picture"]
        subs = len(campaign.verdicts().subs)
        used = sum(m["subs_used"] + m["subs_dropped"] for m in campaign.masters())
        assert not (campaign.first_look_file.parent / "first-look").exists()
    assert used == subs == sum(1 for p in small_frames.rglob("*_300s_*.fits") if "dark" not in p.name.lower())
    assert report.picture is not None
