"""What the makers of papers are given: the project's tables and pictures, read once, and what they could not find."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any, cast

import numpy as np
import pandas as pd
import shapely

from facademap.errors import FacademapError, InputError
from facademap.match.saw_model import SawPlan
from facademap.match.saw_tables import Refused
from facademap.repair.criteria import Criteria
from facademap.repair.settings import Settings
from facademap.repair.steps import Step
from facademap.report.code_words import PLAIN_CODE
from facademap.report.face_picture import FacePicture, rectify_face
from facademap.report.measures import Measures
from facademap.report.revision import IssueMark
from facademap.store.project import Project
from facademap.tables import PIECED, TABLES, is_missing
from facademap.tables.settings import is_desk_setting
from facademap.tasks.issue.papers_pictures import ElevationReader
from facademap.tasks.issue.papers_register import is_of_register
from facademap.units import deg_f_from_deg_c

__all__ = ["Choices", "Context", "DrawingIssue"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What the caller chose.

    Parameters
    ----------
    paper : str
        Sheet of tickets, lists and templates.
    sheet : str
        Sheet of the drawings.
    scales : tuple of float
        Denominators of the drawings; empty chooses one that fits.
    link : str
        Address of a repair for the QR codes, ``{repair}`` standing for its id; empty takes the project's.
    rates : str
        Rates as TOML text; empty for none.
    rates_name : str
        Where the rates came from.
    least_void_m2 : float
        Openings of this area or smaller are not deducted.
    template_sheet : str
        Sheet or roll of the templates; that of the tickets when empty.
    label_sheet : str
        Sheet or tape of the labels; that of the tickets when empty.
    pictures : bool
        Whether drawings lie over the rectified picture; false draws lines only.
    """

    paper: str = "A4"
    sheet: str = "A3"
    scale: float | None = None
    link: str = ""
    rates: str = ""
    rates_name: str = "rates"
    least_void_m2: float = 0.0
    template_sheet: str = ""
    label_sheet: str = ""
    pictures: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class DrawingIssue:
    """Drawings that are being issued.

    Parameters
    ----------
    marks : mapping of str to IssueMark
        Number and revisions by file; a file that is not named is drawn as it is compared, without either.
    changed : mapping of str to (set or None, tuple)
        Numbers that are new or changed since the revision before, ``None`` where nothing was there to compare, and
        those that are gone.
    numbers : mapping of str to str
        Numbers of all drawings that were ever issued, for the index on the cover.
    pages : mapping of str to int
        How many sheets those have that are not drawn now.
    """

    marks: Mapping[str, IssueMark]
    changed: Mapping[str, tuple[frozenset[str] | None, tuple[str, ...]]]
    numbers: Mapping[str, str] = field(default_factory=dict)
    pages: Mapping[str, int] = field(default_factory=dict)


@dataclass(eq=False)
class Context:
    """One run over one project."""

    project: Project
    choices: Choices
    issue: DrawingIssue | None = None
    warnings: list[str] = field(default_factory=list)
    _frames: dict[str, pd.DataFrame] = field(default_factory=dict)
    _prints: dict[str, str] = field(default_factory=dict)
    _elevations: ElevationReader = field(default_factory=ElevationReader)
    _photos: dict[str, tuple[bytes, int, int] | None] = field(default_factory=dict)
    #: Surveys compared, by elevation: costly, and told by the papers of change and by the cover.
    compared: dict[str, Any] = field(default_factory=dict)

    def frame(self, name: str) -> Any:
        """A table, read once."""
        if name not in self._frames:
            self._frames[name] = self.project.read(name)
        return self._frames[name]

    def frames(self, names: Sequence[str] = ()) -> Mapping[str, pd.DataFrame]:
        """Several tables; all when none is named."""
        return {name: self.frame(name) for name in names or TABLES}

    @cached_property
    def name(self) -> str:
        """Name of the project as shown."""
        return str(self.project.setting("name") or self.project.folder.resolve().name)

    @cached_property
    def inches(self) -> bool:
        """Whether this office reads inches first."""
        from facademap.tasks.plan.reading import reads_inches

        return reads_inches(self.project)

    @cached_property
    def link(self) -> str:
        """Address of a repair, or what a code says where there is none."""
        return str(
            self.choices.link or self.project.setting("repair_link") or f"{PLAIN_CODE}; {self.name}"
        )

    @cached_property
    def criteria(self) -> tuple[str, ...]:
        """What is checked on an inset: name and limit, short enough for a tick box."""
        return tuple(
            _criterion_in_short(c, self.trade_values, Measures(self.inches))
            for c in self.office_criteria.applying(unseen_face=False).for_treatment("inset")
        )

    @cached_property
    def steps(self) -> dict[str, tuple[tuple[Step, tuple[str, ...]], ...]]:
        """The setting in order by treatment, with what this office checks at each step."""
        from facademap.repair.steps import steps_for

        return {
            treatment: steps_for(self.office_criteria, treatment=treatment) for treatment in PIECED
        }

    @cached_property
    def office_criteria(self) -> Criteria:
        """What this office checks."""
        from facademap.io.rule_files import load_criteria

        return load_criteria(self.project.setting("criteria_path"))

    @cached_property
    def trade_values(self) -> Settings:
        """Trade values of the project's profile."""
        from facademap.tasks.plan.plan import settings_of_project

        return settings_of_project(self.project)

    @cached_property
    def sawing(self) -> tuple[tuple[SawPlan, ...], tuple[Refused, ...]]:
        """Saw plans of all blocks that bear pieces, followed to the end, and the blocks that cannot be sawn."""
        return self.sawing_of(None)

    def sawing_of(self, block: str | None) -> tuple[tuple[SawPlan, ...], tuple[Refused, ...]]:
        """The same of one block."""
        from facademap.match import sawing_of
        from facademap.tasks.match.yard_rules import rules_of_yard

        frames = {n: self.frame(n) for n in ("faces", "pieces", "placements")}
        if block is not None:
            places = frames["placements"]
            frames["placements"] = places[places["block"] == block]
        return sawing_of(frames, rules_of_yard(self.project))

    @cached_property
    def blank_m3(self) -> dict[str, float]:
        """Volume of the blanks as they come off the saw, by piece."""
        return {
            piece: plan.solids[solid].volume_mm3 * 1e-9
            for plan in self.sawing[0]
            for piece, solid in plan.pieces.items()
        }

    @cached_property
    def drawn_elevations(self) -> list[dict[str, Any]]:
        """Elevations that have a surface with something on it, in their order."""
        rows = cast("list[dict[str, Any]]", self.frame("elevations").to_dict("records"))
        surfaces = self.frame("surfaces")
        used = (
            set(surfaces["id"][[g is not None and not g.is_empty for g in surfaces["geometry"]]])
            if len(surfaces)
            else set()
        )
        for name in ("wall_stones", "conditions", "repairs"):
            used |= set(self.frame(name)["surface"])
        drawn = {e for i, e in zip(surfaces["id"], surfaces["elevation"], strict=True) if i in used}
        return sorted(
            (r for r in rows if r["id"] in drawn), key=lambda r: (r["sort"] or 0, str(r["id"]))
        )

    def revision(self, names: Sequence[str]) -> str:
        """Last edit of these tables: its number and day."""
        newest = self._last_edit(names)
        return f"edit {newest[0]}, {newest[1]}" if newest else ""

    def last_day(self, names: Sequence[str]) -> str:
        """Day of the last edit of these tables, as 2026-11-30; empty for a project that was never touched."""
        newest = self._last_edit(names)
        return newest[1] if newest else ""

    def _last_edit(self, names: Sequence[str]) -> tuple[int, str] | None:
        last = [
            (int(row["seq"]), str(row["at"])[:10])
            for name in names
            for row in self.project.history(name, last=1)[["seq", "at"]].to_dict("records")
        ]
        return max(last, default=None)

    def edits_of_repairs(self) -> dict[str, list[tuple[str, str, str]]]:
        """Changes of each repair, oldest first: when, who, what."""
        found: dict[str, list[tuple[str, str, str]]] = {}
        history = self.project.history("repairs")
        for row_id, at, who, what in zip(
            history["row_id"], history["at"], history["who"], history["what"], strict=True
        ):
            found.setdefault(str(row_id), []).insert(0, (str(at), str(who), str(what)))
        return found

    def photo(self, name: str) -> tuple[bytes, int, int] | None:
        """A photo, made small for a record sheet; ``None`` with a warning when it cannot be read."""
        import cv2

        from facademap.io.pictures import read_picture
        from facademap.report.face_picture import encode_jpeg

        if name not in self._photos:
            self._photos[name] = None
            rows = self.frame("photos")
            path = next(
                (str(p) for i, p in zip(rows["id"], rows["path"], strict=True) if i == name), None
            )
            try:
                if path is None:
                    raise InputError(f"photo {name} is not in the project", "Add it.")
                rgb, _ = read_picture(self.project.place(path))
                factor = 700 / max(rgb.shape[:2])
                small = (
                    cv2.resize(rgb, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
                    if factor < 1
                    else rgb
                )
                self._photos[name] = (
                    encode_jpeg(np.asarray(small, dtype=np.uint8), quality=78),
                    int(small.shape[1]),
                    int(small.shape[0]),
                )
            except FacademapError as error:
                self.warnings.append(f"{error.problem}: left out of the record; {error.remedy}")
        return self._photos[name]

    def surface_picture(
        self, surface: str, box: tuple[float, float, float, float], most_px: int
    ) -> Any:
        """See :meth:`elevation_jpeg`, by the surface's id."""
        row = self._surfaces.get(surface)
        return None if row is None else self.elevation_jpeg(row, box, most_px=most_px)

    def veiled_picture(
        self, surface: str, box: tuple[float, float, float, float], most_px: int
    ) -> Any:
        """The same, lightened to lie under lines."""
        row = self._surfaces.get(surface)
        return None if row is None else self.elevation_jpeg(row, box, most_px=most_px, veil=0.3)

    @cached_property
    def _surfaces(self) -> dict[str, dict[str, Any]]:
        return {
            str(r["id"]): cast("dict[str, Any]", r)
            for r in self.frame("surfaces").to_dict("records")
        }

    def fingerprint(self, names: Sequence[str], settings: Sequence[str] | None = None) -> str:
        """Hash of the content of tables, and of settings: all that say something on paper where none are named."""
        total = hashlib.sha256()
        for name in names:
            if name == "settings":  # those that are named, below
                continue
            if name not in self._prints:
                self._prints[name] = _hash_of(self.frame(name))
            total.update(self._prints[name].encode())
        total.update(self.settings_print(settings).encode())
        return total.hexdigest()

    def settings_print(self, wanted: Sequence[str] | None) -> str:
        """Hash of settings, and of the files that they name."""
        rows = self.frame("settings")
        total = hashlib.sha256()
        for name, value in sorted(zip(rows["id"].astype(str), rows["value"], strict=True)):
            # what the desk and the register keep there says nothing on paper
            quiet = is_desk_setting(name) or is_of_register(name)
            if quiet if wanted is None else name not in wanted:
                continue
            total.update(f"{name} {value}\n".encode())
            if name.endswith("_path") and isinstance(path := self.project.setting(name), str):
                total.update(_bytes_of(path))
        return total.hexdigest()

    def pictures_print(self, tables: Sequence[str]) -> str:
        """Hash of the state of the picture files that tables point to: path, size and time of change."""
        paths: list[str] = []
        if "faces" in tables:
            photos = self.frame("photos")
            wanted = set(self.frame("faces")["photo"].dropna())
            for name in ("conditions", "work_log"):
                if name in tables:
                    wanted |= set(self.frame(name)["photo"].dropna())
            paths += [
                str(p) for i, p in zip(photos["id"], photos["path"], strict=True) if i in wanted
            ]
        if "surfaces" in tables:
            paths += [str(p) for p in self.frame("surfaces")["picture"] if not is_missing(p)]
        total = hashlib.sha256()
        for path in paths:
            try:
                state = self.project.place(path).stat()
                total.update(f"{path} {state.st_size} {state.st_mtime_ns}\n".encode())
            except (OSError, FacademapError):
                total.update(f"{path} missing\n".encode())
        return total.hexdigest()

    def texts_print(self, folder: str) -> str:
        """Hash of the texts that an office keeps in a folder of the project."""
        total = hashlib.sha256()
        for path in sorted((self.project.folder / folder).glob("*.md")):
            total.update(path.name.encode() + b"\0" + _bytes_of(str(path)))
        return total.hexdigest()

    @cached_property
    def face_pictures(self) -> dict[str, FacePicture]:
        """Faces of the blocks that bear pieces, seen square on; what cannot be read is left out with a warning."""
        from facademap.io.pictures import read_picture

        photos = {r["id"]: r for r in self.frame("photos").to_dict("records")}
        used = set(self.frame("placements")["face"])
        found: dict[str, FacePicture] = {}
        for face in self.frame("faces").to_dict("records"):
            if face["id"] not in used:
                continue
            photo = photos.get(face["photo"])
            if photo is None or not face["photo_matrix"]:
                self.warnings.append(
                    f"face {face['id']} has no measured photo: drawn as an outline"
                )
                continue
            try:
                rgb, _ = read_picture(self.project.place(str(photo["path"])))
                found[face["id"]] = rectify_face(rgb, face["photo_matrix"], outline=face["outline"])
            except FacademapError as error:
                self.warnings.append(
                    f"face {face['id']}: {error.problem}: drawn as an outline; {error.remedy}"
                )
        return found

    def elevation_jpeg(
        self,
        surface: Mapping[str, Any],
        box: tuple[float, float, float, float],
        *,
        most_px: int,
        veil: float = 0.0,
    ) -> Any:
        """The part of a rectified elevation in a box of the wall frame, as JPEG, and the box it really covers; else ``None``.

        ``veil`` lightens it: 0 leaves it, 1 makes it white.
        """
        from facademap.report.face_picture import encode_jpeg

        if is_missing(surface["picture"]):
            return None
        try:
            rgb, covered = self._elevations.box(
                self.project.place(str(surface["picture"])), box, most_px=most_px
            )
        except FacademapError as error:
            self.warnings.append(
                f"surface {surface['id']}: {error.problem}: drawn without its picture; {error.remedy}"
            )
            return None
        if veil:
            table = (
                np.clip(255.0 - (255.0 - np.arange(256)) * (1.0 - veil), 0, 255)
                .round()
                .astype(np.uint8)
            )
            rgb = table[rgb]
        return encode_jpeg(rgb, quality=80), covered


def _criterion_in_short(criterion: Any, settings: Any, say: Measures) -> str:
    limit = (
        criterion.limit
        if criterion.limit is not None
        else getattr(settings, criterion.limit_from, None)
        if criterion.limit_from
        else None
    )
    name = str(criterion.name[:1].upper() + criterion.name[1:])
    if limit is None:
        return name
    words = {
        "spread": "differ at most",
        "near": "within",
        "at_most": "at most",
        "at_least": "at least",
    }[criterion.kind]
    return f"{name}: {words} {_limit_words(str(criterion.measured), limit, say)}"


def _limit_words(measured: str, limit: float, say: Measures) -> str:
    """A limit in the unit that its name tells."""
    if measured.endswith("_deg_c"):
        return f"{deg_f_from_deg_c(limit) if say.inches else limit:.3g} {say.degree}"
    if measured.endswith("_share"):
        return f"{limit * 100:.3g} %"
    if measured.endswith("_m"):
        return say.rod(limit)
    return f"{limit:.3g}" + (" h" if measured.endswith("_h") else "")


def _bytes_of(path: str) -> bytes:
    try:
        return Path(path).read_bytes()
    except OSError:
        return b""


def _hash_of(frame: pd.DataFrame) -> str:
    total = hashlib.sha256()
    plain = frame
    if "geometry" in frame.columns:
        for blob in shapely.to_wkb(np.asarray(frame["geometry"].array, dtype=object)):
            total.update(b"-" if blob is None else bytes(blob))
        plain = pd.DataFrame(frame.drop(columns="geometry"))
    total.update(json.dumps(plain.to_dict("records"), default=str, sort_keys=True).encode())
    return total.hexdigest()
