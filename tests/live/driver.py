"""What a user does at the page, in a real headless browser."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

try:
    from selenium import webdriver
    from selenium.webdriver.common.action_chains import ActionChains
    from selenium.webdriver.common.by import By
    from selenium.webdriver.common.keys import Keys

    BROWSER: Any = None
except ImportError:
    ActionChains = Keys = None
    BROWSER = "selenium is not installed"

CHROMIUM = shutil.which("chromium")
CHROMEDRIVER = shutil.which("chromedriver")
if BROWSER is None and not (CHROMIUM and CHROMEDRIVER):
    BROWSER = "Chromium and its driver are not installed"

LONG = 120.0
"""No test hangs for ever [s]."""


# no tool that fetches drivers, and no word to anybody
os.environ.update({"SE_OFFLINE": "true", "SE_AVOID_STATS": "true"})


@contextmanager
def browser() -> Iterator[Any]:
    """Start the browser; nothing but this machine can be reached from it."""
    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for word in (
        "--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
        "--disable-background-networking", "--disable-component-update", "--no-first-run",
        "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1", "--hide-scrollbars",
        "--enable-unsafe-swiftshader",
    ):  # fmt: skip
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    found = webdriver.Chrome(
        options=options, service=webdriver.ChromeService(CHROMEDRIVER)
    )  # fmt: skip
    try:
        yield found
    finally:
        found.quit()


def until(true: Any, what: str = "") -> None:
    """Wait for something; a limit there is only so that no test hangs."""
    end = time.monotonic() + LONG
    while not true():
        assert time.monotonic() < end, what or "waited in vain"
        time.sleep(0.03)


class Page:
    """The page of a server, as a user sees and handles it."""

    def __init__(self, driver: Any, server: Any) -> None:
        self.driver, self.server = driver, server

    def open(self, fragment: str = "", width: int = 1280, dark: bool = False) -> None:
        """Open it and wait for the whole answer."""
        self.size(width, dark)
        self.driver.get("about:blank")
        for log in ("browser", "performance"):
            self.driver.get_log(log)
        self.driver.get(self.server.url + fragment)
        self.whole()

    def size(self, width: int, dark: bool = False) -> None:
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 500},
        )

    def close(self) -> None:
        """Leave it; it must have told of no fault and asked nobody but the server."""
        self.js("sessionStorage.clear()")  # readings go no further than their test
        faults, strangers = self.faults(), self.strangers()
        assert not faults, faults
        assert not strangers, strangers

    def faults(self) -> list[str]:
        """Messages of the console that are worse than information."""
        return [
            entry["message"]
            for entry in self.driver.get_log("browser")
            if entry["level"] not in ("INFO", "DEBUG")
            and "GPU stall" not in entry["message"]  # a picture was taken
        ]

    def strangers(self) -> list[str]:
        """Addresses beyond the server that something was asked of."""
        asked = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                asked.append(message["params"]["request"]["url"])
            if message["method"] == "Network.webSocketCreated":
                asked.append(message["params"]["url"])
        own = f"://127.0.0.1:{self.server.port}/"
        quiet = ("data:", "about:", "blob:")
        return [url for url in asked if own not in url and not url.startswith(quiet)]

    # ------------------------------------------------------------------ seeing
    def js(self, script: str, *arguments: Any) -> Any:
        return self.driver.execute_script(script, *arguments)

    def whole(self) -> None:
        """Wait until the newest request is answered to its last piece."""
        until(
            lambda: self.js(
                "const d = document.body && document.body.dataset;"
                "return d && d.n > 0 && d.done === d.n && d.drawn"
                " && !document.body.classList.contains('lost')"
            ),
            "no whole answer",
        )

    def answered(self) -> None:
        """Wait until the newest request has its first answer."""
        # a request leaves with the next frame
        self.driver.execute_async_script(
            "const done = arguments[0];"
            "requestAnimationFrame(() => requestAnimationFrame(() => done()))"
        )
        until(lambda: self.js("const d = document.body.dataset; return d.shown === d.n"))

    def text(self, where: str) -> str:
        """Words of an element, blanks evened."""
        return " ".join(self.js(
            "const e = document.querySelector(arguments[0]); return e ? e.textContent : ''",
            where,
        ).split())  # fmt: skip

    def rows(self, where: str) -> list[list[str]]:
        """Cells of a table's body."""
        return self.js(
            "return [...document.querySelectorAll(arguments[0] + ' tbody tr')].map("
            "r => [...r.cells].map(c => c.textContent.replace(/\\s+/g, ' ').trim()))",
            where,
        )

    def columns(self, name: str) -> dict[str, list[Any]]:
        """What a plot shows."""
        return self.js(
            "return Object.fromEntries(Object.entries(drawn.sources[arguments[0]].data)"
            ".map(([k, v]) => [k, [...v]]))",
            name,
        )

    # ------------------------------------------------------------------ handling
    def find(self, where: str) -> Any:
        return self.driver.find_element(By.CSS_SELECTOR, where)

    def unfold(self, where: str) -> None:
        """Open the group that a knob is in."""
        self.js(
            "const g = document.querySelector(arguments[0]).closest('details');"
            "if (g) g.open = true",
            where,
        )

    def type(self, key: str, text: str, where: str = "") -> None:
        """Type a value into a knob and leave it."""
        where = where or f'[data-key="{key}"] input[type=text]'
        self.unfold(where)
        field = self.find(where)
        field.send_keys(Keys.CONTROL, "a")
        field.send_keys(text or Keys.DELETE, Keys.TAB)
        self.answered()

    def press(self, where: str) -> None:
        """Press a button with the keyboard."""
        button = self.find(where)
        button.send_keys(Keys.ENTER)

    def paste(self, text: str, where: str = "#readings-table td input") -> None:
        """Paste from the clipboard into a field."""
        self.js(
            "const e = document.querySelector(arguments[0]); e.focus();"
            "const data = new DataTransfer(); data.setData('text', arguments[1]);"
            "e.dispatchEvent(new ClipboardEvent('paste',"
            " {clipboardData: data, bubbles: true, cancelable: true}))",
            where, text,
        )  # fmt: skip
        self.answered()
