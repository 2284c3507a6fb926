"""Every workplace of the survey desk at every size, theme and zoom: pictures to look at, what axe finds, what is cut off.

Run ``python benchmarks/web_looks.py PROJECT [--out looks] [--sizes 390x844,..] [--themes day,..]``. Writes a picture a
workplace and size, and prints every violation of WCAG 2.1 A and AA, every button that lies partly outside what is seen or
under something else, and every page that scrolls sideways. Bar: none.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "e2e"))
from desk_browser import Server, browser, open_desk

FRONTEND = Path(__file__).parents[1] / "facademap" / "web" / "frontend"

#: Sizes in CSS pixels; the last one is 1280 x 800 at 200 % zoom.
SIZES = ("390x844", "820x1180", "1280x620", "1280x800", "1920x1080", "640x400")
THEMES = ("day", "dark", "sun")
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
#: What nobody can press or read: cut off by the window or a part that does not scroll, or under something else.
HIDDEN = """() => {
  const told = [];
  if (document.documentElement.scrollWidth > innerWidth + 1) told.push('the page scrolls sideways');
  const top = document.querySelector('dialog[open]') ?? document.body;
  for (const el of top.querySelectorAll('button, input, select, textarea, a[href], [role=tab]')) {
    const box = el.getBoundingClientRect();
    if (!box.width || !box.height || getComputedStyle(el).visibility === 'hidden' || el.closest('[inert]') || el.closest('.skip, .visually-hidden') || el.closest('details:not([open])') && el.tagName !== 'SUMMARY') continue;
    const name = (el.getAttribute('aria-label') || el.textContent || el.id || el.className).trim().slice(0, 30);
    let scrolls = false;
    for (let up = el.parentElement; up; up = up.parentElement) {
      const style = getComputedStyle(up);
      if (/(auto|scroll)/.test(style.overflowX + style.overflowY) && (up.scrollHeight > up.clientHeight || up.scrollWidth > up.clientWidth)) scrolls = true;
    }
    if (scrolls) continue;
    if (box.left < -1 || box.top < -1 || box.right > innerWidth + 1 || box.bottom > innerHeight + 1) { told.push(`cut off: ${name}`); continue; }
    const seen = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
    if (seen && !el.contains(seen) && !seen.contains(el) && !el.closest('label')?.contains(seen)) told.push(`covered: ${name} by ${seen.className || seen.tagName}`);
  }
  return told;
}"""


class Visitor:
    """Somebody who goes from workplace to workplace on one page."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def go(self, number: int) -> None:
        self.page.evaluate("document.activeElement.blur()")
        for key in ("Escape", "Escape", "v", str(number)):
            self.page.keyboard.press(key)
        self.page.wait_for_timeout(350)

    def tab(self, name: str) -> None:
        place = self.page.locator(f"#tab-{name}")
        if place.count() and place.is_visible():
            place.click()

    def survey(self) -> None:
        self.go(1)

    def selected(self) -> None:
        self.go(1)
        self.tab("list")
        self.page.locator(".list tbody button").nth(2).click()
        self.tab("record")

    def listed(self) -> None:
        self.go(1)
        self.tab("list")

    def layers(self) -> None:
        self.go(1)
        self.tab("layers")

    def missing(self) -> None:
        self.go(1)
        self.tab("missing")
        self.page.wait_for_timeout(1500)

    def sketch(self) -> None:
        self.go(1)
        self.page.keyboard.press("p")
        box = self.page.locator(".wall .map").first.bounding_box()
        for across, down in ((0.5, 0.3), (0.6, 0.4), (0.6, 0.3), (0.5, 0.4)):
            self.page.mouse.click(box["x"] + box["width"] * across, box["y"] + box["height"] * down)
            self.page.wait_for_timeout(80)

    def repairs(self) -> None:
        self.page.keyboard.press("Control+a")
        for _ in range(4):
            self.page.keyboard.press("Escape")
        dialog = self.page.locator("dialog[open] button").first
        if dialog.count():
            dialog.click()
        self.go(2)

    def repair(self) -> None:
        self.go(2)
        self.tab("list")
        self.page.locator(".list select").nth(1).select_option("inset")
        self.page.locator(".list tbody button").first.click()
        self.tab("repair")
        self.page.wait_for_timeout(900)

    def stone(self) -> None:
        self.go(3)
        self.page.locator(".card").first.click()
        self.page.wait_for_timeout(700)

    def record(self) -> None:
        self.go(4)
        self.page.wait_for_timeout(500)

    def control(self) -> None:
        self.go(5)
        self.page.wait_for_timeout(700)

    def commands(self) -> None:
        self.go(1)
        self.page.keyboard.press("Control+k")

    def settings(self) -> None:
        self.page.keyboard.press("Escape")
        self.page.get_by_role("button", name="Settings").click()

    def help(self) -> None:
        self.page.keyboard.press("Escape")
        self.page.get_by_role("button", name="Keys and help").click()

    def places(self) -> dict[str, Callable[[], None]]:
        names = (
            "survey", "selected", "listed", "layers", "missing", "sketch", "repairs", "repair", "stone", "record",
            "control", "commands", "settings", "help",
        )  # fmt: skip
        return {n: getattr(self, n) for n in names}


def look(page: Any, place: Path) -> list[str]:
    """Take a picture; what is wrong with what is shown."""
    page.wait_for_timeout(350)
    page.screenshot(path=str(place))
    asked = f"axe.run(document, {{runOnly: {RULES}, resultTypes: ['violations']}})"
    found = page.evaluate(asked)["violations"]
    told = [
        f"{v['impact']}: {v['id']}: {v['nodes'][0]['target'][0]} ({len(v['nodes'])})" for v in found
    ]
    return told + list(dict.fromkeys(page.evaluate(HIDDEN)))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("project", type=Path)
    parser.add_argument("--out", type=Path, default=Path(tempfile.gettempdir()) / "looks")
    parser.add_argument("--sizes", default=",".join(SIZES))
    parser.add_argument("--themes", default=",".join(THEMES))
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    axe = (FRONTEND / "node_modules" / "axe-core" / "axe.min.js").read_text()
    server, faults, seen = Server(asked.project).start(), 0, 0
    try:
        with browser() as running:
            for size in asked.sizes.split(","):
                wide, high = (int(v) for v in size.split("x"))
                for theme in asked.themes.split(","):
                    page, watch = open_desk(
                        running, server, size=(wide, high), remember={"theme": theme}
                    )
                    page.on(
                        "response",
                        lambda r, w=watch: (
                            w.faults.append(f"{r.status}: {r.url[-90:]}")
                            if r.status >= 500
                            else None
                        ),
                    )
                    page.evaluate(axe)
                    for name, go in Visitor(page).places().items():
                        if asked.only and name not in asked.only.split(","):
                            continue
                        try:
                            go()
                            told = look(page, asked.out / f"{size}-{theme}-{name}.png")
                        except Exception as error:
                            told = [f"could not be reached: {str(error).splitlines()[0][:120]}"]
                        told += watch.faults
                        watch.faults.clear()
                        faults, seen = faults + len(told), seen + 1
                        for words in told:
                            print(f"{size} {theme} {name}: {words}", flush=True)
                    page.context.close()
    finally:
        server.kill()
    print(f"{seen} looks, {faults} faults (bar 0); pictures in {asked.out}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
