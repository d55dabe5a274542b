"""Damaged files through every reader.

    python tests/bench/fuzz_readers.py [--inputs 20000] [--seed 1] [--only NAME] [--seconds S]
                                       [--keep FOLDER]

Each reader starts from small sound files made here and gets them cut, spliced, with bits turned
over, and with tokens put in that have broken readers before: huge and negative numbers, NaN, empty
containers, deep nesting, odd text, overlong run lengths. Input number N of a seed is always the
same. A reader may take the file or refuse it with one plain line (a `FiberwardError`, or a finding
of the label check); anything else is a crash, more than 20 s of the processor a hang, and the file
is kept. (Damaged pictures through the whole pipeline: `fuzz_pictures.py`.)

Ends with 1 if there was a crash or a hang. Plain random change, without feedback from the
code that is reached: no coverage-guided fuzzer is needed to run it.
"""

import argparse
import io
import json
import random
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from fiberward.inference.judge.assumed import read_assumptions
from fiberward.inference.judge.zones import read_own_table
from fiberward.inference.keep.comparison_file import read_side
from fiberward.inference.keep.inspection import read_inspection
from fiberward.inference.keep.moves import read_moves
from fiberward.inference.see.connector_file import read_connector_file
from fiberward.inference.see.model_file import _card
from fiberward.inference.see.picture import read_picture
from fiberward.inference.settings_file import read_settings
from fiberward.model.errors import FiberwardError
from fiberward.training.labels.check import check_folder
from fiberward.training.labels.coco import write_coco
from fiberward.training.labels.cvat import write_cvat
from fiberward.training.labels.index_masks import write_masks
from fiberward.training.labels.labelme import write_labelme

ROOT = Path(__file__).resolve().parents[2]
LONGEST_S = 20
TOKENS = [
    *(b"NaN", b"Infinity", b"-1", b"0", b"1e999", b"9" * 400, b"-0.0", b"null", b"true", b"{}"),
    *(b"[]", b'""', b"[" * 20_000, b'{"a":' * 300, b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\n\n"),
    *("\u202e\u00b5\U0001f50d".encode(), b"'", b'"', b"=", b",", b"<", b"&lol;", b"%s", b"../x"),
    *(b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\x7f\xff\xff\xff", b"\x80\x00\x00\x00"),
]
MOVES = (  # as learnt from one pair
    b'{"schema": "fiberward.moves/1", "assumptions": "shipped", "pairs": [{"uid": "a", '
    b'"label": "A", "before_at": "", "after_at": "", "learnt_at": "", '
    b'"moves": {"particle": {"gone": 2}}, "not_counted": {}}]}'
)
SETTINGS = b"""coverage_size_um = 40.0
zone_tables = []
[rules]
"""


@dataclass(frozen=True)
class Reader:
    """A reader under test: `sound` files to start from, and how a file is read."""

    name: str
    sound: list[bytes]
    read: Callable[[bytes, Path], object]


def damaged(draw: random.Random, sound: list[bytes]) -> bytes:
    """One of the sound files with one to six changes."""
    data = bytearray(draw.choice(sound))
    for _ in range(draw.choice((1, 1, 1, 2, 3, 6))):
        at = draw.randrange(len(data) + 1)
        end = min(len(data), at + draw.choice((1, 2, 4, 16, 200)))
        change = draw.randrange(7)
        if change == 0 and at < len(data):
            data[at] ^= 1 << draw.randrange(8)
        elif change == 1:
            data[at:end] = draw.randbytes(end - at)
        elif change == 2:
            del data[at:end]
        elif change == 3:
            data[at:at] = data[at:end] * draw.choice((1, 2, 50))
        elif change == 4:
            data[at : end if draw.random() < 0.5 else at] = draw.choice(TOKENS)
        elif change == 5:
            other = draw.choice(sound)
            data[at:] = other[draw.randrange(len(other) + 1) :]
        elif draw.random() < 0.3:
            del data[at:]
    return bytes(data)


class Hang(BaseException):
    """Raised by the alarm; no reader may catch it."""


@contextmanager
def limited(seconds: float) -> Iterator[None]:
    """Raise Hang where the block takes more processor time: a busy machine is no hang."""

    def ring(*_: object) -> None:
        raise Hang

    before = signal.signal(signal.SIGPROF, ring)
    signal.setitimer(signal.ITIMER_PROF, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def outcome(reader: Reader, data: bytes, folder: Path) -> str:
    """taken, refused, crash or hang; a crash's trace goes to stderr."""
    try:
        with limited(LONGEST_S):
            reader.read(data, folder)
    except FiberwardError as error:
        if "\n" in str(error):
            print(f"{reader.name}: refused in more than one line: {error!r}", file=sys.stderr)
            return "crash"
        return "refused"
    except Hang:
        return "hang"
    except Exception:
        traceback.print_exc()
        return "crash"
    return "taken"


def pictures() -> list[bytes]:
    """Small pictures of every kind that is read."""
    rgb = np.random.default_rng(3).integers(0, 256, (24, 32, 3), dtype=np.uint8)
    image, out = Image.fromarray(rgb), list[bytes]()
    forms = [("PNG", m) for m in ("1", "L", "LA", "P", "RGB", "RGBA", "I;16")]
    forms += [("JPEG", m) for m in ("L", "RGB", "CMYK")]
    forms += [(f, "RGB") for f in ("BMP", "GIF", "PPM", "TIFF", "WEBP")]
    for form, mode in forms:
        file = io.BytesIO()
        deep = Image.fromarray(rgb[..., 0].astype(np.uint16) * 257)
        (deep if mode == "I;16" else image.convert(mode)).save(file, form)
        out.append(file.getvalue())
    return out


def from_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes, Path], object]:
    """Reads a file of that name with the bytes in it."""

    def run(data: bytes, folder: Path) -> object:
        (folder / name).write_bytes(data)
        return read(folder / name)

    return run


def read_card(data: bytes, folder: Path) -> object:
    """Model metadata: a line per key."""
    pairs = (line.partition("=") for line in data.decode("utf-8", "replace").splitlines())
    return _card({key: value for key, _, value in pairs}, "", folder / "model.onnx")


def module_at(path: str) -> Any:
    """A module of the tests."""
    spec = spec_from_file_location(Path(path).stem, ROOT / path)
    assert spec is not None
    assert spec.loader is not None
    found = module_from_spec(spec)
    sys.modules[spec.name] = found
    spec.loader.exec_module(found)
    return found


def label_readers(folder: Path) -> Iterator[Reader]:
    """Label files of all four forms, beside a picture."""
    made = module_at("tests/training/labels/made.py")
    label = made.rich_label("a.png")
    picture = io.BytesIO()
    Image.fromarray(made.picture_of(label)).save(picture, "PNG")

    def checked(name: str) -> Callable[[bytes, Path], object]:
        def run(data: bytes, where: Path) -> object:
            where = where / name.replace(".", "-")
            where.mkdir(exist_ok=True)
            (where / "a.png").write_bytes(picture.getvalue())
            (where / name).write_bytes(data)
            return check_folder(where).lines()

        return run

    write_coco([label], folder / "labels.json")
    write_cvat([label], folder / "labels.xml")
    write_labelme(label, folder)
    write_masks(label, folder)
    for name, file in (("coco", "labels.json"), ("cvat", "labels.xml"), ("labelme", "a.json")):
        yield Reader(name, [(folder / file).read_bytes()], checked(file))
    for layer in ("surfaces", "deposits"):
        name = f"a.{layer}.png"
        yield Reader(f"{layer} mask", [(folder / name).read_bytes()], checked(name))
    names = b'[names]\ndust = "particle"\n[deposit_ids]\n3 = "film"\n'
    yield Reader("label map", [names], checked("label-map.toml"))


def readers(folder: Path) -> list[Reader]:
    """Every reader with its sound files; `folder` is for making them."""
    judge = ROOT / "inference" / "judge"
    tables = [path.read_bytes() for path in sorted((judge / "zone_tables").glob("*.toml"))]
    assumed = [path.read_bytes() for path in sorted((judge / "assumptions").glob("*.toml"))]
    metadata = module_at("tests/conftest.py").METADATA
    facts = (ROOT / "inference/show/demo/connector.toml").read_bytes().split(b"[[picture]]")[0]
    invented = module_at("tests/inference/keep/conftest.py").invented
    documents = [json.dumps(invented(label).to_json()).encode() for label in ("A", "B")]
    return [
        Reader("picture", pictures(), from_file("picture", read_picture)),
        Reader("settings", [SETTINGS], from_file("settings.toml", read_settings)),
        Reader("connector.toml", [facts], from_file("connector.toml", read_connector_file)),
        Reader("zone table", tables, from_file("table.toml", read_own_table)),
        Reader("assumptions", assumed, from_file("assumed.toml", read_assumptions)),
        Reader("moves", [MOVES], from_file("moves.json", _moves)),
        Reader("inspection", documents, from_file("inspection.json", read_inspection)),
        Reader("side of a comparison", documents, from_file("inspection.json", read_side)),
        Reader(
            "model metadata",
            ["\n".join(f"{k}={v}" for k, v in metadata.items()).encode()],
            read_card,
        ),
        *label_readers(folder),
    ]


def _moves(path: Path) -> object:
    return read_moves(path, "shipped")


def fuzzed(reader: Reader, given: argparse.Namespace, folder: Path) -> Counter[str]:
    """How many of the inputs ended how; what broke the reader is kept."""
    ended: Counter[str] = Counter()
    until = time.monotonic() + given.seconds
    for number in range(given.inputs):
        if time.monotonic() > until:
            break
        data = damaged(random.Random(f"{given.seed} {reader.name} {number}"), reader.sound)
        how = outcome(reader, data, folder)
        ended[how] += 1
        if how in ("crash", "hang"):
            given.keep.mkdir(parents=True, exist_ok=True)
            (given.keep / f"{reader.name}-{given.seed}-{number}".replace(" ", "-")).write_bytes(
                data
            )
    return ended


def main() -> int:
    """Fuzz every reader, and tell how the inputs ended."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--inputs", type=int, default=20_000, help="per reader")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only")
    parser.add_argument("--seconds", type=float, default=float("inf"), help="per reader, at most")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir(), "fuzz-kept"))
    given, bad = parser.parse_args(), 0
    with tempfile.TemporaryDirectory(prefix="fiberward-fuzz-") as made:
        folder = Path(made)
        ended: dict[str, Counter[str]] = {}
        for reader in readers(folder):
            if given.only in (None, reader.name):
                ended[reader.name] = fuzzed(reader, given, folder)
                print(f"{reader.name}: {dict(ended[reader.name])}", flush=True)
    total = sum(ended.values(), Counter[str]())
    bad = total["crash"] + total["hang"]
    print(f"{sum(total.values())} inputs, {bad} crashes and hangs; {dict(total)}")
    return 1 if bad else 0


if __name__ == "__main__":
    with suppress(KeyboardInterrupt):
        sys.exit(main())
