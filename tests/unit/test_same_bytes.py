"""The same input gives the same bytes in every process, whatever order its sets have there."""

from __future__ import annotations

import os
import subprocess
import sys

WRITE = """
import hashlib
from facademap.report.cut_dxf import dxf_bytes, new_drawing
drawing = new_drawing({"CUT": (7, "outline")})
space = drawing.modelspace()
space.add_lwpolyline([(0, 0), (1, 1)])
space.add_hatch()
space.add_text("R-001")
space.add_wipeout([(0, 0), (1, 1)])
drawing.layouts.new("SHEET")
print(hashlib.sha256(dxf_bytes(drawing)).hexdigest())
"""


def test_a_drawing_file_is_the_same_in_every_process() -> None:
    """Else a drawing that nobody changed would be issued as a new revision."""
    told = {
        subprocess.run(
            [sys.executable, "-c", WRITE],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(told) == 1
