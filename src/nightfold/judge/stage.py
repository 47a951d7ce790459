"""Verdicts of a campaign: measures what is new, places it, finds transparency and worth, and keeps what a person decided."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date
from functools import cache, partial

import numpy as np

from nightfold.align.places.stage import solve_subs
from nightfold.align.stage import place_subs
from nightfold.errors import SettingsError
from nightfold.judge.core import judge_groups
from nightfold.judge.facts.lines import with_other_lines
from nightfold.judge.facts.stage import airmass_of, arcsec_per_px, image_scale, load_groups
from nightfold.judge.findings.comparing import Choice, NightFigure
from nightfold.judge.findings.stage import FINDING_KINDS, NIGHTS, SHARPER, JudgedGroup, find_all
from nightfold.judge.losses import losses
from nightfold.judge.photometry.stage import zero_points
from nightfold.judge.records import Finding, Loss, SubFacts, Verdict
from nightfold.judge.value import sharpness_weights, weight_of
from nightfold.ledger.base import many_rows
from nightfold.ledger.lines import Group, JudgedLine
from nightfold.ledger.records import DecisionRow, FindingRow, VerdictRow
from nightfold.ledger.workspace import Workspace
from nightfold.measure.stage import measure_subs

__all__ = [
    "CauseLine",
    "JudgeReport",
    "JudgedSub",
    "airmass_of",
    "arcsec_per_px",
    "is_kept",
    "judge",
    "judge_all",
    "losses_of",
    "report",
]

LOSS = "loss"


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseLine:
    """One cause of a verdict with its number."""

    cause: str
    detail: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgedSub:
    """One sub as the judge's document holds it."""

    file: str
    sha256: str | None
    rig: str | None
    target: str | None
    filter: str | None
    night: str | None
    start: object
    exposure_s: float | None
    stars: int | None
    fwhm_px: float | None
    fwhm_arcsec: float | None
    half_flux_radius_px: float | None
    ellipticity: float | None
    ellipticity_angle_deg: float | None
    sky_e_per_s: float | None
    transparency: float | None
    verdict: str
    weight: float | None
    causes: tuple[CauseLine, ...]
    zero_point_mag: float | None = None
    zero_point_uncertainty_mag: float | None = None
    sky_mag_arcsec2: float | None = None
    limiting_mag: float | None = None
    transparency_absolute: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class JudgeReport:
    """All verdicts asked for, what was lost to each cause, and what was found on the way.

    `losses` are hours of clear sky, costliest first. `nights_compared` tells what each night gives and what a master would be
    without it; `sharper_or_deeper` what a master of the sharpest subs alone would be.
    """

    subs: tuple[JudgedSub, ...]
    losses: tuple[Loss, ...] = ()
    findings: tuple[Finding, ...] = ()
    nights_compared: tuple[NightFigure, ...] = ()
    sharper_or_deeper: tuple[Choice, ...] = ()
    notes: tuple[str, ...] = ()


def judge(ws: Workspace, *, filter: str | None = None, night: date | None = None, again: bool = False) -> JudgeReport:
    """Measure and place what is new, judge every group anew, and report on the filter and night asked for.

    Verdicts are relative to the campaign's own spread, so all are made anew; the pixels are not read again.
    """
    known = ws.ledger.sub_filters()
    if filter is not None and filter not in known:
        names = ", ".join(sorted(str(k) for k in known)) or "none yet"
        raise SettingsError("no sub has this filter", seen=filter, allowed=names)
    measured = measure_subs(ws, again=again)
    place_subs(ws)
    solve_subs(ws)
    find_all(ws, judge_all(ws))
    zero_points(ws)
    return report(ws, filter=filter, night=night, notes=measured.notes)


def judge_all(ws: Workspace) -> list[JudgedGroup]:
    """Make the verdicts of all subs anew from readings and placements, and price what was lost."""
    groups = with_other_lines(load_groups(ws))
    verdicts = judge_groups([g.facts for g in groups], details_px=[g.detail_px(ws) for g in groups])
    judged = [JudgedGroup(group, found) for group, found in zip(groups, verdicts)]
    for one in judged:
        weights = _weights(one, sharp=ws.settings.sharp_weights)
        ws.ledger.save_verdicts(_row(f_v, weights) for f_v in zip(one.group.facts, one.verdicts))
    _save_losses(ws, judged)
    return judged


def _row(pair: tuple[SubFacts, Verdict], weights: dict[int, float]) -> VerdictRow:
    fact, verdict = pair
    return VerdictRow(
        frame_id=verdict.frame_id,
        keep=verdict.keep,
        worth=_known(verdict.worth),
        weight=weights[verdict.frame_id],
        scale=_known(fact.scale),
        transparency=_known(fact.transparency),
        causes=[[cause, text] for cause, text in verdict.causes],
    )


def _weights(judged: JudgedGroup, *, sharp: bool) -> dict[int, float]:
    """Inverse variance at equal signal of every sub, in units of the sum over those kept; with `sharp`, over their stars' area.

    Dropped subs have theirs too, for a person may keep them: what counts is the share of a sub among those that are used.
    """
    facts = judged.group.facts
    noise_e = [f.blank_noise_e if np.isfinite(f.blank_noise_e) else f.noise_e for f in facts]
    p = weight_of(scale=[f.scale for f in facts], exposure_s=[f.exposure_s for f in facts], noise_e=noise_e)
    area = np.array([f.fwhm_px**2 if sharp else 1.0 for f in facts])
    pull = sharpness_weights(np.nan_to_num(p), area)
    kept = float(pull[[v.keep for v in judged.verdicts]].sum())
    return {f.frame_id: float(w) for f, w in zip(facts, pull / kept if kept > 0.0 else pull)}


def _shares(ws: Workspace, decisions: Mapping[int, DecisionRow], of: Collection[int] | None = None) -> dict[int, float]:
    """Each kept sub's weight in its master, or that of the subs `of`: the weights of those that a fold would use now sum to 1.

    Subs that are not used have none. For some subs, the database adds up what it need not tell one by one.
    """
    totals: dict[Group, float] = defaultdict(float)
    if of is None:
        lines = ws.ledger.weight_lines()
    else:
        decided = ws.ledger.ever_decided()
        lines = ws.ledger.weight_lines(decided.union(of))
        totals.update(ws.ledger.undecided_weights())
    pulls: dict[Group, dict[int, float]] = defaultdict(dict)
    for line in lines:
        decision = decisions.get(line.frame_id)
        if decision.verdict == "keep" if decision is not None else line.keep:
            group = line.target, line.panel, line.filter, line.rig
            pulls[group][line.frame_id] = line.weight or 0.0
            if of is None or line.frame_id in decided:
                totals[group] += line.weight or 0.0
    shares: dict[int, float] = {}
    for group, members in pulls.items():
        total = totals[group]
        shares.update({i: pull / total if total > 0.0 else 0.0 for i, pull in members.items()})
    return shares


def _save_losses(ws: Workspace, judged: Sequence[JudgedGroup]) -> None:
    decisions = ws.ledger.decisions()
    rows = []
    for one in judged:
        g = one.group
        told = [(f, v, d.verdict if (d := decisions.get(f.frame_id)) else None) for f, v in zip(g.facts, one.verdicts)]
        for loss in losses(told):
            rows.append(
                FindingRow(
                    kind=LOSS,
                    rig=g.rig,
                    target=g.target,
                    panel=g.panel,
                    filter=g.filter,
                    night=date.fromisoformat(loss.night) if loss.night else None,
                    document={"cause": loss.cause, "hours": loss.hours},
                )
            )
    ws.ledger.replace_findings(LOSS, rows)


def losses_of(ws: Workspace, filter: str | None = None, night: date | None = None) -> tuple[Loss, ...]:
    """Losses as they stand in the ledger, over all rigs and targets, by cause and night, costliest first."""
    hours: dict[tuple[str, str | None], float] = defaultdict(float)
    for row in _findings(ws, LOSS, filter, night):
        hours[(str(row.document["cause"]), row.night.isoformat() if row.night else None)] += float(
            row.document["hours"]
        )
    told = [Loss(cause=c, night=n, hours=h) for (c, n), h in hours.items()]
    return tuple(sorted(told, key=lambda loss: (-loss.hours, loss.cause, loss.night or "")))


def _findings(ws: Workspace, kind: str, filter: str | None, night: date | None) -> list[FindingRow]:
    """Findings of a kind that concern a filter and a night; those that name none concern all."""
    return [
        row
        for row in ws.ledger.findings(kind)
        if (filter is None or row.filter in (None, filter)) and (night is None or row.night in (None, night))
    ]


def _told(row: FindingRow) -> Finding:
    return Finding(
        kind=row.kind,
        night=row.night.isoformat() if row.night else None,
        text=str(row.document["text"]),
        rig=row.rig,
        target=row.target,
        filter=row.filter,
        value=row.document.get("value"),
    )


def _known(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def is_kept(verdict: VerdictRow | None, decision: str | None) -> bool:
    """Whether a sub goes into a fold: a person's decision wins over the automatic verdict."""
    if decision is not None:
        return decision == "keep"
    return verdict is not None and verdict.keep


def _judged(
    line: JudgedLine, decision: DecisionRow | None, share: float, scale_of: Callable[..., float | None]
) -> JudgedSub:
    """A sub as its document tells it, with a person's decision over the verdict."""
    kept = decision.verdict == "keep" if decision is not None else bool(line.keep)
    causes = [CauseLine(cause=c, detail=d) for c, d in line.causes or ()]
    if decision is not None:
        causes.insert(0, CauseLine(cause="person", detail=decision.why or f"{decision.verdict} decided by hand"))
    scale = scale_of(line.rig, line.pixel_um, line.binning, line.focal_length_mm)
    return JudgedSub(
        file=line.path,
        sha256=line.sha256,
        rig=line.rig,
        target=line.target,
        filter=line.filter,
        night=line.night.isoformat() if line.night else None,
        start=None if line.start is None else line.start.replace(tzinfo=UTC),
        exposure_s=line.exposure_s,
        stars=line.star_count,
        fwhm_px=line.fwhm_px,
        fwhm_arcsec=line.fwhm_px * scale if line.fwhm_px is not None and scale else None,
        half_flux_radius_px=line.half_flux_radius_px,
        ellipticity=line.ellipticity,
        ellipticity_angle_deg=line.ellipticity_angle_deg,
        sky_e_per_s=line.sky_e / (line.exposure_s or 1.0) if line.sky_e is not None else None,
        transparency=line.transparency,
        verdict="keep" if kept else "drop",
        weight=share,
        causes=tuple(causes),
        zero_point_mag=line.zero_point_mag,
        zero_point_uncertainty_mag=line.zero_point_uncertainty_mag,
        sky_mag_arcsec2=line.sky_mag_arcsec2,
        limiting_mag=line.limiting_mag,
        transparency_absolute=line.transparency_absolute,
    )


def report(
    ws: Workspace, *, filter: str | None = None, night: date | None = None, notes: Sequence[str] = ()
) -> JudgeReport:
    """The verdicts in the ledger, with a person's decisions over them."""
    where = {name: value for name, value in (("filter", filter), ("night", night)) if value is not None}
    lines = ws.ledger.judged_lines(**where)
    decisions = ws.ledger.decisions()
    shares = _shares(ws, decisions, {line.frame_id for line in lines} if where else None)
    scale_of = cache(partial(image_scale, ws.settings))
    with many_rows():
        judged = [
            _judged(line, decisions.get(line.frame_id), shares.get(line.frame_id, 0.0), scale_of) for line in lines
        ]
    return JudgeReport(
        subs=tuple(judged),
        losses=losses_of(ws, filter, night),
        findings=tuple(_told(row) for kind in FINDING_KINDS for row in _findings(ws, kind, filter, night)),
        nights_compared=tuple(NightFigure(**row.document) for row in _findings(ws, NIGHTS, filter, None)),
        sharper_or_deeper=tuple(Choice(**row.document) for row in _findings(ws, SHARPER, filter, None)),
        notes=tuple(notes),
    )
