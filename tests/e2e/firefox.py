"""Firefox without a driver."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import time
from pathlib import Path
from typing import Any


class Firefox:
    """Just enough of Firefox's remote protocol (Marionette) to open a page and ask it something."""

    def __init__(self, profile: Path) -> None:
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        profile.mkdir()
        (profile / "user.js").write_text(
            f'user_pref("marionette.port", {port});\nuser_pref("browser.shell.checkDefaultBrowser", false);\n'
            'user_pref("app.update.disabledForTesting", true);\nuser_pref("network.dns.disabled", true);\n'
        )
        self.process = subprocess.Popen(
            ["firefox-esr", "--headless", "--marionette", "--no-remote", "--profile", str(profile)],
            env={**os.environ, "HOME": str(profile)},
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        for _ in range(300):
            try:
                self.line = socket.create_connection(("127.0.0.1", port), timeout=60)
                break
            except OSError:
                time.sleep(0.1)
        self.number = 0
        self._read()
        self.ask("WebDriver:NewSession", {})

    def _read(self) -> Any:
        head = b""
        while (one := self.line.recv(1)) != b":":
            head += one
        body = b""
        while len(body) < int(head):
            body += self.line.recv(int(head) - len(body))
        return json.loads(body)

    def ask(self, command: str, values: dict[str, Any]) -> Any:
        self.number += 1
        message = json.dumps([0, self.number, command, values])
        self.line.sendall(f"{len(message.encode())}:{message}".encode())
        _, _, error, result = self._read()
        assert error is None, error
        return result.get("value") if isinstance(result, dict) else result

    def close(self) -> None:
        self.line.close()
        self.process.terminate()
        self.process.wait(timeout=20)
