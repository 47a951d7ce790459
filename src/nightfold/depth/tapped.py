"""A spot tapped on a crop as the goal of its filter: where it lies on the grid, and what that changes in campaign.toml."""

from __future__ import annotations

from dataclasses import dataclass

from nightfold.errors import SettingsError
from nightfold.settings.edit import Change, Value
from nightfold.settings.models import CampaignSettings, Goal

MEASURES = ("surface_brightness_rayleigh", "surface_brightness_mag_arcsec2", "hours", "like_master", "spot_px")
"""What a goal can be told by; a goal has one of them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo:
    """One value as it was, to put it back; null where there was none."""

    path: tuple[str | int, ...]
    value: Value


@dataclass(frozen=True, slots=True, kw_only=True)
class SpotGoal:
    """The goal that was set, and what stood there before."""

    target: str
    panel: int | None
    filter: str
    spot_px: tuple[float, float]
    snr: float
    before: tuple[Undo, ...]


def spot_of_tap(box_px: tuple[int, int, int, int], across: float, down: float) -> tuple[float, float]:
    """Grid pixel under a tap on a picture of a box of the grid.

    Parameters
    ----------
    box_px : x0, y0, x1, y1
        Inclusive; pixel centres at integers.
    across, down : float
        From the picture's left and top edge, as shares of its width and height; the grid's y runs upwards.
    """
    x0, y0, x1, y1 = box_px
    if not (0.0 <= across <= 1.0 and 0.0 <= down <= 1.0) or x1 < x0 or y1 < y0:
        raise SettingsError("the tap is outside the picture", seen=f"{across:.3f}, {down:.3f}", allowed="0 to 1")
    return round(x0 - 0.5 + across * (x1 - x0 + 1), 1), round(y1 + 0.5 - down * (y1 - y0 + 1), 1)


def spot_changes(
    settings: CampaignSettings, target: str, panel: int | None, filter: str, spot_px: tuple[float, float]
) -> tuple[list[Change], SpotGoal]:
    """The changes that make a spot the goal of a filter: an earlier measure of the same goal goes, its SNR stays."""
    place = next((i for i, t in enumerate(settings.target) if t.name == target), None)
    if place is None:
        names = ", ".join(t.name for t in settings.target) or "none"
        raise SettingsError("no target of campaign.toml has this name", seen=target, allowed=names)
    goals = settings.target[place].goal
    mine = [(j, g) for j, g in enumerate(goals) if g.filter == filter and g.panel in (None, panel)]
    number, goal = next((m for m in mine if m[1].panel == panel), mine[0] if mine else (len(goals), None))
    here: tuple[str | int, ...] = ("target", place, "goal", number)
    changes: list[Change] = []
    before: list[Undo] = []
    if goal is None:
        changes.append(Change(path=(*here, "filter"), value=filter))
        if panel is not None:
            changes.append(Change(path=(*here, "panel"), value=panel))
    else:
        for key in MEASURES:
            value = getattr(goal, key)
            if value is not None:
                changes.append(Change(path=(*here, key), value=None))
                before.append(Undo(path=(*here, key), value=list(value) if key == "spot_px" else value))
    changes.append(Change(path=(*here, "spot_px"), value=list(spot_px)))
    snr = goal.snr if goal is not None else Goal.model_fields["snr"].default
    made = SpotGoal(target=target, panel=panel, filter=filter, spot_px=spot_px, snr=float(snr), before=tuple(before))
    return changes, made
