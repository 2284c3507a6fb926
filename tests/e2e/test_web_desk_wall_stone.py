"""Stone that is still in the wall, matched at the desk: said where it is chosen, and never let go without a word."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import pytest
from desk_browser import Server, open_desk, saved, until
from desk_sample import rows

sys.path.insert(0, str(Path(__file__).parents[1] / "unit"))

from donor_wall import make_donor_wall

from facademap.tasks.yard.remainders import bring_back_stone


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = make_donor_wall(tmp_path_factory.mktemp("wall") / "p")
    bring_back_stone(made)
    return made


def test_stone_still_in_the_wall_is_matched_shown_and_let_go(
    chromium: Any, server: Server, folder: Path
) -> None:
    page, watch = open_desk(chromium, server, remember={"matchSeconds": 10})
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("2")

    def match(word: str) -> str:
        page.get_by_role("button", name="Match stone").first.click()
        until(
            page, f"document.querySelector('.notice')?.textContent.includes({word!r})", seconds=120
        )
        said = page.locator(".notice").inner_text()
        page.locator(".notice").wait_for(state="detached", timeout=30_000)
        return str(said)

    box = page.get_by_label("Stone still in the wall").first
    box.check()
    assert "1 wait for stone that comes out with another repair" in match("wait")
    assert rows(folder, "placements").set_index("repair").loc["R-001", "block"] == "D-S-12"

    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text="R-001").first.click()
    page.locator("#tab-repair").click()
    told = page.locator(".stones .warn")
    told.wait_for()
    assert "it comes out with R-002" in told.inner_text()

    page.get_by_role("button", name="All repairs").click()
    box.uncheck()
    assert "R-001 no longer takes the stone that comes out with R-002" in match("no longer")
    assert "R-001" not in set(rows(folder, "placements")["repair"])
    saved(page)
    assert not watch.faults
    page.context.close()
