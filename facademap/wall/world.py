"""The engineering coordinate reference system of a wall."""

from __future__ import annotations

from facademap.errors import InputError

__all__ = ["WALL_CRS_KIND", "wall_crs"]

#: First word of every wall's coordinate reference system in WKT 2.
WALL_CRS_KIND = "ENGCRS"


def _quoted(text: str) -> str:
    """WKT 2 doubles a quotation mark inside a text."""
    cleaned = " ".join(text.split())
    return '"' + cleaned.replace('"', '""') + '"'


def wall_crs(name: str, datum_id: str) -> str:
    """Engineering CRS of one wall frame, as WKT 2.

    Parameters
    ----------
    name : str
        What people read: the name of the elevation and surface.
    datum_id : str
        Unique id of the wall's origin. Two walls with one datum would count as one coordinate system,
        and overlays would mix them without a word.

    Returns
    -------
    str
        WKT 2 (ISO 19162:2019), metres; first axis along the wall, second axis up.

    Raises
    ------
    InputError
        An empty name or id.
    """
    if not name.strip() or not datum_id.strip():
        raise InputError(
            "a wall's coordinate system needs a name and an id of its origin",
            "Give the elevation a name.",
        )
    return (
        f"ENGCRS[{_quoted(name)},EDATUM[{_quoted(datum_id + ' origin')}],CS[Cartesian,2],"
        'AXIS["(s)",east,ORDER[1]],AXIS["(z)",north,ORDER[2]],LENGTHUNIT["metre",1]]'
    )
