"""The room's public names: sorted, all there, loaded only when used."""

from __future__ import annotations

import subprocess
import sys

import facademap.report as report


def test_names_are_sorted_and_there():
    assert list(report.__all__) == sorted(report.__all__)
    assert set(report.__all__) == set(report._HOMES)
    for name in report.__all__:
        assert callable(getattr(report, name))


def test_looking_at_the_room_loads_no_heavy_library():
    code = "import sys, facademap.report; print([m for m in ('reportlab', 'ezdxf', 'xlsxwriter', 'cv2', 'pandas') if m in sys.modules])"
    assert (
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.strip()
        == "[]"
    )
