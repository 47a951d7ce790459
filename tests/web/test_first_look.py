"""With many subs a first picture comes from every fifth of them, and the rest follows in the same campaign."""

from __future__ import annotations

from pathlib import Path

import pytest

import nightfold.campaign as front
from nightfold.campaign import Campaign
from nightfold.engine.core import NullProgress


class Listening(NullProgress):
    """Remembers what was said."""

    def __init__(self) -> None:
        self.said: list[str] = []

    def say(self, text: str) -> None:
        self.said.append(text)


@pytest.mark.slow
def test_a_first_picture_then_the_whole(small_frames: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(front, "LEAST_FOR_A_FIRST_LOOK", 5)
    progress = Listening()
    report = Campaign.start(small_frames, tmp_path / "c", first_look=True, progress=progress)
    assert any("every fifth sub" in text for text in progress.said)
    with Campaign.open(tmp_path / "c") as campaign:
        commands = [r.command for r in campaign._ws.ledger.runs()]
        assert commands == ["take-in", "judge", "fold", "picture", "take-in", "judge", "fold", "picture"]
        subs = len(campaign.verdicts().subs)
        used = sum(m["subs_used"] + m["subs_dropped"] for m in campaign.masters())
    assert used == subs == sum(1 for p in small_frames.rglob("*_300s_*.fits") if "dark" not in p.name.lower())
    assert report.picture is not None
