"""A running desk, as `fiberward desk` starts it, and a plain client to talk to it."""

import http.client
import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette")
pytest.importorskip("uvicorn")

RUN = "from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"


@dataclass(frozen=True)
class Answer:
    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)

    @property
    def text(self) -> str:
        return self.body.decode()


@dataclass
class RunningDesk:
    """The process, and what a browser that was opened with the token knows."""

    process: subprocess.Popen[str]
    address: str
    folder: Path
    db: Path
    cookie: str = ""
    token: str = ""
    headers: dict[str, str] = field(default_factory=dict[str, str])

    @property
    def port(self) -> int:
        return int(re.search(r":(\d+)/", self.address)[1])

    def request(self, method: str, path: str, body: Any = None, **headers: str | None) -> Answer:
        """One request with the browser's headers; None as a header's value leaves it out."""
        sent = {"cookie": self.cookie}
        if method != "GET":
            sent["x-fiberward-desk"] = self.token
        sent |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        kept = {name: value for name, value in sent.items() if value is not None}
        connection.request(method, path, body, kept)
        answer = connection.getresponse()
        found = {name.lower(): value for name, value in answer.getheaders()}
        answer = Answer(answer.status, found, answer.read())
        connection.close()
        return answer

    def get(self, path: str, **headers: str | None) -> Answer:
        return self.request("GET", path, **headers)

    def post(self, path: str, body: Any = None, **headers: str | None) -> Answer:
        data = body if isinstance(body, bytes) else json.dumps(body or {}).encode()
        return self.request("POST", path, data, **headers)

    def open(self) -> Answer:
        """Change the one-time token for the cookie, as the browser does."""
        answer = self.get(self.address.partition(f":{self.port}")[2], cookie=None)
        self.cookie = answer.headers["set-cookie"].partition(";")[0]
        self.token = re.search(r'desk-token" content="(\w+)"', self.get("/").text)[1]
        return answer

    def begin(self) -> str:
        """A new case; its key."""
        return self.post("/cases").json["key"]

    def upload(self, key: str, data: bytes, name: str = "a.png") -> Answer:
        return self.post(f"/c/{key}/pictures", data, x_file_name=name)

    @property
    def memory_mb(self) -> float:
        """Resident memory of the server."""
        text = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(re.search(r"VmRSS:\s+(\d+)", text)[1]) / 1024

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        self.process.stdout.close()


def start(folder: Path, port: int = 0, before: str = "", *more: str) -> RunningDesk:
    """Start `fiberward desk` with `more` options; `before` is code that runs first in it."""
    db = folder.with_name(f"{folder.name}-records") / "records.db"
    arguments = ["desk", "--no-browser", "--folder", str(folder), "--port", str(port)]
    arguments += ["--db", str(db), *more]
    process = subprocess.Popen(
        [sys.executable, "-c", f"import sys\n{before}\n{RUN}", *arguments],
        stdout=subprocess.PIPE,
        text=True,
    )
    line = process.stdout.readline()
    return RunningDesk(process, re.search(r"http://\S+", line)[0], folder, db)


@pytest.fixture(scope="module")
def start_desk() -> Iterator[Any]:
    """Starts desks, and ends at last those that still run."""
    started: list[RunningDesk] = []

    def starting(folder: Path, port: int = 0, before: str = "", *more: str) -> RunningDesk:
        started.append(start(folder, port, before, *more))
        return started[-1]

    yield starting
    for each in started:
        if each.process.poll() is None:
            each.kill()


@pytest.fixture(scope="module")
def desk(start_desk: Any, tmp_path_factory: pytest.TempPathFactory) -> RunningDesk:
    """One desk for a module, opened."""
    running = start_desk(tmp_path_factory.mktemp("desk"))
    running.open()
    return running


@pytest.fixture
def until() -> Any:
    """Waits until something is true."""

    def wait(done: Any, seconds: float = 60) -> Any:
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            found = done()
            if found:
                return found
            time.sleep(0.1)
        raise AssertionError(f"not within {seconds} s")

    return wait
