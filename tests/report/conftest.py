"""A headless browser for the tests marked `browser`, spoken to over its debugging pipe, and samples made by hand."""

import base64
import fcntl
import json
import os
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import matplotlib
import numpy as np
import pytest

from lowtail import Sample

matplotlib.use("Agg")

CHROMIUM = next(
    (found for name in ("chromium", "chromium-browser", "google-chrome") if (found := shutil.which(name))), None
)
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--remote-debugging-pipe",
    "--hide-scrollbars",
]


class Browser:
    """One tab of a headless Chromium: open a file, ask it questions, and see what it asked the network for."""

    def __init__(self):
        self.profile = tempfile.mkdtemp()
        to_browser, self._out = os.pipe()
        self._in, from_browser = os.pipe()

        def wire():
            ends = fcntl.fcntl(to_browser, fcntl.F_DUPFD, 50), fcntl.fcntl(from_browser, fcntl.F_DUPFD, 50)
            os.dup2(ends[0], 3)
            os.dup2(ends[1], 4)

        self._process = subprocess.Popen(
            [CHROMIUM, *FLAGS, f"--user-data-dir={self.profile}"], preexec_fn=wire, close_fds=False,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_browser)
        os.close(from_browser)
        self._next, self._rest, self.events, self.session = 0, b"", [], None
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Network", "Log"):
            self.call(f"{domain}.enable")

    def _receive(self):
        while b"\0" not in self._rest:
            got = os.read(self._in, 1 << 20)
            if not got:
                raise RuntimeError("the browser closed its pipe")
            self._rest += got
        message, self._rest = self._rest.split(b"\0", 1)
        return json.loads(message)

    def call(self, method, **params):
        self._next += 1
        number = self._next
        message = {"id": number, "method": method, "params": params}
        if self.session:
            message["sessionId"] = self.session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']['message']}")
                return answer["result"]
            self.events.append(answer)

    def open(self, path, width=1280, height=900, dark=False):
        self.events.clear()
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        scheme = "dark" if dark else "light"
        self.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
        self.call("Page.navigate", url=Path(path).resolve().as_uri())
        until = time.monotonic() + 30
        while not any(e.get("method") == "Page.loadEventFired" for e in self.events):
            if time.monotonic() > until:
                raise RuntimeError(f"{path} did not load")
            self.events.append(self._receive())

    def ask(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"])[:500])
        return answer["result"].get("value")

    def complaints(self):
        """Console messages, uncaught errors and log entries since the page was opened."""
        kinds = ("Runtime.consoleAPICalled", "Runtime.exceptionThrown", "Log.entryAdded")
        return [e for e in self.events if e.get("method") in kinds]

    def requests(self):
        """Addresses asked for, other than the file itself and data inside it."""
        asked = [e["params"]["request"]["url"] for e in self.events if e.get("method") == "Network.requestWillBeSent"]
        return [url for url in asked if not url.startswith(("file:", "data:"))] + [
            u for u in asked[1:] if u.startswith("file:")
        ]

    def screenshot(self, path):
        size = self.call("Page.getLayoutMetrics")["cssContentSize"]
        clip = {"x": 0, "y": 0, "width": size["width"], "height": min(size["height"], 16000), "scale": 1}
        data = self.call("Page.captureScreenshot", captureBeyondViewport=True, clip=clip)["data"]
        Path(path).write_bytes(base64.b64decode(data))

    def pdf(self, path):
        Path(path).write_bytes(base64.b64decode(self.call("Page.printToPDF", preferCSSPageSize=True)["data"]))

    def close(self):
        try:
            self.session = None
            self.call("Browser.close")
            self._process.wait(10)
        except (RuntimeError, OSError, subprocess.TimeoutExpired):
            self._process.kill()
            self._process.wait(10)
        os.close(self._out)
        os.close(self._in)
        shutil.rmtree(self.profile, ignore_errors=True)


@pytest.fixture(scope="session")
def browser():
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    one = Browser()
    yield one
    one.close()


@pytest.fixture(autouse=True)
def _close_figures():
    yield
    from matplotlib import pyplot

    pyplot.close("all")


def make_samples(seed=1):
    """Ten invented groups: five things, slow pull and shock, some specimens held."""
    rng = np.random.default_rng(seed)
    things = (
        ("steel oval", "major axis", 34),
        ("steel oval", "minor axis", 12),
        ("aluminium bar", "major axis", 27),
        ("sewn sling", "straight", 25),
        ("cord with knot", "straight", 9),
    )
    out = []
    for item, orientation, middle in things:
        for method, factor in (("slow pull", 1.0), ("shock", 0.92)):
            n = int(rng.integers(5, 9))
            load = (middle * factor * np.exp(rng.normal(0, 0.07, n))).round(2)
            broke = np.ones(n, dtype=bool)
            broke[: n // 4] = False
            group = {"item": item, "orientation": orientation, "method": method}
            out.append(Sample(load, broke, label=", ".join(group.values()), group=group))
    return out


@pytest.fixture
def samples():
    return make_samples()
