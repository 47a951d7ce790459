"""Looks at the filters of one rig and target together for subs that were shot through another than their header says."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from nightfold.judge.facts.stage import Group
from nightfold.judge.other_line import canvas_of, less_polynomial, nebula_of, of_other_lines, on_canvas, polynomial

FloatArray = npt.NDArray[np.float64]


def with_other_lines(groups: Sequence[Group]) -> list[Group]:
    """The groups, with the facts of subs whose nebula is that of another filter saying so."""
    told = list(groups)
    together: dict[tuple[str | None, int | None, str | None], list[int]] = defaultdict(list)
    for number, g in enumerate(told):
        if g.filter is not None and g.meshes:
            together[(g.target, g.panel, g.rig)].append(number)
    for numbers in together.values():
        if len(numbers) > 1:
            for number, words in _told(told, numbers).items():
                g = told[number]
                facts = [replace(f, other_line=words.get(f.frame_id, "")) for f in g.facts]
                told[number] = replace(g, facts=facts)
    return told


def _told(groups: Sequence[Group], numbers: Sequence[int]) -> dict[int, dict[int, str]]:
    """Sentences by group and frame."""
    seen = {
        n: [f for f in groups[n].facts if f.frame_id in groups[n].meshes and f.frame_id in groups[n].placed]
        for n in numbers
    }
    largest = max(numbers, key=lambda n: len(seen[n]))
    if not seen[largest]:
        return {}
    place = _place(groups[largest], seen[largest][0].frame_id)
    if min(place.shape[:2]) < 4:
        return {}
    canvas, pitch = canvas_of(place)
    terms = polynomial(canvas)
    rates = {
        n: np.stack([_rate(groups[n], f.frame_id, f.exposure_s, canvas, pitch) for f in seen[n]])
        for n in numbers
        if seen[n]
    }
    scale = {n: np.array([f.scale for f in seen[n]]) for n in rates}
    nebulae = {n: found for n in rates if (found := nebula_of(less_polynomial(rates[n], terms), scale[n])) is not None}
    words: dict[int, dict[int, str]] = {}
    for n in nebulae:
        others = {str(groups[k].filter): nebulae[k] for k in nebulae if k != n}
        ones = of_other_lines(rates[n], scale[n], nebulae[n], others, terms)
        words[n] = {f.frame_id: one.sentence(groups[n].filter) for f, one in zip(seen[n], ones) if one is not None}
    return words


def _place(group: Group, frame_id: int) -> FloatArray:
    """Where the cells of a sub's mesh lie on the grid, (ny, nx, 2)."""
    mesh = group.meshes[frame_id]
    x, y = np.meshgrid(mesh.x_px, mesh.y_px)
    at = group.placed[frame_id].transform.apply(np.column_stack([x.ravel(), y.ravel()]))
    return at.reshape(*x.shape, 2)


def _rate(group: Group, frame_id: int, exposure_s: float, canvas: FloatArray, pitch: float) -> FloatArray:
    """A sub's sky on the canvas, electrons per second and pixel of the grid."""
    mesh, transform = group.meshes[frame_id], group.placed[frame_id].transform
    if min(mesh.level_e.shape) < 2:
        return np.full(len(canvas), np.nan)
    level = on_canvas(mesh.level_e, mesh.x_px, mesh.y_px, transform.invert(canvas), pitch / transform.scale)
    return level / (max(exposure_s, 1e-9) * transform.scale**2)
