"""A new night costs its own subs' first pass and nothing else: which raw files are opened, and how often."""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

from nightfold.campaign import Campaign
from nightfold.measure import prepare

_opened: Counter[str] | None = None


def _note(event: str, arguments: tuple[Any, ...]) -> None:
    if _opened is not None and event == "open" and isinstance(arguments[0], str | bytes):
        _opened[str(arguments[0])] += 1


sys.addaudithook(_note)


class Reads:
    """Counts what a block opens, and what it streams through measuring."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
        self.folder, self.streamed = folder, Counter[str]()
        real = prepare.stream_rows

        def counted(path: Path, *rest: Any, **more: Any) -> Any:
            self.streamed[path.name] += 1
            return real(path, *rest, **more)

        monkeypatch.setattr(prepare, "stream_rows", counted)

    def __enter__(self) -> Reads:
        global _opened
        self.streamed.clear()
        _opened = Counter()
        return self

    def __exit__(self, *_: object) -> None:
        global _opened
        found, _opened = _opened or Counter(), None
        self.opened = Counter(
            {Path(p).name: n for p, n in found.items() if Path(p).is_relative_to(self.folder) and p.endswith(".fits")}
        )


def test_a_new_night_costs_its_own_subs_only(
    small_frames: Path, small_settings: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads = Reads(monkeypatch, small_frames)
    nights = sorted(p for p in small_frames.iterdir() if p.is_dir() and p.name.startswith("2026"))
    first, second = nights[0], nights[1]
    others = [p for p in small_frames.iterdir() if p not in (first, second)]
    with Campaign.create(tmp_path / "c", text=small_settings) as campaign:
        campaign.take_in([first, *others])
        with reads:
            before = {s.file for s in campaign.judge().subs}
        assert reads.streamed == Counter({Path(f).name: 1 for f in before})

        with reads:
            taken = campaign.take_in([small_frames])
        known = {Path(f).name for f in before}
        assert taken.taken_in > 0
        assert not known & set(reads.opened), "what is known is told by size and time, and not opened"

        with reads:
            after = {s.file for s in campaign.judge().subs}
        new = {Path(f).name for f in after - before}
        assert new
        assert reads.streamed == Counter(dict.fromkeys(new, 1))
        assert not known & set(reads.opened)

        with reads:
            campaign.judge()
        assert not reads.streamed
        assert not {Path(f).name for f in after} & set(reads.opened), "nothing new, nothing read"

        with reads:
            campaign.fold(filter="Ha")
        assert not reads.streamed, "a fold reads pixels, and measures nothing again"
        campaign.decide([next(iter(sorted(f for f in after if "_Ha_" in f)))], "drop")
        with reads:
            campaign.fold(filter="Ha")
        assert not reads.streamed, "other weights, the same readings"
        assert reads.opened
