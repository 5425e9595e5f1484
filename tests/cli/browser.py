"""A headless Chromium, driven by the DevTools protocol over a pair of pipes. Nothing but the standard library.

Protocol: https://chromedevtools.github.io/devtools-protocol/, domains Page, Runtime, Input, Log, Network, Emulation;
messages over --remote-debugging-pipe are JSON texts that end in a 0 byte.
"""
import base64
import json
import os
import pathlib
import select
import shutil
import signal
import subprocess
import tempfile
import time

PROGRAM = shutil.which("chromium") or shutil.which("chromium-browser")
KEYS = {"ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Home": 36, "End": 35, "Tab": 9, "Enter": 13,
        " ": 32}


class Broken(Exception):
    """The browser did not start, or ended."""


class Browser:
    """One page. `complaints`: console errors, exceptions and refusals; `requests`: every address that was asked for."""

    def __init__(self, width=1280, height=900):
        self.home = tempfile.mkdtemp(prefix="cantle-browser-")
        to_read, self._out = os.pipe()
        self._in, to_write = os.pipe()

        def places():  # the browser reads on descriptor 3 and writes on 4
            high = [os.dup2(to_read, 103), os.dup2(to_write, 104)]
            os.dup2(high[0], 3)
            os.dup2(high[1], 4)

        flags = ["--headless=new", "--disable-gpu", "--no-first-run", "--disable-extensions", "--disable-background-networking",
                 "--disable-component-update", "--disable-sync", "--no-proxy-server", "--disable-dev-shm-usage",
                 "--host-resolver-rules=MAP * ~NOTFOUND", "--hide-scrollbars", "--mute-audio", "--force-device-scale-factor=1",
                 f"--user-data-dir={self.home}", f"--window-size={width},{height}", "--remote-debugging-pipe"]
        if os.geteuid() == 0:
            flags.append("--no-sandbox")
        self.log = open(pathlib.Path(self.home) / "log", "w+")
        self._process = subprocess.Popen([PROGRAM, *flags, "about:blank"], stdin=subprocess.DEVNULL, stdout=self.log, stderr=self.log,
                                         close_fds=False, preexec_fn=places, start_new_session=True)
        os.close(to_read)
        os.close(to_write)
        self._rest, self._number, self._session = b"", 0, None
        self.complaints, self.requests, self._events = [], [], []
        targets = self.call("Target.getTargets")["targetInfos"]
        page = next(t for t in targets if t["type"] == "page")["targetId"]
        self._session = self.call("Target.attachToTarget", targetId=page, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=False)
        self.call("Network.emulateNetworkConditions", offline=True, latency=0, downloadThroughput=-1, uploadThroughput=-1)

    def close(self):
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except ProcessLookupError:
            pass
        self._process.wait()
        os.close(self._in)
        os.close(self._out)
        self.log.close()
        for _ in range(20):  # its children may still be writing
            shutil.rmtree(self.home, ignore_errors=True)
            if not os.path.exists(self.home):
                break
            time.sleep(0.1)

    def _next(self, patience):
        while b"\0" not in self._rest:
            if not select.select([self._in], [], [], patience)[0]:
                raise Broken("no answer from the browser")
            more = os.read(self._in, 1 << 16)
            if not more:
                self.log.seek(0)
                raise Broken("the browser ended: " + self.log.read()[-600:])
            self._rest += more
        message, _, self._rest = self._rest.partition(b"\0")
        return json.loads(message)

    def _note(self, message):
        method, about = message.get("method"), message.get("params", {})
        self._events.append(method)
        if method == "Runtime.exceptionThrown":
            self.complaints.append(json.dumps(about["exceptionDetails"])[:500])
        elif method == "Runtime.consoleAPICalled" and about["type"] in ("error", "warning", "assert"):
            self.complaints.append(json.dumps(about["args"])[:500])
        elif method == "Log.entryAdded" and about["entry"]["level"] in ("error", "warning"):
            self.complaints.append(about["entry"]["text"])
        elif method == "Page.javascriptDialogOpening":
            self.complaints.append(f"dialog: {about['message']}")
        elif method == "Network.requestWillBeSent":
            self.requests.append(about["request"]["url"])

    def call(self, method, patience=120, **parameters):
        self._number += 1
        message = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        while True:
            answer = self._next(patience)
            if answer.get("id") == self._number:
                if "error" in answer:
                    raise AssertionError(f"{method}: {answer['error']}")
                return answer["result"]
            self._note(answer)

    def open(self, path):
        self._events.clear()
        self.call("Page.navigate", url=pathlib.Path(path).resolve().as_uri())
        while "Page.loadEventFired" not in self._events:
            self._note(self._next(120))

    def run(self, script):
        """Value of an expression in the page."""
        answer = self.call("Runtime.evaluate", expression=script, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in answer:
            raise AssertionError(answer["exceptionDetails"]["exception"].get("description"))
        return answer["result"].get("value")

    def text(self, selector):
        return self.run(f"document.querySelector({json.dumps(selector)}).textContent")

    def box(self, selector):
        return self.run(f"(() => {{ const e = document.querySelector({json.dumps(selector)}); e.scrollIntoView({{block: 'center'}});"
                        "const b = e.getBoundingClientRect(); return [b.left, b.top, b.width, b.height]; })()")

    def _mouse(self, kind, x, y, **more):
        self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", **more)

    def click(self, selector, across=0.5, down=0.5):
        """At a share of the element's width and height."""
        left, top, width, height = self.box(selector)
        x, y = left + across * width, top + down * height
        self._mouse("mouseMoved", x, y)
        self._mouse("mousePressed", x, y, clickCount=1)
        self._mouse("mouseReleased", x, y, clickCount=1)

    def drag(self, selector, begin, end):
        left, top, width, height = self.box(selector)
        y = top + height / 2
        self._mouse("mouseMoved", left + begin * width, y)
        self._mouse("mousePressed", left + begin * width, y, clickCount=1, buttons=1)
        for part in (0.3, 0.6, 1):
            self._mouse("mouseMoved", left + (begin + part * (end - begin)) * width, y, buttons=1)
        self._mouse("mouseReleased", left + end * width, y, clickCount=1)

    def key(self, name, shift=False):
        code = KEYS.get(name, ord(name.upper()[0]))
        text = {"text": name} if len(name) == 1 else {"text": "\r"} if name == "Enter" else {}
        for kind in ("keyDown", "keyUp"):
            self.call("Input.dispatchKeyEvent", type=kind, key=name, code=name, windowsVirtualKeyCode=code,
                      modifiers=8 if shift else 0, **(text if kind == "keyDown" else {}))

    def type(self, selector, text):
        """Replace what is in a field, and leave it."""
        self.run(f"(() => {{ const e = document.querySelector({json.dumps(selector)}); e.focus(); e.select(); }})()")
        self.call("Input.insertText", text=text)
        self.key("Tab")

    def screenshot(self, path, whole=True):
        data = self.call("Page.captureScreenshot", format="png", captureBeyondViewport=whole)["data"]
        pathlib.Path(path).write_bytes(base64.b64decode(data))

    def pdf(self, path):
        data = self.call("Page.printToPDF", printBackground=True, preferCSSPageSize=True)["data"]
        pathlib.Path(path).write_bytes(base64.b64decode(data))
