"""The mix of one repair: amounts, weather and strength follow from it, volumes do not."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import geopandas as gpd
import pandas as pd

from facademap.repair.mixes import Mix, batch, mix_named, strength_faults
from facademap.repair.placing import placing_rules
from facademap.repair.settings import Settings
from facademap.tables import is_missing

__all__ = ["choose_mixes", "with_mix"]


def with_mix(
    materials: Mapping[str, Any], mix: Mix, *, settings: Settings, stone_type: Any
) -> dict[str, Any]:
    """The materials of a repair with another mix.

    Parameters
    ----------
    materials : mapping
        With ``mortar.total_m3``.
    mix : Mix
    settings : Settings
        Trade values.
    stone_type : str or missing
        Local name of the stone, for its strength.
    """
    return {
        **materials,
        "batch": batch(float(materials["mortar"]["total_m3"]), mix),
        "times": placing_rules(settings, mix),
        "mix_faults": list(strength_faults(mix, stone_type)),
    }


def choose_mixes(
    repairs: gpd.GeoDataFrame,
    stone_types: Mapping[str, Any],
    chosen: Mapping[str, str],
    *,
    settings: Settings,
) -> gpd.GeoDataFrame:
    """Repairs in which those named have a mix of their own.

    Parameters
    ----------
    repairs : GeoDataFrame
        Rows of the repairs table; left as they are.
    stone_types : mapping
        Local name of the stone by repair.
    chosen : mapping
        Mix by repair; a repair that is not here, or has no mortar, is passed over.
    settings : Settings
        Trade values.
    """
    if not len(repairs) or not any(str(i) in chosen for i in repairs["id"]):
        return repairs
    result = repairs.copy()
    materials = []
    for name, known in zip(repairs["id"], repairs["materials"], strict=True):
        mix = chosen.get(str(name))
        if mix is None or is_missing(known) or "mortar" not in known:
            materials.append(known)
            continue
        stone = stone_types.get(str(name))
        materials.append(with_mix(known, mix_named(mix), settings=settings, stone_type=stone))
    result["materials"] = pd.Series(materials, index=repairs.index, dtype=object)
    return result
