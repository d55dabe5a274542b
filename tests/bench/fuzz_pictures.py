"""Damaged pictures through the whole pipeline: none may break it, hang it or come out as mate.

    python tests/bench/fuzz_pictures.py --log FILE [--pictures 5000] [--seed 1] [--seconds S]
                                        [--only drawn|net|command] [--set FOLDER] [--keep FOLDER]

A connector is four views. Either all are damaged, as files or as pictures, or all as files, or one
among three good ones. Files are cut, get bits turned over, blocks swapped, ranges zeroed, headers
changed, sizes and colours that lie, and the tokens of `fuzz_readers`; pictures get stuck rows, a
black half, noise, blur, a patch, a lost colour, a shifted frame, a wrong exposure, or are another
view's. Formats: JPEG, PNG (8, 16 bit), TIFF (8, 16 bit), BMP, WebP, PPM, PGM.

`drawn`: drawings at 480 x 360, dirty, dirty in one view only, and spotless, read by the drawings'
own reader. `net`: the demo's and the path-traced connectors at 640 x 480, and those of `--set` as
they are, read by the shipped net. `command`: the same through `fiberward inspect`.

A picture counts as damaged if it is refused, or if its pixels are not those of the sound file in
the same format. A mate is a fault where a picture was refused, or the connector is dirty; of a
spotless connector whose damaged pictures can be read it is counted apart, and its files are kept.
Input N of a seed is always the same. The log has a line for each connector as it begins and ends;
given again, it is gone on with, and one that began and never ended was a crash or a hang. More than
60 s of the processor for a connector is a hang.
"""

import argparse
import faulthandler
import io
import json
import os
import random
import re
import resource
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import time
import traceback
import zlib
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from fuzz_readers import ROOT, Hang, damaged, limited, module_at
from PIL import Image

from fiberward.inference.pipeline import Inspector
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.see.picture import read_picture
from fiberward.inference.settings import Settings
from fiberward.model.errors import FiberwardError
from fiberward.model.shipped import SHIPPED_MODEL

LONGEST_S = 60  # of the processor
KILLED_AFTER_S = 1800  # by the clock, even inside a library that no alarm gets out of
RUN = "from fiberward.inference.show.app import main; raise SystemExit(main())"
FULL_FORMATS = ("jpeg", "png", "png16", "tiff", "tiff16", "bmp", "webp", "ppm")
Pixels = np.ndarray


@dataclass(frozen=True)
class Base:
    """A connector before any damage: its views, uint8 [H, W, 3], and what it is."""

    name: str
    kind: str  # drawn | net
    views: tuple[Pixels, ...]
    turns_deg: tuple[float | None, ...]
    ferrule_mm: float | None
    dirty: bool


# -- connectors ------------------------------------------------------------------------------------


def drawn_bases(folder: Path) -> list[Base]:
    """Drawings of dirty connectors, of two dirty in one view only, and of spotless ones."""
    made, turns = module_at("tests/inference/conftest.py"), (0.0, 0.0, 120.0, 240.0)
    tilts, out = (0.0, 45.0, 45.0, 45.0), list[Base]()
    for ferrule_mm, scale in ((2.5, 8.0), (1.25, 4.5)):
        drawing = made.Drawing(folder, ferrule_mm, scale)
        many = tuple(made.Spot(60.0 + 90 * k, 80.0 * k, 70.0) for k in range(4))
        one = (made.Spot(300.0, 200.0, 45.0),)
        for name, spots, shown in (
            ("dirty", many, range(4)),
            ("one grain", one, range(4)),
            ("one grain, front only", one, (0,)),
            ("one grain, one side only", one, (2,)),
            ("spotless", (), ()),
        ):
            views = tuple(
                drawing.rgb(turn, tilt, spots if k in shown else ())
                for k, (turn, tilt) in enumerate(zip(turns, tilts, strict=True))
            )
            out.append(Base(f"{ferrule_mm} {name}", "drawn", views, turns, ferrule_mm, bool(spots)))
    return out


def net_bases(own: Path | None) -> list[Base]:
    """The demo, the path-traced connectors, and those of a folder of renders."""
    out = [_demo()]
    for name in ("c10100", "c10106"):
        out.append(_rendered(ROOT / "tests" / "data" / "path-traced" / f"{name}.json", (640, 480)))
    if own is not None:
        out += [_rendered(path, None) for path in sorted(own.glob("c*.json"))]
    return out


def _demo() -> Base:
    folder = ROOT / "inference" / "show" / "demo"
    names = ("front", "side-1", "side-2", "side-3")
    views = tuple(_view(folder / f"{name}.jpg", (640, 480)) for name in names)
    return Base("demo", "net", views, (0.0, 0.0, 120.0, 240.0), 2.5, dirty=True)


def _rendered(truth: Path, size: tuple[int, int] | None) -> Base:
    told = json.loads(truth.read_text(encoding="utf-8"))
    views = tuple(_view(truth.parent / row["picture"], size) for row in told["views"])
    turns = tuple(row["turn_deg"] for row in told["views"])
    # damage too has to be cleaned at first sight
    dirty = told["dirty"] or any(row["kind"] == "damage" for row in told["deposits"])
    return Base(truth.stem, "net", views, turns, None, dirty)


def _view(path: Path, size: tuple[int, int] | None) -> Pixels:
    with Image.open(path) as image:
        rgb = image.convert("RGB")
        return np.array(rgb if size is None else rgb.resize(size, Image.Resampling.BOX))


# -- damage ----------------------------------------------------------------------------------------


def encoded(rgb: Pixels, form: str, quality: int = 95) -> bytes:
    """A sound file of the picture."""
    if form in ("png16", "tiff16"):
        deep = rgb[..., ::-1].astype(np.uint16) * 257
        done, data = cv2.imencode(f".{form[:-2]}", deep)
        assert done
        return data.tobytes()
    file, image = io.BytesIO(), Image.fromarray(rgb)
    if form == "pgm":
        image.convert("L").save(file, "PPM")
    elif form == "jpeg":
        image.save(file, "JPEG", quality=quality, subsampling=0)
    elif form == "webp":
        image.save(file, "WEBP", lossless=True, method=0)
    else:
        image.save(file, form.upper())
    return file.getvalue()


def spoilt(draw: random.Random, rgb: Pixels, other: Pixels) -> tuple[str, Pixels]:
    """How a bad cable, lamp, lens or sensor changed a view, and the view; `other`: another view."""
    rgb, noise = rgb.copy(), np.random.default_rng(draw.randrange(1 << 30))
    height, width = rgb.shape[:2]
    how = draw.choice(tuple(_SPOIL))
    at = draw.randrange(height), draw.randrange(width)
    return how, _SPOIL[how](draw, noise, rgb, (at, other))


def _rows(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    first = at[0][0]
    rgb[first : first + draw.choice((1, 3, 20, 1000))] = rgb[first].copy()
    return rgb


def _half(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    level = draw.choice((0, 0, 255, 128))
    part = np.s_[at[0][0] :] if draw.random() < 0.5 else np.s_[:, at[0][1] :]
    rgb[part] = level
    return rgb


def _noise(draw: random.Random, noise: Any, rgb: Pixels, _: Any) -> Pixels:
    return np.clip(rgb + noise.normal(0, draw.uniform(5, 90), rgb.shape), 0, 255).astype(np.uint8)


def _blur(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    return cv2.GaussianBlur(rgb, (0, 0), draw.uniform(1.5, 12))


def _patch(draw: random.Random, noise: Any, rgb: Pixels, at: Any) -> Pixels:
    (y, x), high, wide = at[0], draw.randrange(8, 200), draw.randrange(8, 200)
    rgb[y : y + high, x : x + wide] = noise.integers(0, 256, 3 if draw.random() < 0.5 else 1)
    return rgb


def _colour(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    rgb[:, :, draw.randrange(3)] = draw.randrange(256)
    return rgb


def _shift(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    rgb[at[0][0] :] = np.roll(rgb[at[0][0] :], draw.randrange(8, rgb.shape[1] - 8), axis=1)
    return rgb


def _exposure(draw: random.Random, _: Any, rgb: Pixels, at: Any) -> Pixels:
    factor = draw.choice((draw.uniform(0.01, 0.3), draw.uniform(3, 12)))
    return np.clip(rgb * factor, 0, 255).astype(np.uint8)


def _repeated(_: Any, __: Any, rgb: Pixels, at: Any) -> Pixels:
    return at[1].copy()


_SPOIL: dict[str, Callable[[random.Random, Any, Pixels, Any], Pixels]] = {
    **{"stuck rows": _rows, "half blank": _half, "noise": _noise, "blur": _blur, "patch": _patch},
    **{"colour lost": _colour, "shifted": _shift, "exposure": _exposure, "repeated": _repeated},
}


def broken(draw: random.Random, data: bytes, others: Sequence[bytes]) -> tuple[str, bytes]:
    """How a file was damaged, and its bytes; `others`: the other views' files."""
    out, size = bytearray(data), len(data)
    how = draw.choice(
        ("cut", "bits", "bits", "swapped", "zeroed", "header", "lie", "lie", "mixed", "spliced")
    )
    if how == "cut":
        del out[draw.choice((draw.randrange(size), size - draw.randrange(1, min(size, 64)))) :]
    elif how == "bits":
        for _ in range(draw.choice((1, 1, 3, 20))):
            out[draw.randrange(size)] ^= 1 << draw.randrange(8)
    elif how == "swapped":
        block = draw.choice((16, 512, 4096))
        a, b = (draw.randrange(max(1, size // block)) * block for _ in range(2))
        out[a : a + block], out[b : b + block] = data[b : b + block], data[a : a + block]
    elif how == "zeroed":
        at, long = draw.randrange(size), draw.choice((4, 512, 4096, size))
        out[at : at + long] = bytes(len(out[at : at + long]))
    elif how == "header":
        for _ in range(draw.randrange(1, 4)):
            out[draw.randrange(min(size, 200))] = draw.randrange(256)
    elif how == "lie":
        out = bytearray(_lying(draw, data))
    elif how == "mixed":
        other = draw.choice(others)
        at = draw.randrange(size)
        out[at:] = other[at:]
    else:
        out = bytearray(damaged(draw, [data, *others]))
    return how, bytes(out)


def _lying(draw: random.Random, data: bytes) -> bytes:
    """A header that states another size, depth or kind of colour, with its checksum put right."""
    out = bytearray(data)
    value = draw.choice((0, 1, 7, 64, 479, 481, 1280, 65535, draw.randrange(1, 2000)))
    if data.startswith(b"\x89PNG"):
        if draw.random() < 0.6:
            struct.pack_into(">I", out, draw.choice((16, 20)), value)
        else:
            out[draw.choice((24, 25, 28))] = draw.choice((0, 1, 2, 3, 4, 6, 8, 16))
        struct.pack_into(">I", out, 29, zlib.crc32(out[12:29]))
    elif data.startswith(b"\xff\xd8") and (frame := re.search(rb"\xff[\xc0-\xc2]", data)):
        at = frame.start() + draw.choice((5, 5, 7, 7, 4, 9, 11))
        struct.pack_into(">H", out, at, value)
    elif data.startswith(b"BM"):
        struct.pack_into(
            "<i", out, draw.choice((10, 18, 22, 28, 30, 34)), draw.choice((value, -value))
        )
    elif data[:2] in (b"P5", b"P6"):
        numbers = [m.span() for m in re.finditer(rb"\d+", data[2:40])][:3]
        a, b = draw.choice(numbers)
        out[2 + a : 2 + b] = str(value).encode()
    elif data[:4] in (b"II*\0", b"MM\0*"):
        order = "<" if data[:2] == b"II" else ">"
        first = struct.unpack_from(f"{order}I", data, 4)[0]
        if first + 14 < len(data):
            count = struct.unpack_from(f"{order}H", data, first)[0]
            entry = first + 2 + 12 * draw.randrange(max(1, count))
            struct.pack_into(f"{order}I", out, min(entry + 8, len(out) - 4), value)
    else:  # WebP: sizes and flags within the first chunk
        out[draw.randrange(4, min(40, len(out)))] = value & 255
    return bytes(out)


@dataclass(frozen=True)
class Made:
    """One view's file as it is handed in, and the sound file it was made from."""

    name: str
    damage: str | None
    data: bytes
    sound: bytes


def views_of(draw: random.Random, base: Base, mode: str) -> list[Made]:
    """The four files of a connector, damaged by the mode."""
    forms = FULL_FORMATS if base.kind == "drawn" else (*FULL_FORMATS, "pgm")
    chosen = [draw.choice(forms) for _ in base.views]
    sound = [encoded(rgb, form) for rgb, form in zip(base.views, chosen, strict=True)]
    hit = {draw.randrange(len(sound))} if mode == "one" else set(range(len(sound)))
    out: list[Made] = []
    for k, (form, data) in enumerate(zip(chosen, sound, strict=True)):
        name, other = f"view-{k}.{form.rstrip('16')}", (k + draw.randrange(1, 4)) % len(sound)
        if k not in hit:
            out.append(Made(name, None, data, data))
        elif mode == "files" or draw.random() < 0.5:
            how, bad = broken(draw, data, sound[:k] + sound[k + 1 :])
            out.append(Made(name, f"{form} {how}", bad, data))
        else:
            how, rgb = spoilt(draw, base.views[k], base.views[other])
            bad = encoded(rgb, form, draw.choice((95, 60)))
            out.append(Made(name, f"{form}: {how}", bad, data))
    return out


def state_of(made: Made, folder: Path) -> tuple[str, float]:
    """refused, changed or same, and the share of pixels changed by more than 8 of 255."""
    (folder / "sound").write_bytes(made.sound)
    (folder / "bad").write_bytes(made.data)
    sound = read_picture(folder / "sound").rgb
    try:
        bad = read_picture(folder / "bad").rgb
    except FiberwardError:
        return "refused", 1.0
    if bad.shape != sound.shape:
        return "changed", 1.0
    away = np.abs(bad.astype(np.int16) - sound).max(axis=2)
    return ("changed" if away.any() else "same"), float(np.mean(away > 8))


# -- inspecting ------------------------------------------------------------------------------------


def by_pipeline(inspector: Inspector, request: Request) -> tuple[str, str]:
    """The verdict, refused, crash or hang; and more about a crash."""
    try:
        with limited(LONGEST_S):
            return inspector.inspect(request).inspection.verdict, ""
    except FiberwardError as error:
        return ("refused" if "\n" not in str(error) else "crash"), str(error)
    except Hang:
        return "hang", ""
    except Exception:
        return "crash", traceback.format_exc()


def by_command(request: Request, folder: Path) -> tuple[str, str]:
    """The same of `fiberward inspect`, in a process of its own."""
    out = folder / "out"
    shutil.rmtree(out, ignore_errors=True)
    turns = ",".join("-" if turn is None else f"{turn:g}" for turn in request.turns_deg or ())
    command = [sys.executable, "-c", RUN, "inspect", *map(str, request.pictures), "--json"]
    command += ["--quiet", "--no-record", "--out", str(out), "--threads", "1", "--turn", turns]
    if request.facts.ferrule_mm is not None:
        command += ["--ferrule", f"{request.facts.ferrule_mm:g}"]
    try:
        done = subprocess.run(
            command,
            capture_output=True,
            text=True,
            timeout=KILLED_AFTER_S,
            check=False,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_CPU, (LONGEST_S, LONGEST_S)),
        )
    except subprocess.TimeoutExpired:
        return "hang", ""
    if done.returncode in (-signal.SIGKILL, -signal.SIGXCPU):
        return "hang", ""
    if done.returncode == 2:
        return "refused", done.stderr
    found = re.search(r'"verdict": "([a-z-]+)"', done.stdout)
    if done.returncode not in (0, 1, 3) or found is None or "Traceback" in done.stderr:
        return "crash", f"{done.returncode}: {done.stderr}"
    verdict = "mate" if done.returncode == 0 else found[1]
    return verdict, ""


def processor_s() -> float:
    """Processor time of this process and of those that it has waited for."""
    took = os.times()
    return took.user + took.system + took.children_user + took.children_system


@dataclass(frozen=True)
class Bench:
    """What the connectors are inspected with."""

    bases: dict[str, list[Base]]
    inspectors: dict[str, Inspector]
    folder: Path
    keep: Path
    seed: int


def tried(bench: Bench, number: int, way: str) -> dict[str, Any]:
    """One connector damaged and inspected: its line in the log."""
    draw = random.Random(f"{bench.seed} {way} {number}")
    base = draw.choice(bench.bases["net" if way == "command" else way])
    mode = draw.choices(("all", "one", "files"), (40, 10, 50))[0]
    made = views_of(draw, base, mode)
    where = bench.folder / "connector"
    shutil.rmtree(where, ignore_errors=True)
    where.mkdir()
    states = [state_of(each, bench.folder) for each in made]
    paths = tuple(where / each.name for each in made)
    for path, each in zip(paths, made, strict=True):
        path.write_bytes(each.data)
    request = Request(paths, base.turns_deg, ConnectorFacts(ferrule_mm=base.ferrule_mm))
    begun = processor_s()
    if way == "command":
        verdict, more = by_command(request, bench.folder)
    else:
        verdict, more = by_pipeline(bench.inspectors[way], request)
    hit = [k for k, each in enumerate(made) if each.damage is not None]
    line = {
        **{"number": number, "way": way, "base": base.name, "dirty": base.dirty, "mode": mode},
        **{"damage": [made[k].damage for k in hit], "state": [states[k][0] for k in hit]},
        "changed_share": [round(states[k][1], 4) for k in hit],
        **{"verdict": verdict, "seconds": round(processor_s() - begun, 2), "more": more},
    }
    if verdict in ("mate", "crash", "hang"):
        shutil.copytree(where, bench.keep / f"{way}-{bench.seed}-{number}", dirs_exist_ok=True)
    return line


# -- the log ---------------------------------------------------------------------------------------


def damaged_count(line: dict[str, Any]) -> int:
    """How many pictures of a connector were damaged."""
    return sum(state != "same" for state in line.get("state", ()))


def is_fault(line: dict[str, Any]) -> bool:
    """Whether a connector broke the pipeline, or its mate is against the rules."""
    if line["verdict"] in ("crash", "hang"):
        return True
    return line["verdict"] == "mate" and damaged_count(line) > 0 and not is_apart(line)


def is_apart(line: dict[str, Any]) -> bool:
    """A mate of a spotless connector whose damaged pictures could all be read."""
    readable = "refused" not in line["state"]
    return line["verdict"] == "mate" and damaged_count(line) > 0 and readable and not line["dirty"]


def read_log(path: Path) -> list[dict[str, Any]]:
    """The finished lines of a log; what began and never ended gets the verdict `hang`."""
    rows: dict[tuple[str, int], dict[str, Any]] = {}
    for text in path.read_text(encoding="utf-8").splitlines() if path.exists() else ():
        row = json.loads(text)
        lost = {"verdict": "hang", "state": [], "damage": [], "seconds": KILLED_AFTER_S}
        rows[row["way"], row["number"]] = {**lost, **row}
    return list(rows.values())


def told(rows: Sequence[dict[str, Any]]) -> int:
    """Print the counts; how many faults there were."""
    for way in ("drawn", "net", "command"):
        mine = [row for row in rows if row["way"] == way]
        if mine:
            slowest = max(mine, key=lambda row: row["seconds"])
            print(
                f"{way}: {len(mine)} connectors, {sum(map(damaged_count, mine))} damaged pictures, "
                f"{dict(Counter(row['verdict'] for row in mine))}, slowest "
                f"{slowest['seconds']} s of the processor (number {slowest['number']})"
            )
    states = Counter(state for row in rows for state in row["state"])
    faults = [row for row in rows if is_fault(row)]
    for row in faults:
        print(f"FAULT {row['way']} {row['number']}: {row['verdict']} {row.get('more', '')[-300:]}")
    apart = [row for row in rows if is_apart(row)]
    print(
        f"{len(rows)} connectors, {sum(map(damaged_count, rows))} damaged pictures "
        f"({dict(states)}): {dict(Counter(row['verdict'] for row in rows))}; {len(faults)} faults; "
        f"mates of spotless connectors with readable damaged pictures: {len(apart)}"
    )
    return len(faults)


def main() -> int:
    """Go on with the log until it holds enough damaged pictures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--log", type=Path, required=True)
    parser.add_argument("--pictures", type=int, default=5000, help="damaged ones in the whole log")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=float("inf"))
    parser.add_argument("--only", choices=("drawn", "net", "command"))
    parser.add_argument("--set", type=Path, help="a folder of `fiberward render`, for the net")
    parser.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir(), "fuzz-kept"))
    given, until = parser.parse_args(), time.monotonic()
    rows = read_log(given.log)
    done = {(row["way"], row["number"]) for row in rows}
    count, number = sum(map(damaged_count, rows)), 0
    coarse = Settings(map_px=300)  # a third less time; only the drawings of the map are coarser
    with tempfile.TemporaryDirectory(prefix="fiberward-fuzz-") as made, given.log.open("a") as log:
        reads = module_at("tests/inference/conftest.py").ReadsDrawings
        bench = Bench(
            {"drawn": drawn_bases(Path(made)), "net": net_bases(given.set)},
            {
                "drawn": Inspector(reads(), coarse, threads=1),
                "net": Inspector(SHIPPED_MODEL, threads=1),
            },
            *(Path(made), given.keep, given.seed),
        )
        while count < given.pictures and time.monotonic() - until < given.seconds:
            # of fifty connectors two by the net and one by the command, which take the longest
            way = given.only or ("command", *["net"] * 2, *["drawn"] * 47)[number % 50]
            if (way, number) not in done:
                log.write(json.dumps({"way": way, "number": number}) + "\n")
                log.flush()
                faulthandler.dump_traceback_later(KILLED_AFTER_S, exit=True)
                line = tried(bench, number, way)
                faulthandler.cancel_dump_traceback_later()
                log.write(json.dumps(line) + "\n")
                log.flush()
                count += damaged_count(line)
            number += 1
    return 1 if told(read_log(given.log)) else 0


if __name__ == "__main__":
    sys.exit(main())
