"""Pictures of what passes and what is redone: one for each criterion that can be drawn, its limit to scale."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from facademap.repair.criteria import Criterion, limit_of
from facademap.repair.settings import Settings
from facademap.report.guide.blocks import Drawing
from facademap.report.page import Page
from facademap.report.piece_sketch import RED
from facademap.treatment.words import say
from facademap.units import fitting_inches, least_inches

__all__ = [
    "LIMIT_LAYER",
    "Asked",
    "draw_asked",
    "limit_said",
    "picture_of",
    "raking_picture",
    "scale_of",
]

#: Layer of the marks whose size is the limit.
LIMIT_LAYER = "limit"
_STONE, _PIECE, _MORTAR, _DARK = "#ddd5c5", "#f2ede2", "#b9b3a8", "#22313f"
_WIDTH, _HEIGHT, _TOLD, _GAP = 170.0, 46.0, 52.0, 3.0
_PANEL = (_WIDTH - _TOLD - _GAP) / 2
#: Times that a limit is drawn larger (or smaller) than it is.
_SCALES = (20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
Point = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a picture says beside its two panels.

    Parameters
    ----------
    name, before, text, source : str
        The criterion as people read it.
    limit : float or None
        In SI; lengths are drawn to scale.
    said : str
        The limit with its unit.
    most_mm : float
        What the limit may take of the sheet.
    """

    name: str
    before: str
    text: str
    source: str
    limit: float | None = None
    said: str = ""
    most_mm: float = 5.0

    def scale(self, *, room_m: float = 0.0) -> float:
        """How many times the limit is drawn larger than it is."""
        return scale_of(self.limit or 0.0, room_m=room_m, most_mm=self.most_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Panel:
    """One of two panels: its corner, and by how much its work lies within or beyond the limit (as a share of it)."""

    page: Page
    x: float
    y: float
    good: bool
    asked: Asked
    joint_m: float = 0.0

    @property
    def off(self) -> float:
        """Drawn fault as a share of the limit."""
        return 0.5 if self.good else 1.9

    @property
    def k(self) -> float:
        """Millimetres on the sheet for a metre."""
        return self.asked.scale(room_m=self.joint_m) * 1000

    def stone(self, ring: Sequence[Point], fill: str = _STONE) -> None:
        """An outline by points from the corner of the panel."""
        self.page.rings(
            [[(self.x + a, self.y + b) for a, b in ring]], fill=fill, ink="#4d4d4d", width_mm=0.25
        )

    def limit(self, *lines: tuple[float, float, float, float]) -> None:
        """Dashed lines at the limit."""
        before, self.page.layer = self.page.layer, LIMIT_LAYER
        self.page.lines(
            [[[self.x + a, self.y + b], [self.x + c, self.y + d]] for a, b, c, d in lines],
            ink=RED,
            width_mm=0.35,
            dash_mm=(1.2, 0.7),
        )
        self.page.layer = before

    def say(self, x: float, y: float, text: str, *, ink: str = "#222222") -> None:
        """A word within the panel."""
        self.page.text(self.x + x, self.y + y, text, size_pt=7, ink=ink, halo="#ffffff")


def scale_of(limit_m: float, *, room_m: float = 0.0, most_mm: float = 5.0) -> float:
    """How many times a limit is drawn larger than it is, that it takes no more of the sheet, and what it stands on 12 mm.

    Examples
    --------
    >>> scale_of(0.001), scale_of(0.001, room_m=0.003), scale_of(0.003)
    (5.0, 2.0, 1.0)
    """
    for scale in _SCALES:
        if limit_m * 1000 * scale <= most_mm + 1e-9 and room_m * 1000 * scale <= 12:
            return scale
    return _SCALES[-1]


def limit_said(criterion: Criterion, settings: Settings) -> str:
    """The limit of a criterion with its unit, never wider than it is judged."""
    if criterion.kind == "seen":
        return ""
    limit, measured = limit_of(criterion, settings), criterion.measured
    if measured.endswith("_m"):
        if settings.inches:
            turned = least_inches if criterion.kind == "at_least" else fitting_inches
            return turned(limit, denominator=64)
        return f"{limit * 1000:g} mm"
    if measured.endswith("_deg_c"):
        return say(limit, "temperature", inches=settings.inches)
    if measured.endswith("_share"):
        return f"{limit:.0%}".replace("%", " %")
    return say(limit, "hours") if measured.endswith("_h") else f"{limit:g}"


def picture_of(criterion: Criterion, settings: Settings, *, source: str) -> Drawing | None:
    """Pass and redo of one criterion, its limit drawn from its own value; ``None`` where it cannot be drawn.

    Parameters
    ----------
    criterion : Criterion
    settings : Settings
        Limits of the profile, its joint and its units.
    source : str
        Where the criterion comes from, as printed.
    """
    draw = (
        _SEEN.get(criterion.name)
        if criterion.kind == "seen"
        else _MEASURED.get(criterion.measured, _scale)
    )
    if draw is None:
        return None
    limit = None if criterion.kind == "seen" else limit_of(criterion, settings)
    asked = Asked(
        name=criterion.name,
        before=criterion.before,
        text=criterion.said(inches=settings.inches),
        source=source,
        limit=limit,
        said=limit_said(criterion, settings),
    )
    if draw is _scale:
        return draw_asked(asked, lambda p: _scale(p, least=criterion.kind == "at_least"))
    return draw_asked(asked, draw, joint_m=settings.joint_m if draw is _joint else 0.0)


def draw_asked(asked: Asked, draw: Callable[[_Panel], None], *, joint_m: float = 0.0) -> Drawing:
    """A strip: what is asked at the left, then pass and redo, said in words and not by colour alone."""
    page = Page(width_mm=_WIDTH, height_mm=_HEIGHT, title=asked.name)
    top = _HEIGHT - 5
    page.text(
        0, top, asked.name.capitalize(), size_pt=10, weight="bold", ink=_DARK, within_mm=_TOLD - 3
    )
    y = page.paragraph(0, top - 4.6, f"Before: {asked.before}", width_mm=_TOLD - 4, size_pt=8, ink="#4d4d4d")  # fmt: skip
    y = page.paragraph(0, y - 1, asked.text, width_mm=_TOLD - 4, size_pt=8.5, most_lines=6)
    page.paragraph(0, y - 0.8, asked.source, width_mm=_TOLD - 4, size_pt=6.5, most_lines=3, ink="#4d4d4d")  # fmt: skip
    for number, good in enumerate((True, False)):
        x = _TOLD + number * (_PANEL + _GAP)
        page.box(x, 0, _PANEL, _HEIGHT - 1, width_mm=0.3, ink="#4d4d4d")
        panel = _Panel(page=page, x=x, y=0.0, good=good, asked=asked, joint_m=joint_m)
        draw(panel)
        _mark(page, x + 2, _HEIGHT - 6.2, good)
    drawn = (
        f" The limit ({asked.said}) is drawn in red, {_times(asked.scale(room_m=joint_m))}."
        if draw in _TO_SCALE
        else ""
    )
    return Drawing(
        page=page, legend=f"{asked.name.capitalize()}: what passes and what is redone.{drawn}"
    )


def raking_picture(*, widths: float, least_m: float, inches: bool, source: str) -> Drawing:
    """How deep a joint is raked: a joint so wide that both rules meet, its least depth to scale.

    Parameters
    ----------
    widths : float
        Least depth as a multiple of the width.
    least_m : float
        Least depth whatever the width.
    inches : bool
    source : str
        Where the rule comes from, as printed.
    """
    least = say(least_m, "depth", inches=inches)
    asked = Asked(
        name="depth of raking",
        before="bedded",
        text=f"Joints to be repointed are raked to at least {widths:g} times their width, and to {least} or more; back and sides square and clean.",
        source=source,
        limit=least_m,
        said=least,
        most_mm=22.0,
    )
    return draw_asked(asked, _rake, joint_m=least_m / widths)


def _rake(p: _Panel) -> None:
    """Section of a raked joint, the face at the top."""
    least = (p.asked.limit or 0.0) * p.k
    wide = p.joint_m * p.k
    face, x0, x1 = 33.0, 26.0 - wide / 2, 26.0 + wide / 2
    p.stone([(3, 3), (x0, 3), (x0, face), (3, face)])
    p.stone([(x1, 3), (52, 3), (52, face), (x1, face)])
    deep = face - least * (1.15 if p.good else 0.55)
    p.stone([(x0, 3), (x1, 3), (x1, deep if p.good else deep + wide / 2), (x0, deep)], _MORTAR)
    p.limit((x0 - 6, face, x1 + 6, face), (x0 - 6, face - least, x1 + 6, face - least))
    p.say(x1 + 2, face - least / 2 - 1, p.asked.said, ink=RED)
    p.say(5, 5, "raked square" if p.good else "too shallow")


def _times(scale: float) -> str:
    return f"at {scale:g} : 1" if scale >= 1 else f"at 1 : {1 / scale:g}"


def _mark(page: Page, x: float, y: float, good: bool) -> None:
    if good:
        page.lines([[[x, y + 1.4], [x + 1.3, y]], [[x + 1.3, y], [x + 4, y + 3.6]]], width_mm=0.7, ink="#2c6e49")  # fmt: skip
    else:
        page.lines([[[x, y], [x + 3.6, y + 3.6]], [[x, y + 3.6], [x + 3.6, y]]], width_mm=0.7, ink=RED)  # fmt: skip
    page.text(x + 5.5, y + 0.3, "PASS" if good else "REDO", size_pt=9, weight="bold")


# ---------------------------------------------------------------- measured, to scale
def _joint(p: _Panel) -> None:
    """A bed joint dry-fitted on its spacers; the limit lies on each side of the joint drawn."""
    limit, wide = (p.asked.limit or 0.0) * p.k, p.joint_m * p.k
    off = p.off * limit
    low, x0, x1 = 11.0, 4.0, _PANEL - 4
    p.stone([(x0, 2), (x1, 2), (x1, low), (x0, low)])
    left = low + wide + off * (0.2 if p.good else -0.1)
    right = low + wide + off * (-0.6 if p.good else 1)
    p.stone([(x0, left), (x1, right), (x1, right + 7), (x0, left + 7)], _PIECE)
    for x, top in ((x0 + 3, left), (x1 - 6, right if p.good else low + wide)):
        p.stone([(x, low), (x + 3, low), (x + 3, top), (x, top)], _DARK)
    p.limit(
        (x0, low + wide + limit, x1, low + wide + limit),
        (x0, low + wide - limit, x1, low + wide - limit),
    )
    p.say(x0 + 1, 4, "wall")
    p.say(22, low + 1, "on spacers" if p.good else "wedge")
    p.say(40, 40, f"± {p.asked.said}", ink=RED)


def _lip(p: _Panel) -> None:
    """Section through the face at a joint: how far the piece stands proud."""
    limit = (p.asked.limit or 0.0) * p.k
    off, face = p.off * limit, 24.0
    p.stone([(3, 3), (23, 3), (23, face), (3, face)])
    p.stone([(23, 3), (25.5, 3), (25.5, face), (23, face)], _MORTAR)
    p.stone([(25.5, 3), (52, 3), (52, face + off), (25.5, face + off)], _PIECE)
    p.limit((22, face, 54, face), (22, face + limit, 54, face + limit))
    p.say(5, 6, "neighbour")
    p.say(28, 6, "piece")
    p.say(4, face + 2, p.asked.said, ink=RED)


def _square(p: _Panel) -> None:
    """A cut-out with its diagonals, and their ends laid side by side to scale."""
    limit = (p.asked.limit or 0.0) * p.k
    off, lean = p.off * limit, 0.0 if p.good else 3.5
    ring = [(4.0, 5.0), (26.0, 5.0), (26.0 + lean, 31.0), (4.0 + lean, 31.0)]
    p.stone([(2, 3), (31, 3), (31, 34), (2, 34)])
    p.stone(ring, "#ffffff")
    lines = [[ring[0], ring[2]], [ring[1], ring[3]]]
    p.page.lines([[[p.x + a, p.y + b] for a, b in line] for line in lines], width_mm=0.3)
    end = 26.0
    for x, top in ((36.0, end), (42.0, end + off)):
        p.stone([(x, 8), (x + 4, 8), (x + 4, top), (x, top)], _PIECE)
    p.limit((34.5, end, 48, end), (34.5, end + limit, 48, end + limit))
    p.say(34, 4, "ends of both")
    p.say(48.5, end + limit / 2 - 1, p.asked.said, ink=RED)


def _depths(p: _Panel) -> None:
    """Section through a cut-out: the back between its shallowest and deepest corner."""
    limit = (p.asked.limit or 0.0) * p.k
    off, back = p.off * limit, 16.0
    p.stone([(3, 4), (46, 4), (46, 34), (3, 34)])
    p.stone([(10, 34), (39, 34), (39, back), (10, back - off)], "#ffffff")
    p.limit((7, back, 42, back), (7, back - limit, 42, back - limit))
    p.say(4, 5, "back of the cut-out")
    p.say(15, 30, "face")
    p.say(46.5, back - limit / 2 - 1, p.asked.said, ink=RED)


def _bed(p: _Panel) -> None:
    """The back of a piece after the trial bedding: mortar, and what stayed bare, as shares of its area."""
    least = p.asked.limit or 0.0
    wide, high, x, y = 32.0, 30.0, 4.0, 4.0
    p.stone([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)], _MORTAR)
    bare = (1 - least) * (0.5 if p.good else 3) * wide * high
    spots = [(9.0, 9.0)] * 1 if p.good else [(8.0, 8.0), (23.0, 20.0), (10.0, 23.0)]
    radius = float(np.sqrt(min(bare, 0.6 * wide * high) / len(spots) / np.pi))
    p.page.discs(
        [(p.x + x + a, p.y + y + b) for a, b in spots],
        min(radius, 8.0),
        ink="#4d4d4d",
        fill="#ffffff",
    )
    side = float(np.sqrt((1 - least) * wide * high))
    a, b = 38.5, 12.0
    p.limit(
        (a, b, a + side, b),
        (a + side, b, a + side, b + side),
        (a + side, b + side, a, b + side),
        (a, b + side, a, b),
    )
    p.say(38.5, b + side + 5.4, "bare at most", ink=RED)
    p.say(38.5, b + side + 2, "(to scale)", ink=RED)
    p.say(38.5, b - 4, f"covered {p.asked.said}", ink=RED)
    p.say(38.5, b - 7.4, "or more", ink=RED)


def _scale(p: _Panel, *, least: bool) -> None:
    """A scale with the limit, and where a value passes or does not."""
    x0, x1, y, at = 6.0, 51.0, 17.0, 28.5
    good = (at, x1) if least else (x0, at)
    p.page.box(p.x + good[0], p.y + y - 2, good[1] - good[0], 4, fill="#dfe9e1", ink=None)
    p.page.line(p.x + x0, p.y + y, p.x + x1, p.y + y, width_mm=0.4)
    p.limit((at, y - 5, at, y + 5))
    value = at + (7 if p.good == least else -7) * (1 if p.good else 1.4)
    p.page.discs([(p.x + value, p.y + y)], 1.6, fill=_DARK)
    p.page.text(
        p.x + at, p.y + y + 7, p.asked.said, size_pt=9, weight="bold", anchor="centre", ink=RED
    )
    p.say(x0, y - 9, f"{'at least' if least else 'at most'} {p.asked.said}")


# ---------------------------------------------------------------- seen
def _taps(p: _Panel, *, words: str) -> None:
    """A map of taps: full marks ring, open ones sound hollow."""
    wide, high, x, y = 34.0, 27.0, 4.0, 4.0
    p.stone([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)], _PIECE)
    spots = [(x + 4.25 + 5.1 * a, y + 4 + 4.75 * b) for a in range(6) for b in range(5)]
    hollow = [] if p.good else [s for s in spots if np.hypot(s[0] - 25, s[1] - 18) < 8]
    full = [(p.x + a, p.y + b) for a, b in spots if (a, b) not in hollow]
    p.page.discs(full, 0.9, fill=_DARK)
    for a, b in hollow:
        p.page.discs([(p.x + a, p.y + b)], 1.3, fill="#ffffff", ink=RED, width_mm=0.5)
    p.page.discs([(p.x + 41, p.y + 25)], 0.9, fill=_DARK)
    p.say(43, 24, "rings")
    if hollow:
        p.page.discs([(p.x + 41, p.y + 19)], 1.3, fill="#ffffff", ink=RED, width_mm=0.5)
        p.say(43, 18, "hollow")
    p.say(39.5, 8, words)


def _rings_sound(p: _Panel) -> None:
    _taps(p, words="taps on a grid")


def _cut_out_sound(p: _Panel) -> None:
    """The sides of a cut-out, tapped; a crack behind a side is no sound stone."""
    p.stone([(3, 3), (51, 3), (51, 35), (3, 35)])
    p.stone([(14, 11), (40, 11), (40, 27), (14, 27)], "#ffffff")
    around = [(14 + 6.5 * n, y) for n in range(5) for y in (9.0, 29.0)]
    around += [(x, 15 + 4.0 * n) for n in range(3) for x in (12.0, 42.0)]
    bad = [] if p.good else [s for s in around if s[0] > 33 and s[1] > 12]
    p.page.discs([(p.x + a, p.y + b) for a, b in around if (a, b) not in bad], 0.8, fill=_DARK)
    for a, b in bad:
        p.page.discs([(p.x + a, p.y + b)], 1.2, fill="#ffffff", ink=RED, width_mm=0.5)
    if bad:
        crack = [(34.0, 34.0), (38.0, 31.0), (42.0, 31.5), (45.0, 27.0), (44.5, 21.0), (47.0, 14.0)]
        p.page.rings([[(p.x + a, p.y + b) for a, b in crack]], closed=False, width_mm=0.5)
        p.say(15, 13, "hollow: cut further")
    else:
        p.say(15, 13, "rings on every side")


def _bed_direction(p: _Panel) -> None:
    """The natural bed of the piece: with that of the wall, or across it."""
    p.stone([(3, 3), (52, 3), (52, 35), (3, 35)])
    p.stone([(16, 9), (39, 9), (39, 29), (16, 29)], _PIECE)
    level = [[[p.x + a, p.y + y], [p.x + b, p.y + y]] for y in np.arange(5, 35, 3) for a, b in
             (((3, 52),) if y < 9 or y > 29 else ((3, 15), (40, 52)))]  # fmt: skip
    p.page.lines(level, width_mm=0.15, ink="#6b6252")
    own = (
        [[[p.x + 16, p.y + y], [p.x + 39, p.y + y]] for y in np.arange(11, 29, 3)]
        if p.good
        else [[[p.x + x, p.y + 9], [p.x + x, p.y + 29]] for x in np.arange(18, 39, 3)]
    )
    p.page.lines(own, width_mm=0.35, ink=_DARK)
    p.say(20, 36, "bed as drawn" if p.good else "bed turned")


def _clean(p: _Panel) -> None:
    """Section of a cut-out with the key of a pin: washed and damp, or dusty."""
    p.stone([(3, 3), (52, 3), (52, 33), (3, 33)])
    hole = [(9, 33), (46, 33), (46, 17), (30, 17), (30, 8), (26, 8), (26, 17), (9, 17)]
    p.stone(hole, "#ffffff")
    if p.good:
        p.page.rings(
            [[(p.x + a, p.y + b) for a, b in hole[2:]]], closed=False, ink="#0063a6", width_mm=0.9
        )
        p.say(12, 24, "damp, no film of water")
    else:
        dust = np.random.default_rng(1).uniform((9.5, 17.3), (45.5, 19.5), (70, 2))
        deep = np.random.default_rng(2).uniform((26.3, 8.3), (29.7, 13), (30, 2))
        p.page.discs(np.vstack([dust, deep]) + np.array([p.x, p.y]), 0.35, fill="#7a6a4f")
        p.say(12, 24, "dry, dust in the key")


def _pointing(p: _Panel) -> None:
    """Section of a joint: full and clear of the arrises, or hollow, smeared and with its spacer left in."""
    face = 30.0
    p.stone([(3, 4), (24, 4), (24, face - 1), (23, face), (3, face)])
    p.stone([(31, 4), (52, 4), (52, face), (32, face), (31, face - 1)])
    if p.good:
        p.stone(
            [(24, 4), (31, 4), (31, face - 1), (29, face - 1.6), (26, face - 1.6), (24, face - 1)],
            _MORTAR,
        )
        p.say(5, 8, "full, arrises clear")
        return
    p.stone([(24, 4), (31, 4), (31, 13), (27.5, 10), (24, 13)], _MORTAR)
    p.stone(
        [
            (24, 22),
            (31, 22),
            (31, face - 1),
            (37, face),
            (37, face + 1),
            (18, face + 1),
            (18, face),
            (24, face - 1),
        ],
        _MORTAR,
    )
    p.stone([(24, 14), (31, 14), (31, 17), (24, 17)], RED)
    p.say(33, 14.5, "spacer left", ink=RED)
    p.say(33, 8, "hollow", ink=RED)
    p.say(5, face + 2.2, "arrises smeared", ink=RED)


_MEASURED: Mapping[str, Callable[..., None]] = {
    "joints_m": _joint,
    "lips_m": _lip,
    "diagonals_m": _square,
    "depths_m": _depths,
    "bed_share": _bed,
}
_TO_SCALE = (_joint, _lip, _square, _depths, _rake)
_SEEN: Mapping[str, Callable[[_Panel], None]] = {
    "sounding": _rings_sound,
    "sound stone all round": _cut_out_sound,
    "stone and bed right": _bed_direction,
    "wetted": _clean,
    "pointing": _pointing,
}
