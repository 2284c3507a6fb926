"""A table longer than any survey is refused by name, whatever its format, before memory runs out."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest

from facademap.errors import InputError
from facademap.io.table_grids import read_grids
from facademap.limits import other_limits


@pytest.fixture(autouse=True)
def short() -> Iterator[None]:
    with other_limits(rows=5):
        yield


def written(folder: Path, rows: int, ending: str) -> Path:
    path = folder / f"list{ending}"
    lines = [["id", "stone"], *([f"B-{k}", "sandstone"] for k in range(rows - 1))]
    if ending == ".csv":
        path.write_text("\n".join(",".join(line) for line in lines), encoding="utf-8")
        return path
    book = openpyxl.Workbook()
    for line in lines:
        book.active.append(line)
    book.save(path)
    return path


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_rows_up_to_the_limit_are_read_and_one_more_is_refused(tmp_path: Path, ending: str) -> None:
    assert len(read_grids(written(tmp_path, 5, ending), what="list")[0].rows) == 5
    with pytest.raises(InputError, match="more than 5 rows"):
        read_grids(written(tmp_path, 6, ending), what="list")
