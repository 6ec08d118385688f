"""A real Chromium for tests, driven over the W3C WebDriver protocol (www.w3.org/TR/webdriver2)."""

import base64
import contextlib
import json
import subprocess
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx
from support.need import need
from support.ports import free_port

_ELEMENT = "element-6066-11e4-a52e-4f735466cecf"  # the protocol's name for a reference
_PASSING = (  # of www.w3.org/TR/webdriver2/#errors, what may come of a page not as far yet
    "no such element",
    "stale element reference",
    "element not interactable",
    "element click intercepted",
    "javascript error",
    "unknown error",
)
_ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--disable-dev-shm-usage",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--host-resolver-rules=MAP * ~NOTFOUND , EXCLUDE 127.0.0.1",  # nothing but this machine
)


class DriverError(AssertionError):
    """The driver did not do what it was told; `word` is the protocol's for why."""

    def __init__(self, word: str, text: str) -> None:
        super().__init__(text)
        self.word = word


class Browser:
    """One session: one window."""

    def __init__(self, client: httpx.Client, session: str) -> None:
        self._client = client
        self._path = f"/session/{session}"

    def go(self, url: str) -> None:
        self._post("/url", {"url": url})

    def run(self, script: str, *arguments: Any) -> Any:
        """Run a function body; `return` hands a value back."""
        return self._post("/execute/sync", {"script": script, "args": list(arguments)})

    def click(self, selector: str) -> None:
        def deed() -> None:
            element = self._find(selector)
            self.run("arguments[0].scrollIntoView({block: 'center'})", {_ELEMENT: element})
            self._post(f"/element/{element}/click", {})

        self._patiently(deed)

    def type(self, selector: str, text: str) -> None:
        element = self._patiently(lambda: self._find(selector))
        self._post(f"/element/{element}/value", {"text": text})

    def text(self, selector: str = "body") -> str:
        """The text a person sees; empty when there is no such element."""
        return str(
            self.run("return document.querySelector(arguments[0])?.innerText ?? ''", selector)
        )

    def value(self, selector: str) -> str:
        return str(self.run("return document.querySelector(arguments[0]).value", selector))

    def wait_for(self, script: str, *arguments: Any, within_s: float = 60.0) -> Any:
        """Run until the answer is true."""
        deadline = time.monotonic() + within_s
        while True:
            answer = self._patiently(lambda: self.run(script, *arguments))
            if answer:
                return answer
            assert time.monotonic() < deadline, f"not within {within_s} s: {script} {arguments}"
            time.sleep(0.1)

    def wait_for_text(self, text: str, selector: str = "body", within_s: float = 60.0) -> None:
        self.wait_for(
            "return (document.querySelector(arguments[0])?.innerText ?? '').includes(arguments[1])",
            selector,
            text,
            within_s=within_s,
        )

    def size(self, width: int, height: int, *, mobile: bool = False, dark: bool = False) -> None:
        """Set the viewport, smaller than a window may be, and the preferred colours."""
        self._devtools(
            "Emulation.setDeviceMetricsOverride",
            {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile},
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self._devtools("Emulation.setEmulatedMedia", {"features": [scheme]})

    def screenshot(self, path: Path) -> None:
        """Write the whole page, not only what is in view."""
        shot = self._devtools(
            "Page.captureScreenshot", {"format": "png", "captureBeyondViewport": True}
        )
        path.write_bytes(base64.b64decode(shot["data"]))

    def log(self) -> list[dict[str, Any]]:
        """Errors and warnings of the browser's console."""
        entries = self._post("/se/log", {"type": "browser"})
        return [entry for entry in entries if entry["level"] in ("SEVERE", "WARNING")]

    def requests(self) -> list[str]:
        """The addresses the page has asked for so far."""
        script = "return performance.getEntriesByType('resource').map((entry) => entry.name)"
        return [str(name) for name in self.run(script)]

    def _devtools(self, command: str, parameters: dict[str, Any]) -> Any:
        return self._post("/goog/cdp/execute", {"cmd": command, "params": parameters})

    def _find(self, selector: str) -> str:
        found = self._post("/element", {"using": "css selector", "value": selector})
        return str(found[_ELEMENT])

    def _patiently(self, deed: Callable[[], Any]) -> Any:
        """Do it again while the page is about to load, to draw or to move what it is done to."""
        deadline = time.monotonic() + 30.0
        while True:
            try:
                return deed()
            except DriverError as error:
                if error.word not in _PASSING or time.monotonic() > deadline:
                    raise
            time.sleep(0.1)

    def _post(self, path: str, body: dict[str, Any]) -> Any:
        answer = self._client.post(self._path + path, json=body)
        if answer.status_code != 200:
            raise DriverError(answer.json()["value"]["error"], answer.text)
        return answer.json()["value"]


@contextmanager
def browser() -> Iterator[Browser]:
    """Start a driver and a window of its own, and end both."""
    chromium, driver = need("chromium"), need("chromedriver")
    port = free_port()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        log = Path(folder) / "driver.log"
        with (
            log.open("wb") as output,
            subprocess.Popen([driver, f"--port={port}"], stdout=output, stderr=output) as process,
            httpx.Client(base_url=f"http://127.0.0.1:{port}", timeout=120) as client,
        ):
            try:
                yield from _session(client, chromium, folder)
            finally:
                process.terminate()
                process.wait(timeout=60)


def _session(client: httpx.Client, chromium: str, folder: str) -> Iterator[Browser]:
    _wait_until_ready(client)
    wanted = {
        "browserName": "chrome",
        "goog:chromeOptions": {
            "binary": chromium,
            "args": [*_ARGUMENTS, f"--user-data-dir={folder}/profile"],
        },
        "goog:loggingPrefs": {"browser": "ALL"},
    }
    answer = client.post("/session", json={"capabilities": {"alwaysMatch": wanted}})
    assert answer.status_code == 200, answer.text
    session = str(json.loads(answer.text)["value"]["sessionId"])
    try:
        yield Browser(client, session)
    finally:
        with contextlib.suppress(httpx.TransportError):  # the driver ends in any case
            client.delete(f"/session/{session}", timeout=60)


def _wait_until_ready(client: httpx.Client) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            if client.get("/status").json()["value"]["ready"]:
                return
        except httpx.TransportError:
            pass
        assert time.monotonic() < deadline, "chromedriver did not start"
        time.sleep(0.1)
