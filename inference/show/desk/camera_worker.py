"""The process that has the camera: it sends what the camera sees, and how small a deposit it shows.

It runs apart from the server, so that a driver that hangs or dies takes nothing with it. It takes
commands as JSON lines on stdin, and ends when that ends; it sends messages on stdout, each a JSON
line, followed by as many bytes as its "bytes" says.
"""

import json
import os
import queue
import sys
import threading
import time
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ....model.errors import FiberwardError
from ...keep.model_store import ModelStore
from ...see.focus_aid import FocusAid, aid_of, best_of
from ...see.frames import frames_of
from ...see.segment import Segmenter

__all__ = ["main"]

Bytes = npt.NDArray[np.uint8]
BURST = 8  # frames, of which the best is kept
SHOWN_PX = 1280  # longest side of the live picture
SHOWN_QUALITY = 80
SHOWN_EVERY_S = 0.12
INTERNAL = 5


class Eye:
    """The newest frame of a camera, and frames gathered on demand."""

    def __init__(self) -> None:
        self.changed = threading.Condition()
        self.number = 0
        self.frame: Bytes | None = None
        self.problem: str | None = None

    def watch(self, source: str) -> None:
        """Take frames until the camera fails; for a thread of its own."""
        try:
            for frame in frames_of(source):
                with self.changed:
                    self.number, self.frame = self.number + 1, frame
                    self.changed.notify_all()
        except FiberwardError as error:
            self._fail(str(error))
        except Exception as error:
            self._fail(f"camera {source}: {type(error).__name__}: {error}")

    def _fail(self, words: str) -> None:
        with self.changed:
            self.problem = " ".join(words.split())
            self.changed.notify_all()

    def after(self, number: int) -> tuple[int, Bytes]:
        """The newest frame later than the `number`th; raises _Failed when there is none to come."""
        with self.changed:
            self.changed.wait_for(lambda: self.number > number or self.problem is not None)
            if self.problem is not None:
                raise _Failed(self.problem)
            assert self.frame is not None
            return self.number, self.frame


class _Failed(Exception):
    """The camera gives nothing more."""


class _Cancelled(Exception):
    """The person wants no picture after all."""


class Sender:
    """Writes messages, one at a time."""

    def __init__(self, out: BinaryIO) -> None:
        self._out, self._one = out, threading.Lock()

    def send(self, message: Mapping[str, Any], data: bytes = b"") -> None:
        """One message."""
        head = json.dumps({**message, "bytes": len(data)}).encode() + b"\n"
        with self._one:
            try:
                self._out.write(head + data)
                self._out.flush()
            except BrokenPipeError:
                os._exit(INTERNAL)  # the server died


def show(eye: Eye, sender: Sender) -> None:
    """Send the live picture, reduced; for a thread of its own."""
    import cv2

    number = 0
    try:
        while True:
            number, frame = eye.after(number)
            height, width = frame.shape[:2]
            by = max(1.0, max(height, width) / SHOWN_PX)
            small = frame[..., ::-1]
            if by > 1:
                size = (round(width / by), round(height / by))
                small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
            options = [cv2.IMWRITE_JPEG_QUALITY, SHOWN_QUALITY]
            jpeg = cv2.imencode(".jpg", np.ascontiguousarray(small), options)[1].tobytes()
            sender.send({"frame": number, "width": width, "height": height}, jpeg)
            time.sleep(SHOWN_EVERY_S)
    except _Failed:
        return  # the work loop tells


class Work:
    """Measures frame after frame, and takes bursts."""

    def __init__(self, eye: Eye, sender: Sender, segmenter: Segmenter) -> None:
        self.eye, self.sender, self.segmenter = eye, sender, segmenter
        self.ferrule_mm: float | None = None
        self.commands: queue.SimpleQueue[Mapping[str, Any]] = queue.SimpleQueue()
        self.cancelled = threading.Event()

    def listen(self, commands: BinaryIO) -> None:
        """Take commands until there are no more, then end; for a thread of its own."""
        for line in commands:
            command = json.loads(line)
            if command["do"] == "cancel":
                self.cancelled.set()
            else:
                self.commands.put(command)
        os._exit(0)

    def run(self) -> None:
        """Until the camera fails. Half of the time is left to the page and the camera's driver."""
        number, rest_s = 0, 0.0
        while True:
            for command in self._given_within(rest_s):
                if command["do"] == "ferrule":
                    self.ferrule_mm = command["mm"]
                elif command["do"] == "take":
                    self.take()
            number, frame = self.eye.after(number)
            begun = time.monotonic()
            self.sender.send({"aid": _told(aid_of(frame, self.segmenter, self.ferrule_mm))})
            rest_s = time.monotonic() - begun

    def _given_within(self, seconds: float) -> Iterator[Mapping[str, Any]]:
        """The commands that wait or come meanwhile; with the first of them the rest is over."""
        try:
            yield self.commands.get(timeout=seconds)
            while True:
                yield self.commands.get_nowait()
        except queue.Empty:
            return

    def take(self) -> None:
        """Gather a burst, and send the best frame of it as PNG."""
        self.cancelled.clear()
        try:
            frames = list(self._gathered())
            best, found = best_of(frames, self.segmenter, self.ferrule_mm, self._measured)
        except _Cancelled:
            self.sender.send({"taken": None, "why_not": None})
            return
        if best is None:
            self.sender.send({"taken": None, "why_not": found.why_not})
        else:
            self.sender.send({"taken": _told(found)}, _png(frames[best]))

    def _gathered(self) -> Iterator[Bytes]:
        number = self.eye.number
        for count in range(BURST):
            self._tell("taking", count)
            number, frame = self.eye.after(number)
            yield frame

    def _measured(self, frames: Iterable[Bytes]) -> Iterator[Bytes]:
        for count, frame in enumerate(frames):
            self._tell("choosing the best", count)
            yield frame
        self._tell("looking at the best", BURST)

    def _tell(self, step: str, done: int) -> None:
        if self.cancelled.is_set():
            raise _Cancelled
        self.sender.send({"burst": step, "done": done, "of": BURST})


def _told(aid: FocusAid) -> dict[str, Any]:
    return {**asdict(aid), "exposure": aid.exposure}


def _png(frame: Bytes) -> bytes:
    import cv2

    options = [cv2.IMWRITE_PNG_COMPRESSION, 2]
    return cv2.imencode(".png", np.ascontiguousarray(frame[..., ::-1]), options)[1].tobytes()


def main(argv: Sequence[str], out: BinaryIO) -> int:
    """Watch the camera `argv[0]` with the settings (JSON) in `argv[1]`: model and threads."""
    sender = Sender(out)
    settings = json.loads(argv[1])
    try:
        model = Path(settings["model"]) if settings.get("model") else ModelStore().active().onnx
        eye = Eye()
        work = Work(eye, sender, Segmenter(model, settings.get("threads")))
        threads = [
            (eye.watch, (argv[0],)),
            (show, (eye, sender)),
            (work.listen, (sys.stdin.buffer,)),
        ]
        for each, given in threads:
            threading.Thread(target=each, args=given, daemon=True).start()
        work.run()
    except _Failed as error:
        sender.send({"problem": str(error)})
    except FiberwardError as error:
        sender.send({"problem": " ".join(str(error).split())})
        return error.exit_code
    return 0


if __name__ == "__main__":
    stdout = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what libraries print must not pass for a message
    code = main(sys.argv[1:], stdout)
    os._exit(code)  # a driver's thread may never end
