"""A headless Chromium at the other end of a pipe: pages loaded, sized, printed, looked into. No library: the browser's
own protocol (chromedevtools.github.io/devtools-protocol), JSON texts ended by NUL on the descriptors 3 and 4 of
`--remote-debugging-pipe`.
"""
import base64
import json
import os
import select
import shutil
import subprocess
import tempfile
import time


class Browser:
    """`events` collects what the page did: requests, console messages, log entries, exceptions."""

    def __init__(self):
        program = shutil.which("chromium") or shutil.which("chromium-browser")
        if not program:
            raise SystemExit("chromium is not there: sh tests/setup test")
        self.profile = tempfile.TemporaryDirectory(prefix="taretrace-browser-")
        to_browser, self.writing = os.pipe()
        self.reading, from_browser = os.pipe()
        # The descriptors must arrive as 3 and 4; a shell moves them there, as Python does not number them.
        self.process = subprocess.Popen(
            ["sh", "-c", f'exec 3<&{to_browser} 4>&{from_browser}; exec "$@"', "sh", program, "--headless=new",
             "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage", "--hide-scrollbars", "--no-first-run",
             "--disable-background-networking", "--disable-component-update", "--disable-sync",
             f"--user-data-dir={self.profile.name}", "--remote-debugging-pipe", "about:blank"],
            pass_fds=(to_browser, from_browser), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        os.close(to_browser)
        os.close(from_browser)
        self.rest, self.number, self.session, self.events = b"", 0, None, []
        target = self.call("Target.createTarget", url="about:blank")["targetId"]
        self.session = self.call("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(domain + ".enable")

    def read(self, deadline):
        while b"\0" not in self.rest:
            ready, _, _ = select.select([self.reading], [], [], max(0, deadline - time.monotonic()))
            if not ready:
                raise TimeoutError("the browser does not answer")
            chunk = os.read(self.reading, 1 << 20)
            if not chunk:
                raise EOFError("the browser ended")
            self.rest += chunk
        text, self.rest = self.rest.split(b"\0", 1)
        message = json.loads(text)
        if "method" in message:
            self.events.append((message["method"], message.get("params", {})))
        return message

    def call(self, method, **parameters):
        self.number += 1
        message = {"id": self.number, "method": method, "params": parameters}
        if self.session:
            message["sessionId"] = self.session
        text = json.dumps(message).encode() + b"\0"
        while text:
            text = text[os.write(self.writing, text):]
        deadline = time.monotonic() + 60
        while True:
            answer = self.read(deadline)
            if answer.get("id") == self.number:
                if "error" in answer:
                    raise RuntimeError(f"{method}: {answer['error']}")
                return answer["result"]

    def size(self, width, height=900, dark=False, media="screen"):
        self.call("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                  mobile=width < 600)
        self.call("Emulation.setEmulatedMedia", media=media,
                  features=[{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}])

    def open(self, url):
        """Loads a page and waits until it is quiet."""
        self.events.clear()
        self.call("Page.navigate", url=url)
        deadline = time.monotonic() + 60
        while not any(method == "Page.loadEventFired" for method, _ in self.events):
            self.read(deadline)
        self.ask("new Promise(done => setTimeout(done, 50))")

    def ask(self, expression):
        """The value of a JavaScript expression in the page."""
        result = self.call("Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True)
        if "exceptionDetails" in result:
            raise RuntimeError(str(result["exceptionDetails"])[:600])
        return result["result"].get("value")

    def picture(self, path, whole=True):
        options = {"format": "png", "captureBeyondViewport": whole}
        if whole:
            height = self.ask("document.documentElement.scrollHeight")
            width = self.ask("document.documentElement.clientWidth")
            options["clip"] = {"x": 0, "y": 0, "width": width, "height": height, "scale": 1}
        with open(path, "wb") as file:
            file.write(base64.b64decode(self.call("Page.captureScreenshot", **options)["data"]))

    def print(self, path, width, height):
        """A PDF; paper in inches, margins as the page wants them."""
        self.call("Emulation.setEmulatedMedia", media="", features=[])
        data = self.call("Page.printToPDF", paperWidth=width, paperHeight=height, preferCSSPageSize=False,
                         printBackground=True)["data"]
        with open(path, "wb") as file:
            file.write(base64.b64decode(data))

    def noise(self):
        """What a quiet page does not do: requests beyond its own, console messages, errors."""
        found, own = [], None
        for method, facts in self.events:
            if method == "Network.requestWillBeSent":
                url = facts["request"]["url"]
                own = own or url
                if url != own:
                    found.append("request " + url[:200])
            elif method == "Runtime.consoleAPICalled":
                found.append("console " + str(facts.get("args"))[:200])
            elif method == "Log.entryAdded":
                found.append("log " + facts["entry"]["text"][:200])
            elif method == "Runtime.exceptionThrown":
                found.append("exception " + str(facts)[:200])
        return found

    def close(self):
        try:
            session, self.session = self.session, None
            self.call("Browser.close")
        except (TimeoutError, EOFError, OSError, RuntimeError):
            self.process.kill()
        self.process.wait(30)
        os.close(self.writing)
        os.close(self.reading)
        self.profile.cleanup()
