"""How a filter is drawn: colour, dash and mark, always together, so that it survives red light and print.

Colours are those of Okabe & Ito, "Color Universal Design" (2008), which stay apart for colour-blind eyes. The order
everywhere is by wavelength.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from nightfold.charts.theme import Ground, GroundName, Spec, ground_of, on_ground

ORANGE, SKY_BLUE, BLUISH_GREEN, YELLOW = "#e69f00", "#56b4e9", "#009e73", "#f0e442"
BLUE, VERMILLION, REDDISH_PURPLE, GREY = "#0072b2", "#d55e00", "#cc79a7", "#999999"

SOLID, LONG_DASH, SHORT_DASH, DOTTED = (1, 0), (11, 4), (4, 3), (1, 3)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterStyle:
    """How one filter is drawn.

    Attributes
    ----------
    name, label : str
        As in the ledger, and as people write it.
    colour : str
        On the ground asked for.
    dash : tuple of int
        Lengths of stroke and gap, pixels; (1, 0) is solid.
    shape : str
        Vega's name of the mark; "" where the mark is the letter.
    letter : str
        The mark where it is a letter.
    hollow : bool
        The mark is an outline.
    sign : str
        The mark as one character, for text.
    """

    name: str
    label: str
    colour: str
    dash: tuple[int, ...]
    shape: str
    letter: str
    hollow: bool
    sign: str
    wavelength_nm: float

    @property
    def dash_pattern(self) -> list[int]:
        """For a Vega mark."""
        return list(self.dash)


_KNOWN: dict[str, tuple[str, str, tuple[int, ...], str, str, bool, str, float]] = {
    # name: label, colour, dash, shape, letter, hollow, sign, wavelength in nm
    "Ha": ("Hα", VERMILLION, SOLID, "circle", "", False, "●", 656.28),
    "OIII": ("[O III]", BLUISH_GREEN, LONG_DASH, "triangle-up", "", False, "▲", 500.7),
    "SII": ("[S II]", ORANGE, SHORT_DASH, "square", "", False, "■", 672.4),
    "L": ("L", GREY, SOLID, "circle", "", True, "○", 550.0),
    "R": ("R", REDDISH_PURPLE, DOTTED, "", "R", False, "R", 630.0),
    "G": ("G", SKY_BLUE, DOTTED, "", "G", False, "G", 530.0),
    "B": ("B", BLUE, DOTTED, "", "B", False, "B", 450.0),
}
_LABELS = {"Hb": ("Hβ", 486.13), "NII": ("[N II]", 658.3), "Clear": ("clear", 560.0), "Open": ("open", 560.0)}
_FREE: tuple[tuple[str, tuple[int, ...], str, bool, str], ...] = (
    (YELLOW, (8, 3, 2, 3), "diamond", False, "◆"),
    (SKY_BLUE, (14, 3), "triangle-down", False, "▼"),
    (REDDISH_PURPLE, (6, 2, 6, 6), "diamond", True, "◇"),
    (GREY, (2, 2), "square", True, "□"),
    (YELLOW, (12, 3, 2, 3, 2, 3), "triangle-up", True, "△"),
    (BLUE, (5, 5), "triangle-down", True, "▽"),
)


def filter_label(name: str | None) -> str:
    """A filter as people write it."""
    if name is None:
        return "no filter"
    if name in _KNOWN:
        return _KNOWN[name][0]
    return _LABELS[name][0] if name in _LABELS else name


def wavelength_nm(name: str | None, centres_nm: Mapping[str, float] | None = None) -> float:
    """Where a filter stands in the order: its centre as the campaign says, else the line's or the band's; unknown last."""
    if name is None:
        return 9999.0
    if centres_nm and name in centres_nm:
        return centres_nm[name]
    if name in _KNOWN:
        return _KNOWN[name][7]
    return _LABELS[name][1] if name in _LABELS else 9000.0


def in_order(names: Sequence[str | None], centres_nm: Mapping[str, float] | None = None) -> list[str]:
    """Each name once, by wavelength; those whose wavelength is not known last, by name. None becomes "no filter"."""
    known = {name if name is not None else "no filter" for name in names}
    return sorted(known, key=lambda n: (wavelength_nm(n, centres_nm), n))


def filter_styles(
    names: Sequence[str | None],
    ground: GroundName | Ground = "page",
    *,
    centres_nm: Mapping[str, float] | None = None,
) -> dict[str, FilterStyle]:
    """The style of every filter, by name and in the order of wavelength.

    Give all names of the campaign, so that a filter without a style of its own takes the same free one in every chart.
    """
    base = ground_of(ground)
    styles: dict[str, FilterStyle] = {}
    taken = 0
    for name in in_order(names, centres_nm):
        where = wavelength_nm(name, centres_nm)
        if name in _KNOWN:
            label, colour, dash, shape, letter, hollow, sign, _ = _KNOWN[name]
        else:
            colour, dash, shape, hollow, sign = _FREE[taken % len(_FREE)]
            label, letter = filter_label(name), ""
            taken += 1
        styles[name] = FilterStyle(
            name=name, label=label, colour=on_ground(colour, base), dash=dash, shape=shape, letter=letter, hollow=hollow, sign=sign,
            wavelength_nm=where,
        )  # fmt: skip
    return styles


def mark_of(style: FilterStyle, ground: Ground, *, dropped: bool = False, size: int = 42) -> Spec:
    """The Vega mark of one filter's points; those of dropped subs are hollow, and letters small."""
    if style.letter:
        return {
            "type": "text", "text": style.letter.lower() if dropped else style.letter, "fontWeight": "normal" if dropped else "bold",
            "fontSize": 12, "color": style.colour, "align": "center", "baseline": "middle",
        }  # fmt: skip
    hollow = style.hollow or dropped
    return {
        "type": "point",
        "shape": style.shape,
        "size": size if not dropped else 0.8 * size,
        "filled": True,
        "fill": ground.paper if hollow else style.colour,
        "stroke": style.colour,
        "strokeWidth": 1.4,
        "opacity": 1,
        **({"strokeDash": [2, 2]} if dropped and style.hollow else {}),
    }


def halo_of(style: FilterStyle, ground: Ground, *, size: int = 42) -> list[Spec]:
    """What stands under a mark that lies on a line: room for a letter; nothing under a shape, which is solid."""
    if not style.letter:
        return []
    return [
        {"type": "point", "shape": "circle", "size": 2.2 * size, "fill": ground.paper, "stroke": None, "opacity": 1}
    ]
