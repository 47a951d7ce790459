"""What headers say before anything is taken in, and the questions they leave open."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from nightfold.frames.dialect import interpret_cards
from nightfold.frames.records import HeaderRules
from nightfold.intake.look import every_fifth, facts_of_answers, look_at_headers
from nightfold.intake.scan import Scanned


def frame(path: str, kind: str = "Light Frame", **cards: Any) -> Scanned:
    """A file as the scan gives it."""
    plain = {
        "IMAGETYP": kind,
        "OBJECT": "Lantern Shell",
        "EXPTIME": 300.0,
        "INSTRUME": "Heron camera",
        "DATE-OBS": "2026-05-14T14:00:00",
    }
    merged = {**plain, **{k.replace("_", "-"): v for k, v in cards.items()}}
    given = {k: v for k, v in merged.items() if v is not None}
    header = interpret_cards(given, width_px=600, height_px=400, bitpix=16, hdu=0, name=path, rules=HeaderRules())
    return Scanned(path=Path(path), size=1, mtime_ns=1, fingerprint=path, header=header)


def test_the_sentences_count_what_is_there() -> None:
    subs = [frame(f"a/{i}.fits", FILTER="Ha" if i < 4 else "OIII") for i in range(6)]
    subs += [frame("a/9.fits", FILTER="Ha", DATE_OBS="2026-05-20T14:00:00")]
    others = [frame(f"d/{i}.fits", "Dark Frame", OBJECT=None) for i in range(3)]
    look = look_at_headers(Path("a"), [*subs, *others])
    assert look.subs == 7
    assert look.sentences[0] == "7 subs of Lantern Shell, 2 nights, 1 camera."
    assert look.sentences[1] == "[O III] 0.2 h, Hα 0.4 h."
    assert look.sentences[2] == "Calibration: 3 darks."
    assert "Darks of every length are there for Heron camera." in look.sentences
    assert "No flats in Hα, [O III] for Heron camera." in look.sentences
    assert look.questions == ()


def test_missing_darks_name_their_length() -> None:
    look = look_at_headers(Path("a"), [frame("a/1.fits", FILTER="Ha"), frame("d/1.fits", "Dark Frame", EXPTIME=60.0)])
    assert "No darks of 300 s for Heron camera." in look.sentences


def test_subs_without_a_filter_are_asked_about_by_folder() -> None:
    subs = [frame(f"raw/H-alpha/{i}.fits") for i in range(3)] + [frame(f"raw/first/{i}_oiii.fits") for i in range(2)]
    subs += [frame(f"raw/n{k}/{i}.fits") for k in range(4) for i in range(1)]
    questions = look_at_headers(Path("raw"), subs).questions
    assert len(questions) == 3  # never more
    assert [q.match for q in questions[:2]] == ["H-alpha/*", "first/*"]
    assert questions[0].words == "3 subs in “H-alpha” name no filter. Which was it?"
    assert questions[1].likely == "OIII"
    assert {a.filter for a in questions[0].answers} >= {"Ha", "OIII", "SII", ""}


def test_colour_cameras_are_not_asked() -> None:
    assert look_at_headers(Path("raw"), [frame("raw/1.fits", BAYERPAT="RGGB")]).questions == ()


def test_answers_become_rules_that_fit_the_folder() -> None:
    facts = facts_of_answers({"ha/*": "Ha", "other/*": ""})
    assert facts == [{"match": "ha/*", "filter": "Ha"}]
    rules = HeaderRules(by_name=tuple((f["match"], {"filter": f["filter"]}) for f in facts))
    cards = {"IMAGETYP": "Light Frame", "EXPTIME": 60.0}

    def filter_in(path: str) -> str | None:
        return interpret_cards(cards, width_px=9, height_px=9, bitpix=16, hdu=0, name=path, rules=rules).filter

    assert filter_in("/media/card/Ha/0001.fits") == "Ha"
    assert filter_in("ha/0001.fits") == "Ha"
    assert filter_in("/media/card/alpha/0001.fits") is None
    assert filter_in("/media/ha/card/0001.fits") is None


def test_the_first_look_takes_every_fifth_of_each_filter() -> None:
    at = [datetime(2026, 5, 14, 10, i, tzinfo=UTC).strftime("%Y-%m-%dT%H:%M:%S") for i in range(12)]
    subs = [frame(f"a/{i:02d}.fits", FILTER="Ha", DATE_OBS=at[i]) for i in range(12)]
    subs += [frame("b/1.fits", FILTER="OIII"), frame("c/1.fits", "Bias Frame")]
    assert [p.as_posix() for p in every_fifth(subs)] == ["c/1.fits", "a/00.fits", "a/05.fits", "a/10.fits", "b/1.fits"]


def test_unreadable_files_are_counted() -> None:
    broken = Scanned(path=Path("a/x.fits"), size=0, mtime_ns=0, fingerprint="", header=None, reason="empty")
    look = look_at_headers(Path("a"), [broken])
    assert (look.files, look.refused, look.subs) == (1, 1, 0)
    assert look.sentences == ("1 file cannot be read, such as x.fits.",)
