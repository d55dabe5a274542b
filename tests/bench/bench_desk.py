"""How long the desk's page takes: `python tests/bench/bench_desk.py` (needs chromium, playwright).

A drawn inspection of four pictures of 5 megapixels with 300 invented deposits; medians of several
loads and clicks in a real browser, on this machine. First paint is the browser's own figure; a
click ends when the frame with every picture at the deposit has been drawn.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image
from playwright.sync_api import sync_playwright

from fiberward.inference.keep.inspection import DepositRecord, Inspection, read_inspection
from fiberward.inference.show.app import main

COUNT, SIZE_WH, ROUNDS = 300, (2592, 1944), 7
KINDS = ("particle", "lint", "film", "residue", "liquid", "damage")
CLICK = """async (id) => {
  const begun = performance.now();
  document.querySelector(`#deposits [data-deposit='${id}']`).click();
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return performance.now() - begun;
}"""
PAINT = "performance.getEntriesByName('first-contentful-paint')[0].startTime"
RUN = "import sys; from fiberward.inference.show.app import main; sys.exit(main(sys.argv[1:]))"


def invented(first: DepositRecord, number: int, rng: np.random.Generator) -> DepositRecord:
    """A deposit somewhere."""
    s_um, theta_deg = float(rng.uniform(50, 6000)), float(rng.uniform(0, 360))
    kind = KINDS[number % len(KINDS)]
    return replace(first, id=number, kind=kind, s_um=s_um, theta_deg=theta_deg)


def make_case(folder: Path) -> None:
    """The demonstration's inspection with larger pictures and 300 deposits."""
    main(["demo", "--out", str(folder), "--quiet"])
    found: Inspection = read_inspection(folder / "inspection.json")
    rng = np.random.default_rng(1)
    first = found.deposits[0]
    deposits = tuple(invented(first, number, rng) for number in range(1, COUNT + 1))
    reasons = tuple(replace(found.reasons[0], deposit=d.id) for d in deposits[:150])
    width, height = SIZE_WH
    views = tuple(replace(v, width_px=width, height_px=height) for v in found.views)
    replace(found, deposits=deposits, reasons=reasons, views=views).write(
        folder / "inspection.json"
    )
    extras = folder / ".desk"
    extras.mkdir()
    for index in range(4):
        noise = rng.integers(0, 255, (height // 8, width // 8, 3), np.uint8)
        Image.fromarray(noise).resize(SIZE_WH).save(extras / f"view-{index}.jpg", quality=90)
        kinds = (rng.random((height // 8, width // 8)) > 0.99).astype(np.uint8)
        Image.fromarray(kinds).resize(SIZE_WH, 0).save(extras / f"view-{index}.png")
    for name, side in (("whole", 900), ("front", 450)):
        grey = rng.integers(0, 255, (side, side, 3), np.uint8)
        Image.fromarray(grey).save(extras / f"map-{name}.jpg", quality=90)
        index = rng.integers(0, 8, (side, side), np.uint8)
        Image.fromarray(index).save(extras / f"map-{name}.png")
    boxes = rng.integers(0, 1800, (COUNT, 4, 2))
    sightings = {
        str(number): [
            {"view": view, "box": [int(x), int(y), int(x) + 60, int(y) + 40]}
            for view, (x, y) in enumerate(boxes[number - 1])
        ]
        for number in range(1, COUNT + 1)
    }
    page = {
        "views": [{"file": f"view-{k}.jpg", "index": f"view-{k}.png"} for k in range(4)],
        "maps": [
            {"file": f"map-{n}.jpg", "index": f"map-{n}.png", "um_per_px": um, "side_px": side}
            for n, um, side in (("whole", 29.0, 900), ("front", 7.6, 450))
        ],
        "sightings": sightings,
    }
    (extras / "page.json").write_text(json.dumps(page))


def measure(address: str) -> dict[str, list[float]]:
    """Milliseconds."""
    times: dict[str, list[float]] = {"first paint": [], "all drawn": [], "click": []}
    with sync_playwright() as starter:
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = starter.chromium.launch(executable_path=shutil.which("chromium"), args=sandbox)
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.goto(address)
        page.click("table a")
        here = page.url
        for _ in range(ROUNDS):
            page.goto(here)
            page.wait_for_selector("body[data-ready=yes]")
            times["first paint"].append(page.evaluate(PAINT))
            times["all drawn"].append(page.evaluate("performance.now()"))
            for number in (3, 77, 155, 290):
                times["click"].append(page.evaluate(CLICK, number))
        browser.close()
    return times


def run() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        make_case(Path(folder) / "case")
        arguments = ["desk", "--no-browser", "--port", "0", "--folder", folder]
        command = [sys.executable, "-c", RUN, *arguments]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            address = process.stdout.readline().split()[-1]
            try:
                for name, values in measure(address).items():
                    middle, worst = statistics.median(values), max(values)
                    print(f"{name}: median {middle:.0f} ms, worst {worst:.0f} ms, n={len(values)}")
            finally:
                process.kill()


if __name__ == "__main__":
    run()
