"""A real server in a process of its own and a real browser with no network but this machine."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1",
]


@dataclass
class Server:
    """``facademap serve`` on one project; can be killed and started again on the same port."""

    folder: Path
    port: int = 0
    process: subprocess.Popen[str] | None = None
    options: tuple[str, ...] = ()
    secret: str = ""

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def start(self) -> Server:
        self.process = subprocess.Popen(
            [
                sys.executable,
                "-m",
                "facademap",
                "serve",
                str(self.folder),
                "--no-browser",
                "--json",
                "--port",
                str(self.port),
                *self.options,
            ],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONUNBUFFERED": "1", "FACADEMAP_SECRET": self.secret},
        )
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        assert line, self.process.stderr.read() if self.process.stderr else ""
        self.port = int(json.loads(line)["address"].rsplit(":", 1)[1].strip("/"))
        return self

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.close_pipes()

    def stop(self) -> str:
        """End as by Ctrl-C; returns what it said."""
        assert self.process is not None
        self.process.send_signal(signal.SIGINT)
        said = self.process.communicate(timeout=15)[1]
        return said or ""

    def close_pipes(self) -> None:
        assert self.process is not None
        for pipe in (self.process.stdout, self.process.stderr):
            if pipe:
                pipe.close()


@dataclass
class Watch:
    """What a page did that it should not."""

    faults: list[str] = field(default_factory=list)


@contextlib.contextmanager
def browser() -> Iterator[Any]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as play:
        running = play.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        yield running
        running.close()


def open_desk(
    running: Any,
    server: Server,
    *,
    who: str = "M. Reed",
    size: tuple[int, int] = (1280, 800),
    remember: dict[str, Any] | None = None,
    offline_is_fine: bool = False,
    link: str = "",
    secret: str = "",
    sharp: float = 1.0,
) -> tuple[Any, Watch]:
    """A page on the desk, signed in by link or by name and secret where one is given, ready, and the watch over it."""
    context = running.new_context(
        viewport={"width": size[0], "height": size[1]},
        has_touch=size[0] < 500,
        reduced_motion="reduce",
        device_scale_factor=sharp,
    )
    values = json.dumps(json.dumps({"who": who, "tourSeen": True, **(remember or {})}))
    context.add_init_script(
        f"localStorage.getItem('facademap desk') || localStorage.setItem('facademap desk', {values})"
    )
    page, watch = context.new_page(), Watch()
    page.on("pageerror", lambda error: watch.faults.append(f"error: {error}"))
    page.on(
        "console",
        lambda m: (
            watch.faults.append(f"console: {m.text} {m.location.get('url', '')}")
            if m.type == "error" and not (offline_is_fine or "409" in m.text)
            else None
        ),
    )
    page.on(
        "request",
        lambda r: (
            watch.faults.append(f"left the machine: {r.url}")
            if not r.url.startswith((server.address, "data:", "blob:"))
            else None
        ),
    )
    if link:
        # a link comes from a letter, that is from nowhere
        page.set_content(f'<a href="{link}">the wall</a>')
        page.click("a")
        page.wait_for_url(server.address)
    elif secret:
        sign_in(page, server, who, secret)
    else:
        page.goto(server.address)
    ready(page)
    return page, watch


def sign_in(page: Any, server: Server, name: str, secret: str) -> None:
    """By name and secret."""
    page.goto(server.address)
    page.get_by_label("Your name").fill(name)
    page.get_by_label("Secret of the project").fill(secret)
    page.get_by_role("button", name="Enter").click()


def ready(page: Any) -> None:
    """Everything loaded and the wall drawn."""
    page.wait_for_selector("html[data-loaded]", timeout=20_000)
    page.wait_for_selector("html[data-drawn]", timeout=20_000)


def until(page: Any, expression: str, *, seconds: float = 25.0) -> None:
    """Wait until an expression holds. Asked through the debugger, since the page's content policy rightly forbids eval."""
    end = time.monotonic() + seconds
    while not page.evaluate(expression):
        assert time.monotonic() < end, f"never came true: {expression}"
        page.wait_for_timeout(60)


def saved(page: Any, *, refused: int = 0) -> None:
    """Everything on its way has arrived, or was refused and is kept, as many as are expected to be."""
    words = f"{refused} not stored" if refused else "All saved"
    until(page, f"document.querySelector('.state').textContent === '{words}'")


def workplace(page: Any, key: str) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("v")  # with a tool in hand a digit goes to what is drawn
    page.keyboard.press(key)


def choose_repair(page: Any, repair: str) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("2")
    page.locator("#tab-list").click()
    page.locator(".list tbody button", has_text=repair).first.click()
    page.locator("#tab-repair").click()
    page.wait_for_timeout(500)
    page.evaluate("document.activeElement.blur()")


def on_wall(page: Any, x: float, y: float) -> tuple[float, float]:
    """A place on the screen by its share of the map."""
    box = page.locator(".wall .map").first.bounding_box()
    return box["x"] + box["width"] * x, box["y"] + box["height"] * y
