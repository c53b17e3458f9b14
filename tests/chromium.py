"""A page in headless Chromium, driven through its own pipe: no driver package is needed."""

import base64
import json
import os
import select
import shutil
import subprocess
import sys
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")

_FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --hide-scrollbars "
    "--disable-background-networking --disable-component-update --disable-sync "
    "--disable-dev-shm-usage --remote-debugging-pipe"
).split()

# The browser reads at 3 and writes at 4. Both ends are moved up first, so that putting one in
# its place cannot close the other.
_LAUNCHER = """
import fcntl, os, sys
ends = [fcntl.fcntl(int(fd), fcntl.F_DUPFD, 10) for fd in sys.argv[1:3]]
os.dup2(ends[0], 3)
os.dup2(ends[1], 4)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One tab. `errors` and `requests` collect what the page logs and asks for."""

    def __init__(self, profile):
        to_child, self._out = os.pipe()
        self._in, from_child = os.pipe()
        self._process = subprocess.Popen(
            [sys.executable, "-c", _LAUNCHER, str(to_child), str(from_child), CHROMIUM,
             *_FLAGS, f"--user-data-dir={profile}", "about:blank"],
            pass_fds=(to_child, from_child),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(to_child)
        os.close(from_child)
        self._number = 0
        self._session = None
        self._rest = b""
        self.errors, self.requests = [], []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        session = self.call("Target.attachToTarget", targetId=target, flatten=True)
        self._session = session["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def _receive(self):
        while b"\0" not in self._rest:
            if not select.select([self._in], [], [], 120)[0]:
                raise RuntimeError("the browser has not answered for two minutes")
            piece = os.read(self._in, 1 << 20)
            if not piece:
                raise RuntimeError("the browser has gone")
            self._rest += piece
        message, self._rest = self._rest.split(b"\0", 1)
        return json.loads(message)

    def _note(self, event):
        kind, told = event.get("method"), event.get("params", {})
        if kind == "Runtime.exceptionThrown":
            self.errors.append(json.dumps(told["exceptionDetails"])[:300])
        elif kind == "Log.entryAdded" and told["entry"]["level"] in ("error", "warning"):
            self.errors.append(told["entry"]["text"])
        elif kind == "Runtime.consoleAPICalled" and told["type"] in ("error", "warning", "assert"):
            self.errors.append(json.dumps(told["args"])[:300])
        elif kind == "Network.requestWillBeSent":
            self.requests.append(told["request"]["url"][:200])

    def call(self, method, **params):
        self._number += 1
        message = {"id": self._number, "method": method, "params": params}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._receive()
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]
            self._note(answer)

    def open(self, path, *, width, height=900, dark=False, media="", script=True):
        """Load a file or an address and wait until it is there; earlier logs are forgotten."""
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height,
                  deviceScaleFactor=1, mobile=width < 600)  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", media=media, features=[scheme])
        self.call("Emulation.setScriptExecutionDisabled", value=not script)
        self.errors.clear()
        self.requests.clear()
        is_address = str(path).startswith("http://")
        self.call("Page.navigate", url=path if is_address else Path(path).resolve().as_uri())
        while True:
            event = self._receive()
            self._note(event)
            if event.get("method") == "Page.loadEventFired":
                return self

    def evaluate(self, expression):
        answer = self.call("Runtime.evaluate", expression=expression, returnByValue=True)
        if "exceptionDetails" in answer:
            raise RuntimeError(str(answer["exceptionDetails"])[:400])
        return answer["result"].get("value")

    def screenshot(self, path):
        """The whole page as a PNG."""
        picture = self.call("Page.captureScreenshot", captureBeyondViewport=True)
        Path(path).write_bytes(base64.b64decode(picture["data"]))

    def print_pdf(self):
        return base64.b64decode(self.call("Page.printToPDF", printBackground=True)["data"])

    def close(self):
        self._process.terminate()
        self._process.wait(timeout=20)
        os.close(self._in)
        os.close(self._out)
