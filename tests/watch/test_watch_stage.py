"""A night watched: subs come one by one, some half written; what is wrong is said once; a share that goes comes back."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from astropy.io import fits

from nightfold.campaign import Campaign
from nightfold.cli import main
from nightfold.watch.records import WatchEvent


class Night:
    """A folder into which a script of actions is played, one a round of the watch."""

    def __init__(self, campaign: Campaign, folder: Path) -> None:
        self.campaign, self.folder, self.now = campaign, folder, 1_780_000_000.0
        self.script: list[Callable[[], None]] = []

    def play(self, **options: Any) -> list[WatchEvent]:
        def sleep(_seconds: float) -> None:
            self.now += 5.0
            if self.script:
                self.script.pop(0)()
            else:
                self.campaign._ws.cancelled.cancel()

        return list(self.campaign.watch([self.folder], clock=lambda: self.now, sleep=sleep, settle_s=3.0, **options))


@pytest.fixture
def night(small_frames: Path, small_settings: str, tmp_path: Path) -> Iterator[tuple[Night, list[Path]]]:
    """A campaign that holds the first night and all calibration, and the subs of the second night still to come."""
    early, late = tmp_path / "early", tmp_path / "to come"
    early.mkdir()
    late.mkdir()
    folder = tmp_path / "tonight"
    folder.mkdir()
    nights: dict[str, list[Path]] = {}
    for path in sorted(small_frames.rglob("*.fits")):
        header = fits.getheader(path)
        kind = str(header["IMAGETYP"]).lower()
        if "light" in kind or "sub" in kind or "object" in kind:
            nights.setdefault(str(header["DATE-OBS"])[:10], []).append(path)
        else:
            shutil.copy(path, early)
    days = sorted(nights)
    half = days[: len(days) // 2]
    for day in half:
        for path in nights[day]:
            shutil.copy(path, early)
    coming = [Path(shutil.copy(p, late)) for day in days[len(days) // 2 :] for p in nights[day]]
    with Campaign.create(tmp_path / "campaign", text=small_settings) as campaign:
        campaign.take_in([early])
        campaign.judge()
        yield Night(campaign, folder), coming


def arrive(night: Night, path: Path) -> Callable[[], None]:
    return lambda: shutil.copy(path, night.folder / path.name) and None


def nothing() -> None:
    return None


def test_each_sub_is_judged_as_it_comes_and_a_usual_night_is_quiet(night: tuple[Night, list[Path]]) -> None:
    play, coming = night
    play.script = [step for p in coming[:3] for step in (arrive(play, p), nothing)]
    play.script += [nothing]
    events = play.play()
    assert events[0].kind == "started"
    assert events[-1].kind == "stopped"
    subs = [e for e in events if e.kind == "sub"]
    assert [Path(e.file or "").name for e in subs] == [p.name for p in coming[:3]]
    assert all(e.numbers["fwhm_px"] for e in subs)
    assert [e.text for e in events if e.kind == "message"] == []
    ids = {r.id for r in play.campaign._ws.ledger.frames(kind="sub")}
    assert ids == set(play.campaign._ws.ledger.reading_versions())


def test_a_half_written_file_waits_and_a_wrong_offset_is_said_once(night: tuple[Night, list[Path]]) -> None:
    play, coming = night
    for path in coming[:3]:
        with fits.open(path, mode="update") as hdus:
            card = next(k for k in ("OFFSET", "BLKLEVEL", "PEDESTAL") if k in hdus[0].header)
            hdus[0].header[card] = 7
    data = coming[0].read_bytes()
    target = play.folder / coming[0].name

    def write(share: float) -> Callable[[], None]:
        return lambda: target.write_bytes(data[: int(share * len(data))]) and None

    play.script = [write(0.3), write(0.7), write(1.0), nothing, arrive(play, coming[1]), nothing, nothing]
    events = play.play()
    assert len([e for e in events if e.kind == "sub"]) == 2
    assert not [e for e in events if e.kind == "refused"], "it was only not whole yet"
    messages = [e for e in events if e.kind == "message"]
    assert [e.cause for e in messages] == ["offset"]
    assert "offset is 7, all earlier nights" in messages[0].text.lower()

    # A watch that starts anew says nothing twice.
    play.campaign._ws.cancelled.__init__()  # type: ignore[misc]
    play.script = [arrive(play, coming[2]), nothing, nothing]
    again = play.play()
    assert len([e for e in again if e.kind == "sub"]) == 1
    assert not [e for e in again if e.kind == "message"]


def test_a_file_that_stays_broken_is_told_and_the_rest_goes_on(night: tuple[Night, list[Path]]) -> None:
    play, coming = night
    (play.folder / "broken.fits").write_bytes(coming[0].read_bytes()[:5000])
    play.script = [arrive(play, coming[0])] + [nothing] * 16
    events = play.play()
    refused = [e for e in events if e.kind == "refused"]
    assert len(refused) == 1
    assert refused[0].text.startswith("broken.fits: ")
    assert len([e for e in events if e.kind == "sub"]) == 1


def test_a_share_that_vanishes_is_waited_for(night: tuple[Night, list[Path]]) -> None:
    play, coming = night
    away = play.folder.with_name("unplugged")

    def vanish() -> None:
        play.folder.rename(away)

    def return_with_a_sub() -> None:
        away.rename(play.folder)
        shutil.copy(coming[1], play.folder / coming[1].name)

    play.script = [arrive(play, coming[0]), nothing, vanish, *[nothing] * 5, return_with_a_sub, nothing, nothing]
    events = play.play()
    assert [e.cause for e in events if e.kind == "message"] == ["folder-away"]
    assert [e.cause for e in events if e.kind == "clear"] == ["folder-away"]
    assert len([e for e in events if e.kind == "sub"]) == 2


def test_silence_is_told_once(night: tuple[Night, list[Path]], monkeypatch: pytest.MonkeyPatch) -> None:
    play, coming = night
    monkeypatch.setattr("nightfold.watch.stage._Watcher._sun_is_down", lambda _self: True)
    play.script = [arrive(play, coming[0])] + [nothing] * 80
    events = play.play(quiet_minutes=3.0)
    assert [e.cause for e in events if e.kind == "message"] == ["quiet"]


def test_another_command_at_work_is_waited_for(night: tuple[Night, list[Path]], tmp_path: Path) -> None:
    play, coming = night
    import threading

    held, release = threading.Event(), threading.Event()

    def hold() -> None:
        with play.campaign._ws.ledger.writing():
            held.set()
            release.wait(30)

    thread = threading.Thread(target=hold)
    thread.start()
    held.wait(10)
    shutil.copy(coming[0], play.folder)
    play.script = [nothing, nothing, lambda: (release.set(), thread.join())[0], nothing, nothing]
    events = play.play()
    assert [e.cause for e in events if e.kind == "message"] == ["busy"]
    assert len([e for e in events if e.kind == "sub"]) == 1


def test_the_command_prints_one_line_an_event(
    night: tuple[Night, list[Path]], capsys: pytest.CaptureFixture[str]
) -> None:
    play, coming = night
    shutil.copy(coming[0], play.folder)
    words = ["watch", str(play.folder), "--once", "--interval-s", "0.05", "--settle-s", "0.05", "--json"]
    assert main(["--campaign", str(play.campaign.folder), *words]) == 0
    lines = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [x["kind"] for x in lines] == ["started", "sub", "stopped"]
    assert all(x["at"].endswith("Z") for x in lines)
