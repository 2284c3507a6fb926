"""The engineering reference system of a wall frame.

Every surface gets a datum of its own, so that two walls are never taken for the same place.

References
----------
ISO 19162:2019 (WKT 2), clause on engineering reference systems.
"""

from __future__ import annotations

__all__ = ["wall_crs"]


def wall_crs(name: str, *, datum: str) -> str:
    """WKT 2 of a wall frame: x = u (to the right seen from outside), y = v (up), metres.

    Parameters
    ----------
    name : str
        Name of the surface.
    datum : str
        Name of the frame's origin, unlike that of any other surface (project id and surface id).

    Returns
    -------
    str
        WKT 2 that pyproj, GeoPackage and GeoTIFF accept.

    Notes
    -----
    The axes are called east and north because programs draw no others upright; they mean u and v.
    """
    label, origin = (" ".join(text.split()).replace('"', '""') for text in (name, datum))
    return (
        f'ENGCRS["{label}",EDATUM["{origin}"],CS[Cartesian,2],AXIS["(u)",east,ORDER[1]],'
        f'AXIS["(v)",north,ORDER[2]],LENGTHUNIT["metre",1]]'
    )
