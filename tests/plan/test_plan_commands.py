"""Planning from the command line: the contract's documents, the terminal's 80 columns, files, and one line for what is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest
from plan_campaigns import SITE, hours_goals, rig_text, target_text

from command_shell import Shell

NIGHT_KEYS = {
    "dark_start", "dark_end", "sunset", "sunrise", "twilights", "moon", "targets", "blocks", "events", "cautions", "solver",
    "curves", "goals", "calibration", "dawn", "disk", "instead", "missing", "notes",
}  # fmt: skip


@pytest.fixture
def shell(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Shell:
    text = 'name = "Lantern"\n' + SITE + rig_text() + target_text(hours_goals(8.0))
    return Shell.new(capsys, tmp_path / "campaign", text)


def test_tonight_as_the_contract_says(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "blocks.csv"
    night = shell("tonight", "--date", "2026-06-05", "--csv", str(file))
    assert set(night) >= NIGHT_KEYS
    assert set(night["twilights"]) == {"civil", "nautical", "astronomical"}
    assert set(night["moon"]) >= {"rise", "set", "illuminated_fraction"}
    assert set(night["targets"][0]) >= {
        "target",
        "up_from",
        "up_until",
        "transit",
        "max_altitude_deg",
        "separation_deg",
    }
    assert set(night["blocks"][0]) >= {"rig", "target", "panel", "filter", "start", "end", "sub_s", "subs", "why"}
    assert set(night["solver"]) >= {"kind", "gap"}
    assert set(night["events"][0]) >= {"at", "what"}
    assert night["sunset"].endswith("Z")
    assert file.read_text(encoding="utf-8").count("\n") == 1 + len(night["blocks"])
    again = shell("tonight", "--date", "2026-06-05")
    assert again["blocks"] == night["blocks"]
    later = shell("tonight", "--date", "2026-06-05", "--from", "23:00", "--clear", "23:00-01:30")
    assert later["blocks"]
    assert all(b["start"] >= "2026-06-05T13:00:00Z" and b["end"] <= "2026-06-05T15:30:00Z" for b in later["blocks"])
    assert later["instead"]


def test_exposure_frame_season(shell: Shell) -> None:
    advice = shell("exposure", "--rig", "Heron 106", "--filter", "OIII")
    assert set(advice) >= {"recommended_s", "least_s", "most_s", "why"}
    frame = shell("frame", "--rig", "Heron 106")
    assert set(frame) >= {"scale_arcsec_px", "width_deg", "height_deg", "panels", "turn_by_deg", "area_lost"}
    assert set(frame["panels"][0]) >= {"panel", "ra_deg", "dec_deg", "position_angle_deg"}


def test_season(shell: Shell) -> None:
    season = shell("season", "--date", "2026-04-01")
    assert season["targets"][0]["best_date"]
    assert set(season["targets"][0]["forecast"]) >= {"median", "p10", "p90"}
    text = shell.text("season", "--date", "2026-04-01")
    assert max(len(line) for line in text.splitlines()) <= 80, text


def test_calendar_file(shell: Shell, tmp_path: Path) -> None:
    file = tmp_path / "tonight.ics"
    made = shell("calendar", "--date", "2026-06-05", "--out", file)
    assert made["file"] == str(file)
    assert made["alarms"] >= made["entries"] > 0
    assert file.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")


@pytest.mark.parametrize(
    "words",
    [
        ("tonight", "--date", "2026-06-05"),
        ("exposure", "--rig", "Heron 106", "--filter", "Ha"),
        ("frame", "--rig", "Heron 106"),
    ],
)
def test_eighty_columns(shell: Shell, words: tuple[str, ...]) -> None:
    text = shell.text(*words)
    assert text.strip()
    assert max(len(line) for line in text.splitlines()) <= 80, text


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (("tonight", "--date", "2071-01-01"), "outside the ephemeris"),
        (("tonight", "--date", "9999-12-31"), "outside the ephemeris"),
        (("tonight", "--date", "0001-01-01"), "outside the ephemeris"),
        (("season", "--date", "9999-12-31"), "outside the ephemeris"),
        (("season", "--date", "2053-06-01"), "outside the ephemeris"),
        (("calendar", "--date", "9999-12-31"), "outside the ephemeris"),
        (("tonight", "--rig", "Owl"), "no rig has this name"),
        (("tonight", "--date", "2026-06-05", "--from", "25:00"), "the time cannot be read"),
        (("exposure", "--rig", "Heron 106", "--filter", "Violet"), "no such filter"),
        (("frame", "--rig", "Heron 106", "--target", "Nowhere"), "no target has this name"),
        (("season", "--target", "Nowhere"), "no target has this name"),
        (("calendar", "--date", "2026-11-20"), "nothing to put into a calendar"),
    ],
)
def test_one_line_for_what_is_wrong(shell: Shell, words: tuple[str, ...], part: str) -> None:
    error = shell(*words, status=1)["error"]
    assert part in error["what"]
    assert set(error) == {"what", "seen", "allowed", "next"}


@pytest.mark.parametrize(
    ("zone", "told"), [("Etc/GMT-10", "UTC+10"), ("Etc/GMT+7", "UTC-7"), ("Australia/Brisbane", "Australia/Brisbane"), (None, "UTC")]
)  # fmt: skip
def test_the_clock_is_named_as_people_say_it(
    zone: str | None, told: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    site = "[site]\nlatitude_deg = -32.6\nlongitude_deg = 147.2\n" + (f'time_zone = "{zone}"\n' if zone else "")
    text = 'name = "Lantern"\n' + site + rig_text() + target_text(hours_goals(8.0))
    page = Shell.new(capsys, tmp_path / "campaign", text).text("tonight", "--date", "2026-06-05")
    assert f"times of {told}\n" in page
