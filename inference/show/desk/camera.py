"""The live camera of the desk: watched by a process of its own while a page looks at it."""

import asyncio
import contextlib
import json
import sys
import time
from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException

from ....model.errors import UsageError

__all__ = ["LiveCamera", "NotTaken"]

WORKER = "fiberward.inference.show.desk.camera_worker"
MOST_LINE_BYTES = 1 << 20
UNWATCHED_S = 10.0  # the camera is given back when no page has asked for so long
TAKE_WAIT_S = 120.0
DIED = "the camera's process ended unexpectedly; open this page again"


class NotTaken(UsageError):
    """No frame of a burst can be used, or it was cancelled."""


class LiveCamera:
    """One camera. `source` as `frames.frames_of` takes it, None if the desk has none."""

    def __init__(self, source: str | None, settings: Mapping[str, Any]) -> None:
        self.source = source
        self.settings = {name: settings.get(name) for name in ("model", "threads")}
        self.told: dict[str, Any] = {"state": "off"}
        self.jpeg: bytes | None = None
        self._process: asyncio.subprocess.Process | None = None
        self._following: asyncio.Task[None] | None = None
        self._taking: asyncio.Future[tuple[Mapping[str, Any], bytes]] | None = None
        self._asked = self._measured = 0.0

    async def begin(self, ferrule_mm: float | None) -> None:
        """Watch, if it is not watched yet, with the ferrule as it is known by now."""
        if self.source is None:
            raise HTTPException(409, "this desk has no camera; start it with --camera")
        self._asked = time.monotonic()
        if self._process is None:
            self.told, self.jpeg = {"state": "starting"}, None
            # -P: nothing is imported from the folder that the desk was started in
            words = ["-P", "-m", WORKER, self.source, json.dumps(self.settings)]
            pipe = asyncio.subprocess.PIPE
            self._process = await asyncio.create_subprocess_exec(
                sys.executable, *words, stdin=pipe, stdout=pipe, limit=MOST_LINE_BYTES
            )
            self._following = asyncio.create_task(self._follow(self._process))
        self._tell({"do": "ferrule", "mm": ferrule_mm})

    def state(self) -> Mapping[str, Any]:
        """What the page shows; asking keeps the camera on."""
        self._asked = time.monotonic()
        return {**self.told, "aid_age_s": round(self._asked - self._measured, 1)}

    async def take(self) -> tuple[Mapping[str, Any], bytes]:
        """The best frame of a burst: what it can show, and the frame as PNG. Raises NotTaken."""
        if self._process is None or self.told["state"] != "on":
            raise HTTPException(409, "the camera is not on")
        if self._taking is not None:
            raise HTTPException(409, "a picture is being taken already")
        self._taking = asyncio.get_running_loop().create_future()
        self._tell({"do": "take"})
        try:
            async with asyncio.timeout(TAKE_WAIT_S):
                return await self._taking
        except TimeoutError as error:
            raise NotTaken("the camera gave no picture in time; try again") from error
        finally:
            self._taking = None
            self.told.pop("burst", None)

    def cancel(self) -> None:
        """Take no picture after all."""
        self._tell({"do": "cancel"})

    async def close(self) -> None:
        """Give the camera back."""
        process, following = self._process, self._following
        if process is not None and process.returncode is None:
            process.kill()
        if following is not None:
            following.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await following

    def _tell(self, command: Mapping[str, Any]) -> None:
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(ConnectionError):
                self._process.stdin.write(json.dumps(command).encode() + b"\n")

    async def _follow(self, process: asyncio.subprocess.Process) -> None:
        assert process.stdout is not None
        problem: str | None = None
        try:
            while (line := await process.stdout.readline()) != b"":
                message = json.loads(line)
                data = await process.stdout.readexactly(message.pop("bytes"))
                problem = message.get("problem", problem)
                self._take_in(message, data)
                if time.monotonic() - self._asked > UNWATCHED_S and self._taking is None:
                    process.kill()
                    await process.wait()
                    self.told = {"state": "off"}
                    return
            await process.wait()
            self.told = {"state": "failed", "problem": problem or DIED}
        except asyncio.IncompleteReadError:
            self.told = {"state": "failed", "problem": DIED}
        finally:
            if process.returncode is None:
                process.kill()
                await process.wait()
            self._process = self.jpeg = None
            if self._taking is not None and not self._taking.done():
                self._taking.set_exception(NotTaken(self.told.get("problem", DIED)))

    def _take_in(self, message: dict[str, Any], data: bytes) -> None:
        if "frame" in message:
            self.jpeg = data
            self.told |= {**message, "state": "on"}
        elif "aid" in message:
            self.told["aid"], self._measured = message["aid"], time.monotonic()
        elif "burst" in message:
            self.told["burst"] = message
        elif "taken" in message and self._taking is not None and not self._taking.done():
            if message["taken"] is not None:
                self._taking.set_result((message, data))
            else:
                why_not = message["why_not"]
                words = f"none of them can be used: {why_not}" if why_not else "cancelled"
                self._taking.set_exception(NotTaken(words))
