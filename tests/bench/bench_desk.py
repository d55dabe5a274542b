"""How long the desk's page takes: `python tests/bench/bench_desk.py` (needs chromium, playwright).

A drawn inspection of four pictures of 5 megapixels with 300 invented deposits; medians of several
loads and clicks in a real browser, on this machine. First paint is the browser's own figure from
the click in the list of connectors on, the first time (nothing kept by the browser) and later, the
page left alone meanwhile: whoever questions it has the browser read its driver's scripts first.
From the page itself, loaded again, it takes longer, since the browser has the old one to put away.
A click ends when the frame with every picture at the deposit has been drawn.

Then a brush of 60 px on a picture of 4096 x 4096: the page's work for each place that the pointer
comes to (painting it and drawing the frame), and the time from frame to frame while it moves on
with every frame (a browser draws 60 a second at most).
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
from playwright.sync_api import Page, sync_playwright

from fiberward.inference.keep.inspection import DepositRecord, Inspection, read_inspection
from fiberward.inference.show.app import main
from fiberward.inference.show.desk.job import Job, Shot, write_job

COUNT, SIZE_WH, ROUNDS = 300, (2592, 1944), 16
REST_MS = 1000  # the page is left alone
SHEET_PX, MOVES = 4096, 90
KINDS = ("particle", "lint", "film", "residue", "liquid", "damage")
CLICK = """async (id) => {
  const begun = performance.now();
  document.querySelector(`#deposits [data-deposit='${id}']`).click();
  await new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)));
  return performance.now() - begun;
}"""
# moves the brush with every frame; milliseconds of work and from frame to frame
BRUSH = """async (moves) => {
  const sheet = document.getElementById("sheet");
  const box = sheet.getBoundingClientRect();
  const frame = () => new Promise((done) => requestAnimationFrame(done));
  const send = (name, x, y) => sheet.dispatchEvent(new PointerEvent(name, {
    pointerId: 1, button: 0, clientX: box.left + x, clientY: box.top + y, bubbles: true }));
  sheet.setPointerCapture = () => {};
  document.getElementById("radius").value = 60;
  const given = window.requestAnimationFrame.bind(window);
  let work = 0;
  window.requestAnimationFrame = (draw) => given((now) => {
    const begun = performance.now();
    draw(now);
    work += performance.now() - begun;
  });
  const found = { work: [], frames: [] };
  send("pointerdown", 100, 100);
  let last = await frame();
  for (let k = 1; k <= moves; k += 1) {
    work = 0;
    const begun = performance.now();
    send("pointermove", 100 + 4 * k, 100 + 150 * (1 + Math.sin(k / 5)));
    work += performance.now() - begun;
    const now = await frame();
    await new Promise((done) => setTimeout(done));
    found.work.push(work);
    found.frames.push(now - last);
    last = now;
  }
  send("pointerup", 0, 0);
  window.requestAnimationFrame = given;
  const begun = performance.now();
  document.getElementById("undo").click();
  found.undo = [performance.now() - begun];
  const kept = document.getElementById("kept").textContent;
  if (!kept.startsWith("0 strokes hold")) throw new Error(`expected a stroke taken back: ${kept}`);
  if (Math.min(...found.work) === 0) throw new Error("the brush painted nothing");
  return found;
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


def make_sheet(folder: Path) -> None:
    """A case with one picture of 4096 x 4096 to label."""
    rng = np.random.default_rng(2)
    side = SHEET_PX
    extras, pictures = folder / ".desk", folder / "pictures"
    extras.mkdir(parents=True)
    pictures.mkdir()
    coarse = rng.integers(0, 255, (side // 8, side // 8, 3), np.uint8)
    Image.fromarray(coarse).resize((side, side)).save(extras / "view-0.jpg", quality=90)
    (pictures / "large.jpg").write_bytes((extras / "view-0.jpg").read_bytes())
    kinds = (rng.random((side // 8, side // 8)) > 0.99).astype(np.uint8)
    for name in (
        extras / "view-0.png",
        folder / "large.deposits.png",
        folder / "large.surfaces.png",
    ):
        Image.fromarray(kinds).resize((side, side), 0).save(name)
    page = {"views": [{"file": "view-0.jpg", "index": "view-0.png"}], "maps": [], "sightings": {}}
    (extras / "page.json").write_text(json.dumps(page))
    found = read_inspection(folder.parent / "case" / "inspection.json")
    view = replace(found.views[0], picture="large.jpg", stem="large", width_px=side, height_px=side)
    replace(found, views=(view,), deposits=(), reasons=()).write(folder / "inspection.json")
    write_job(folder, Job("2026-01-02T03:04:05Z", (Shot("large.jpg"),), state="done"))


def first_paint(page: Page) -> float:
    """Milliseconds from the navigation on, asked when all is drawn."""
    page.wait_for_timeout(REST_MS)
    page.wait_for_selector("body[data-ready=yes]")
    return page.evaluate(PAINT)


def measure(address: str) -> dict[str, list[float]]:
    """Milliseconds."""
    names = ("first paint, first time", "first paint", "first paint, loaded again", "click")
    times: dict[str, list[float]] = {name: [] for name in names}
    with sync_playwright() as starter:
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        browser = starter.chromium.launch(executable_path=shutil.which("chromium"), args=sandbox)
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        page.goto(address)
        home = page.url
        for number in range(ROUNDS):
            page.goto(home)
            page.wait_for_timeout(REST_MS / 4)
            page.click(f"tr:has(td:text-is('{COUNT}')) a")
            times[names[number > 0]].append(first_paint(page))
            for chosen in (3, 77, 155, 290):
                times["click"].append(page.evaluate(CLICK, chosen))
                page.wait_for_timeout(REST_MS / 8)
            page.goto(page.url, wait_until="commit")
            times[names[2]].append(first_paint(page))
        page.goto(page.url.partition("/c/")[0] + "/label")
        page.click("tbody a:text-is('large.jpg')")
        page.wait_for_selector("body[data-ready=yes]")
        for name, values in page.evaluate(BRUSH, MOVES).items():
            times[f"brush at {SHEET_PX} px, {name}"] = values
        browser.close()
    return times


def run() -> None:
    """Measure and print."""
    with tempfile.TemporaryDirectory() as folder:
        make_case(Path(folder) / "case")
        make_sheet(Path(folder) / "sheet")
        arguments = ["desk", "--no-browser", "--port", "0", "--folder", folder]
        command = [sys.executable, "-c", RUN, *arguments]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout is not None
            address = process.stdout.readline().split()[-1]
            try:
                for name, values in measure(address).items():
                    middle, worst = statistics.median(values), max(values)
                    print(f"{name}: median {middle:.1f} ms, worst {worst:.1f} ms, n={len(values)}")
            finally:
                process.kill()


if __name__ == "__main__":
    run()
