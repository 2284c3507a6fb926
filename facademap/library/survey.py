"""The survey of a project: photos, control, elevations, outlines, blocks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from facademap.library.results import (
    BlocksAdded,
    ControlAdded,
    ElevationMade,
    ElevationsMade,
    OutlinesAdded,
    PhotosAdded,
    told,
)
from facademap.library.tables import FilePath, Progress, ProjectTables, quiet
from facademap.store.project import Project as Store
from facademap.values import ReadOnly

if TYPE_CHECKING:
    from facademap.wall.grid import Extent

__all__ = ["SurveySteps"]


class SurveySteps(ProjectTables):
    """What comes into a project."""

    __slots__ = ()

    def add_photos(
        self,
        photos: Sequence[FilePath],
        *,
        surface: str | None = None,
        camera: FilePath | None = None,
        who: str = "surveyor",
        progress: Progress | None = None,
    ) -> PhotosAdded:
        """Copy photos into the project.

        Parameters
        ----------
        photos : sequence of path
        surface : str, optional
            Surface they show.
        camera : path, optional
            Camera file of all of them.
        who : str
            Named in the history.
        progress : callable, optional
            Called with the share done.

        Returns
        -------
        PhotosAdded

        Raises
        ------
        FileError, InputError
            A photo cannot be read; nothing is stored.
        """
        from facademap.tasks.survey.add_photos import add_photos

        done = add_photos(
            self.folder,
            photos,
            surface=surface,
            camera_path=camera,
            who=who,
            progress=progress or quiet,
        )
        return told(PhotosAdded, done, folder=self.folder, frame=self.photos)

    def add_control(
        self,
        points: FilePath,
        *,
        observations: FilePath | None = None,
        surface: str | None = None,
        epsg: int | None = None,
        who: str = "surveyor",
    ) -> ControlAdded:
        """Read control and check points.

        Parameters
        ----------
        points : path
            Table of ``name, role, u_m, v_m`` and/or ``east_m, north_m, height_m``.
        observations : path, optional
            Table of ``photo, name, x_px, y_px``.
        surface : str, optional
        epsg : int, optional
            Code of the projected system of the world coordinates.
        who : str

        Returns
        -------
        ControlAdded

        Raises
        ------
        TableError, InputError
            Rows that cannot be; nothing is stored.
        """
        from facademap.tasks.survey.add_control import add_control

        done = add_control(
            self.folder,
            points,
            observations_path=observations,
            surface=surface,
            epsg=epsg,
            who=who,
        )
        return told(ControlAdded, done, folder=self.folder, frame=self.control_points)

    def make_elevations(
        self,
        *,
        gsd_m: float = 0.002,
        extents: Mapping[str, Extent] | None = None,
        who: str = "surveyor",
        progress: Progress | None = None,
    ) -> ElevationsMade:
        """Rectify all photos to one elevation a surface.

        Parameters
        ----------
        gsd_m : float
            Ground sample distance, metres on the wall a pixel.
        extents : mapping of surface to Extent, optional
        who : str
        progress : callable, optional

        Returns
        -------
        ElevationsMade
            Each with what proves it, or the sentence that nothing does.

        Raises
        ------
        FacademapError
            Too little control, or photos that cannot be read.
        """
        from facademap.tasks.survey.elevations import make_elevations

        done = make_elevations(
            self.folder,
            gsd_mm=gsd_m * 1000,
            extents=extents,
            who=who,
            progress=progress or quiet,
        )
        frame = self.surfaces
        made = tuple(self._elevation(frame, n, r) for n, r in done.pop("surfaces").items())
        return told(ElevationsMade, done, surfaces=made, folder=self.folder, frame=frame)

    def add_elevation(
        self,
        picture: FilePath,
        *,
        surface: str | None = None,
        points: FilePath | None = None,
        unit: str | None = None,
        replace: bool = False,
        who: str = "surveyor",
        progress: Progress | None = None,
    ) -> ElevationMade:
        """Bring an orthoimage that was made elsewhere.

        Parameters
        ----------
        picture : path
            GeoTIFF, or a picture with a world file or ``points``.
        surface : str, optional
        points : path, optional
            Table of points that place it.
        unit : str, optional
            Unit of its coordinates.
        replace : bool
            Whether it may replace the elevation that the surface has.
        who : str
        progress : callable, optional

        Returns
        -------
        ElevationMade

        Raises
        ------
        FacademapError
            It cannot be placed; nothing is stored.
        """
        from facademap.tasks.survey.add_elevation import add_elevation
        from facademap.tasks.survey.add_photos import surface_of

        with Store.open(self.folder, read_only=True) as store:
            surface = surface_of(store, surface)
        done = add_elevation(
            self.folder,
            picture,
            surface=surface,
            points=points,
            unit=unit,
            replace=replace,
            who=who,
            progress=progress or quiet,
        )
        return self._elevation(self.surfaces, surface, done)

    def _elevation(
        self, surfaces: pd.DataFrame, surface: str, report: Mapping[str, Any]
    ) -> ElevationMade:
        row = surfaces[surfaces["id"] == surface]
        return told(
            ElevationMade,
            report,
            surface=surface,
            report=ReadOnly(report),
            path=self.folder / str(row["picture"].iloc[0]),
            folder=self.folder,
            frame=row.reset_index(drop=True),
        )

    # -- outlines and stone -------------------------------------------------------------------

    def add_outlines(
        self,
        kind: Literal["conditions", "wall_stones", "openings"],
        path: FilePath,
        *,
        surface: str | None = None,
        layer: str | None = None,
        term: str | None = None,
        accept_doubts: bool = False,
        dry_run: bool = False,
        who: str = "surveyor",
    ) -> OutlinesAdded:
        """Read outlines drawn elsewhere.

        Parameters
        ----------
        kind : {"conditions", "wall_stones", "openings"}
        path : path
            GeoPackage, GeoJSON, Shapefile or DXF.
        surface, layer : str, optional
        term : str, optional
            Term of the glossary of conditions that name none.
        accept_doubts : bool
            Store in spite of doubts about size or place.
        dry_run : bool
            Say what was understood and store nothing.
        who : str

        Returns
        -------
        OutlinesAdded

        Raises
        ------
        FileError, InputError
            Unreadable, or in doubt; nothing is stored.
        """
        from facademap.tasks.survey.add_features import add_features

        done = add_features(
            self.folder,
            kind,
            path,
            surface=surface,
            layer=layer,
            term=term,
            accept_doubts=accept_doubts,
            dry_run=dry_run,
            who=who,
        )
        return told(OutlinesAdded, done, folder=self.folder, frame=self.table(kind))

    def add_blocks(
        self,
        path: FilePath,
        *,
        faces: FilePath | None = None,
        photos: FilePath | None = None,
        dry_run: bool = False,
        who: str = "yard",
        progress: Progress | None = None,
    ) -> BlocksAdded:
        """Read a list of salvaged blocks with their faces.

        Parameters
        ----------
        path : path
            CSV, spreadsheet or GeoPackage.
        faces, photos : path, optional
            List of faces and folder of their photos.
        dry_run : bool
        who : str
        progress : callable, optional

        Returns
        -------
        BlocksAdded

        Raises
        ------
        TableError, InputError
            Rows that cannot be; nothing is stored.
        """
        from facademap.tasks.yard.add_blocks import add_blocks

        done = add_blocks(
            self.folder,
            path,
            faces=faces,
            photos=photos,
            dry_run=dry_run,
            who=who,
            progress=progress or quiet,
        )
        return told(BlocksAdded, done, folder=self.folder, frame=self.blocks)
