"""The page in a real browser (Debian's Chromium), driven as a person would; axe-core looks too."""

import io
import json
import os
import shutil
import time
from collections.abc import Iterator
from dataclasses import replace
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from fiberward.inference.keep.lab_sheets import Stated, make_sheet, sheet_csv
from fiberward.inference.keep.records import Records
from fiberward.inference.pipeline import Inspector, Result
from fiberward.inference.request import Request
from fiberward.inference.see.connector_file import ConnectorFacts
from fiberward.inference.settings import Settings
from fiberward.inference.show.desk import extras
from fiberward.inference.show.desk.extras import write_extras
from fiberward.inference.show.desk.job import Job, Shot, write_job
from fiberward.inference.show.desk.labels import checked_stroke, paint
from fiberward.inference.show.outputs import write_outputs
from fiberward.model.kinds import KINDS, Kind
from fiberward.training.labels.folder import read_shop_data
from fiberward.training.labels.label import Findings

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="there is no chromium here")

ROOT = Path(__file__).resolve().parents[4]
DEMO = ROOT / "inference" / "show" / "demo"
AXE = ROOT / "tests" / "data" / "axe-core" / "axe.min.js"
SIDE_PX = 400  # of what is sent at once, in a test of pictures that are larger
WAIT_MS = 40_000  # only where something is amiss; processors may be shared


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as starter:
        sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
        chromium = starter.chromium.launch(executable_path=CHROMIUM, args=sandbox)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def session(browser, start_desk, tmp_path_factory) -> Any:
    """A desk and its browser's cookies; whatever the page asks for is written down."""
    desk = start_desk(tmp_path_factory.mktemp("desk"))
    context = browser.new_context()
    page = context.new_page()
    page.goto(desk.address)
    state = context.storage_state()
    context.close()
    return desk, state


@pytest.fixture
def page(request, browser, session) -> Iterator[Any]:
    """A page at 1280 x 720; the test fails if a script does, or asks another host for anything."""
    desk, state = session
    scheme = getattr(request, "param", "light")
    context = browser.new_context(
        storage_state=state,
        viewport={"width": 1280, "height": 720},
        base_url=f"http://127.0.0.1:{desk.port}",
        color_scheme=scheme,
    )
    context.set_default_timeout(WAIT_MS)
    opened = context.new_page()
    wrong: list[str] = []
    own = f"http://127.0.0.1:{desk.port}/"
    opened.on("pageerror", lambda error: wrong.append(str(error)))
    # a refused picture is an error to the browser's console, and meant
    refused = "status of 422"
    opened.on(
        "console",
        lambda line: (
            wrong.append(line.text) if line.type == "error" and refused not in line.text else None
        ),
    )
    opened.on(
        "request",
        lambda asked: None if asked.url.startswith((own, "blob:")) else wrong.append(asked.url),
    )
    yield opened
    context.close()
    assert wrong == []


@pytest.fixture(scope="module")
def made(session) -> dict[str, Any]:
    """Keeps what is made once for the module."""
    return {}


@pytest.fixture
def case(session, made, drawing, spot, reads_drawings) -> str:
    """The label of a drawn connector's inspection: a grain, a film and a speck on its endface."""
    desk, _ = session
    if "inspection" not in made:
        spots = (
            spot(600, 30, 60),
            spot(500, 200, 120, Kind.FILM),
            spot(300, 110, 40, Kind.RESIDUE),
        )
        folder = desk.folder / "drawn"
        result = inspected(drawing.four(spots), folder, reads_drawings, "drawn plug", "mated")
        made["inspection"] = result.inspection
        front = result.maps[1]
        made["front_um"] = front.um_per_px * len(front.rgb) / 2
        made["sightings"] = json.loads((folder / ".desk" / "page.json").read_bytes())["sightings"]
    return "drawn plug"


def inspected(
    paths: list[Path], folder: Path, segmenter: Any, label: str | None, stage: str
) -> Result:
    """Inspect drawn pictures into a folder of the desk, as its worker does."""
    inspector = Inspector(segmenter, Settings(map_px=400))
    facts = ConnectorFacts(label=label, ferrule_mm=2.5, stage=stage)
    result = inspector.inspect(Request(tuple(paths), (0, 0, 120, 240), facts))
    folder.mkdir()
    write_extras(result, folder)
    write_outputs(result, folder, paths)
    return result


def open_case(page) -> None:
    page.goto("/")
    page.click("a:text-is('drawn plug')")
    page.wait_for_selector("body[data-ready=yes]")


def drawn(page) -> None:
    """Wait until what was changed has been drawn."""
    page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")


def stated(page, words: str) -> None:
    """Wait until the desk has taken in what was typed."""
    page.wait_for_selector(f"#command:has-text('{words}')", state="attached")


def violations(page) -> list[str]:
    """What axe-core finds; injected by the driver, the page's own policy would refuse it."""
    page.evaluate(AXE.read_text())
    found = page.evaluate("axe.run()")["violations"]
    return [
        f"{each['id']}: {each['help']}: {node['html'][:200]}"
        for each in found
        for node in each["nodes"]
    ]


def pixels(page, selector: str) -> np.ndarray:
    """What an element shows, uint8 [H, W, 3]."""
    shot = page.locator(selector).screenshot()
    return np.asarray(Image.open(io.BytesIO(shot)).convert("RGB"))


def order(page) -> list[int]:
    return [int(word) for word in page.locator("#deposits tbody .pick").all_inner_texts()]


# -- the whole job -------------------------------------------------------------------------------


@pytest.fixture
def halved(tmp_path) -> list[Path]:
    """The demonstration's pictures at half their size, which the net looks at in seconds."""
    paths: list[Path] = []
    for path in sorted(DEMO.glob("*.jpg")):
        with Image.open(path) as picture:
            picture.reduce(2).save(tmp_path / path.name, quality=95)
        paths.append(tmp_path / path.name)
    return paths


def test_four_pictures_in_and_a_verdict_out(page, session, halved):
    desk, _ = session
    page.goto("/")
    page.set_input_files("#files", halved)
    page.wait_for_url("**/c/*")
    assert page.locator(".shots li").count() == 4
    page.fill("[name=label]", "rack 7, port 12")
    page.select_option("[name=ferrule_mm]", "2.5")
    page.select_option("[name=finish]", "pc")
    page.click("#usual")
    stated(page, "240")
    key = page.url.rpartition("/")[2]
    # as if it took its time, so that the page under the checker does not become the result
    running = {"state": "running", "step": "looking", "done": 1, "of": 4, "spent_s": 2, "left_s": 5}
    page.route("**/progress", lambda route: route.fulfill(json=running))
    page.click("#start")
    page.wait_for_selector("#left:has-text('1 of 4 pictures')")
    assert violations(page) == []
    page.unroute("**/progress")
    page.wait_for_selector("#map", timeout=120_000)
    word = page.locator(".verdict .word").inner_text()
    assert word in ("Mate", "Clean first", "Reshoot", "Retire")
    page.wait_for_selector("body[data-ready=yes]")
    assert page.locator("figure.view").count() == 4
    assert page.locator(".judged li").count() > 0
    # the facts reached the pipeline by the file that the command line reads too
    [folder] = [each for each in desk.folder.iterdir() if (each / "desk.json").exists()]
    assert 'finish = "pc"' in (folder / "pictures" / "connector.toml").read_text()
    found = json.loads((folder / "inspection.json").read_bytes())
    assert (found["connector"]["finish"], found["connector"]["label"]) == ("pc", "rack 7, port 12")
    assert [view["stated_turn_deg"] for view in found["views"]] == [0, 0, 120, 240]
    page.click("#again")
    page.wait_for_selector("#stated")
    assert page.url.rpartition("/")[2] != key
    assert page.input_value("[name=label]") == "rack 7, port 12"
    assert page.input_value("[name=stage]") == "cleaned"


def test_what_is_no_picture_is_named_and_the_others_are_taken(page, tmp_path):
    bad, good = tmp_path / "bad.png", tmp_path / "good.png"
    bad.write_bytes(b"not a picture")
    Image.new("RGB", (40, 30)).save(good)
    page.goto("/")
    page.set_input_files("#files", [bad, good])
    page.wait_for_selector("#trouble:not([hidden])")
    told = page.locator("#trouble").inner_text()
    assert "bad.png: is no picture" in told
    page.click("#trouble a")
    page.wait_for_url("**/c/*")
    assert page.locator(".shots li").count() == 1


def test_an_inspection_can_be_cancelled_by_keys_alone(page, tmp_path):
    pictures = [tmp_path / path.name for path in sorted(DEMO.glob("*.jpg"))]
    for path in pictures:  # large, so that it is not done before the keys have come to Cancel
        with Image.open(DEMO / path.name) as picture:
            picture.resize((2 * picture.width, 2 * picture.height)).save(path, quality=90)
    page.on("filechooser", lambda chooser: chooser.set_files(pictures))
    page.goto("/")
    page.keyboard.press("Tab")
    seen = []
    while page.evaluate("document.activeElement.id") != "files":
        seen.append(page.evaluate("document.activeElement.className"))
        assert len(seen) < 12, seen
        page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    page.wait_for_selector("#stated")
    reach(page, "[name=label]")
    page.keyboard.type("by keys")
    page.keyboard.press("Enter")
    page.wait_for_selector("#stop:enabled")
    reach(page, "#stop")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Cancelled. Pictures and facts are still here.")
    assert page.input_value("[name=label]") == "by keys"


def reach(page, selector: str) -> None:
    """Tab until an element has the focus, which must be visible there."""
    for _ in range(60):
        if page.evaluate("(s) => document.activeElement.matches(s)", selector):
            shown = "getComputedStyle(document.activeElement).outlineStyle"
            assert page.evaluate(shown) != "none"
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"{selector} cannot be reached by Tab")


# -- the result ----------------------------------------------------------------------------------


def test_a_deposit_chosen_is_in_the_middle_of_every_picture_that_shows_it(page, case, made):
    open_case(page)
    [film] = [d for d in made["inspection"].deposits if d.kind == "film"]
    page.click(f"#deposits [data-deposit='{film.id}']")
    page.wait_for_selector(f"#chosen h2:has-text('Deposit {film.id}: film')")
    drawn(page)
    shown = {row["view"] for row in made["sightings"][str(film.id)]}
    assert len(shown) >= 2
    for index in range(4):
        figure = f"figure.view[data-index='{index}']"
        without = "without" in page.locator(figure).get_attribute("class")
        assert without == (index not in shown)
        if index in shown:
            image = pixels(page, f"{figure} canvas")
            height, width, _ = image.shape
            centre = image[height // 2 - 2 : height // 2 + 3, width // 2 - 2 : width // 2 + 3]
            # drawn with green 0 and tinted half with the kind's own green
            tint = int(KINDS[Kind.FILM].color[3:5], 16)
            assert abs(int(np.median(centre[..., 1])) - tint / 2) < 12
    assert f"Deposit {film.id}" in page.locator("#said").inner_text()


def test_a_picture_too_large_to_be_sent_whole_is_seen_in_its_own_pixels(
    page, session, drawing, spot, reads_drawings, monkeypatch
):
    desk, _ = session
    monkeypatch.setattr(extras, "MOST_SIDE_PX", SIDE_PX)
    monkeypatch.setattr(extras, "TILE_PX", 128)
    paths = drawing.four((spot(600, 30, 60),))
    inspected(paths, desk.folder / "large", reads_drawings, "large pictures", "mated")
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto("/")
    page.click("a:text-is('large pictures')")
    page.wait_for_selector("body[data-ready=yes]")
    assert not any("/tile-" in url for url in asked)
    page.hover("figure.view[data-index='0'] canvas")
    with page.expect_response("**/tile-0-*") as answered:
        for _ in range(12):
            page.mouse.wheel(0, -400)
    assert answered.value.ok
    key = page.url.rpartition("/")[2]
    original = np.asarray(Image.open(paths[0]))
    row = page.request.get(f"/c/{key}/data").json()["views"][0]["tiles"]
    whole = np.zeros_like(original)
    for k in range(row["rows"]):
        for j in range(row["columns"]):
            data = page.request.get(f"/c/{key}/file/tile-0-{j}-{k}.jpg").body()
            tile = np.asarray(Image.open(io.BytesIO(data)))
            y, x = k * row["side"], j * row["side"]
            whole[y : y + tile.shape[0], x : x + tile.shape[1]] = tile
    away = np.abs(whole.astype(int) - original)
    assert np.median(away) <= 2  # what JPEG leaves out
    assert page.request.get(f"/c/{key}/file/tile-0-{row['columns']}-0.jpg").status == 404


def test_a_click_on_the_map_chooses_what_lies_there(page, case, made):
    open_case(page)
    page.click("#map-front")
    drawn(page)
    grain = next(d for d in made["inspection"].deposits if d.kind == "particle")
    box = page.locator("#map").bounding_box()
    # radius is travel distance, angle is theta, counter-clockwise; the front ends a little beyond
    # the chamfer's end
    scale = min(box["width"], box["height"]) / 2 / made["front_um"]
    angle = np.radians(grain.theta_deg)
    x = box["x"] + box["width"] / 2 + grain.s_um * scale * np.cos(angle)
    y = box["y"] + box["height"] / 2 - grain.s_um * scale * np.sin(angle)
    page.mouse.click(x, y)
    page.wait_for_selector("#deposits tr.chosen")
    assert page.locator("tr.chosen").get_attribute("data-id") == str(grain.id)


def test_the_list_sorts_and_switched_off_kinds_leave_it(page, case, made):
    open_case(page)
    deposits = made["inspection"].deposits
    size = {d.id: d.length_um or d.size_um for d in deposits}
    page.select_option("#sort", "size")
    assert order(page) == sorted(size, key=size.get, reverse=True)
    way = {d.id: d.s_um for d in deposits}
    page.select_option("#sort", "distance")
    assert order(page) == sorted(way, key=way.get)
    page.click(".menu summary")
    page.uncheck("input.kind[value=film]")
    left = [d.id for d in deposits if d.kind != "film"]
    visible = page.locator("#deposits tbody tr:visible .pick").all_inner_texts()
    assert {int(word) for word in visible} == set(left)
    assert "switched off" in page.locator("#list-head").inner_text()


def test_a_long_list_is_a_whole_table_to_a_reader_and_shows_the_row_that_is_chosen(
    page, session, case, made
):
    desk, _ = session
    found = made["inspection"]
    rows = tuple(replace(found.deposits[0], id=k, s_um=100.0 + k) for k in range(1, 61))
    folder = desk.folder / "many"
    folder.mkdir()
    facts = {**found.connector, "label": "many"}
    replace(found, deposits=rows, reasons=(), verdict="mate", connector=facts).write(
        folder / "inspection.json"
    )
    page.goto("/")
    page.click("a:text-is('many')")
    page.wait_for_selector("body[data-ready=yes]")
    assert page.locator("#deposits").get_by_role("row").count() == 61
    assert page.locator("#deposits").get_by_role("cell").count() == 60 * 7
    page.keyboard.press("p")  # the last one
    assert page.locator("tr.chosen").get_attribute("data-rank") == "60"
    for _ in range(20):  # rows that come into sight may be higher than thought
        drawn(page)
        head, scroll, row = (
            page.locator(each).bounding_box()
            for each in ("#deposits thead", ".scroll", "tr.chosen")
        )
        under = row["y"] >= head["y"] + head["height"]
        over = row["y"] + row["height"] <= scroll["y"] + scroll["height"] + 1
        if under and over:
            break
    assert (under, over) == (True, True)
    assert violations(page) == []
    shutil.rmtree(folder)


def test_keys_alone_choose_deposits_and_leave_them(page, case):
    open_case(page)
    reach(page, "#deposits .pick")
    page.keyboard.press("Enter")
    page.wait_for_selector("#chosen:not([hidden])")
    first = page.locator("tr.chosen").get_attribute("data-id")
    page.keyboard.press("n")
    second = page.locator("tr.chosen").get_attribute("data-id")
    assert second != first
    assert page.evaluate("document.activeElement.textContent") == second
    page.keyboard.press("p")
    assert page.locator("tr.chosen").get_attribute("data-id") == first
    page.keyboard.press("Escape")
    assert page.locator("tr.chosen").count() == 0
    page.keyboard.press("2")
    assert page.locator("figure.large").get_attribute("data-index") == "1"


def test_single_letters_can_be_switched_off(page, case):
    # WCAG 2.2, 2.1.4
    page.goto("/help")
    page.uncheck("#keys")
    open_case(page)
    page.keyboard.press("n")
    assert page.locator("tr.chosen").count() == 0


def test_what_a_zone_grade_looks_at_leaves_only_the_small_disc(page, case):
    open_case(page)
    page.click("#map-front")
    drawn(page)
    before = pixels(page, "#map").astype(int)
    page.check("#zone")
    drawn(page)
    after = pixels(page, "#map").astype(int)
    changed = np.abs(after - before).sum(axis=2) > 30
    height, width = changed.shape
    middle = changed[height // 2 - 4 : height // 2 + 5, width // 2 - 4 : width // 2 + 5]
    assert not middle.any()
    assert changed.mean() > 0.3


def test_the_report_opens_and_can_run_nothing(page, case):
    open_case(page)
    with page.expect_popup() as opening:
        page.click("a:text-is('Report')")
    report = opening.value
    report.wait_for_load_state()
    assert "Fiberward inspection" in report.title()
    answer = report.reload()
    assert "sandbox" in answer.headers["content-security-policy"]


def test_the_desk_fits_a_small_screen_and_a_phone_s_width(page, case):
    open_case(page)
    wide = "document.documentElement.scrollWidth <= innerWidth"
    tall = "document.documentElement.scrollHeight <= innerHeight"
    assert page.evaluate(wide)
    assert page.evaluate(tall)
    page.set_viewport_size({"width": 320, "height": 640})  # 1280 px at 400 % (WCAG 2.2, 1.4.10)
    drawn(page)
    assert page.evaluate(wide)


def test_every_picture_can_be_enlarged_with_the_pointer_on_a_small_screen(page, case):
    open_case(page)
    for figure in page.locator("figure.view").all():
        button = figure.locator(".enlarge")
        inside, around = button.bounding_box(), figure.bounding_box()
        assert inside["x"] + inside["width"] <= around["x"] + around["width"]
        button.click()
        assert "large" in figure.get_attribute("class").split()
        button.click()


def test_a_deposit_that_cannot_be_explained_does_not_keep_another_s_words(page, case):
    open_case(page)
    first, second, *_ = order(page)
    page.click(f"#deposits [data-deposit='{first}']")
    page.wait_for_selector(f"#chosen h2:has-text('Deposit {first}')")
    page.route("**/deposit/*", lambda route: route.fulfill(status=422, json={"problem": "torn"}))
    page.click(f"#deposits [data-deposit='{second}']")
    page.wait_for_selector("#trouble:not([hidden])")
    assert page.locator("#trouble").inner_text() == "torn"
    assert page.locator("#chosen").inner_text() == ""
    assert not page.locator("#chosen").is_visible()


def test_a_result_tells_what_went_wrong_after_it_and_which_pictures_can_be_labelled(
    page, session, case
):
    desk, _ = session
    folder = desk.folder / "drawn"
    told = folder / ".desk" / "page.json"
    kept = told.read_bytes()
    rows = json.loads(kept)
    rows["views"][0]["index"] = None  # the net has not looked at this one
    told.write_text(json.dumps(rows))
    write_job(folder, Job("2026-01-02T03:04:05Z", state="failed", problem="records.db: locked"))
    try:
        open_case(page)
        assert "records.db: locked" in page.locator(".judged > .note").first.inner_text()
        page.click("a:text-is('Correct the net')")
        page.wait_for_selector("body[data-ready=yes]")
        assert page.url.endswith("/label/1")
        assert page.locator(".row a.button").all_inner_texts() == ["3", "4", "All by doubt"]
        for link in page.locator(".row a.button").all():
            assert page.request.get(link.get_attribute("href")).ok
    finally:
        told.write_bytes(kept)
        (folder / "desk.json").unlink()


def test_pictures_that_show_no_connector_are_not_said_to_show_no_deposits(
    page, session, reads_drawings, tmp_path
):
    desk, _ = session
    grey = tmp_path / "grey.png"
    Image.new("RGB", (320, 240), "gray").save(grey)
    inspector = Inspector(reads_drawings, Settings(map_px=200))
    result = inspector.inspect(Request((grey,), (0,), ConnectorFacts(label="a grey card")))
    assert result.inspection.coverage_size_um is None
    folder = desk.folder / "grey"
    folder.mkdir()
    write_outputs(result, folder, [grey])
    page.goto("/")
    row = page.locator("tr:has-text('a grey card')")
    assert row.locator("td.number").all_inner_texts() == ["–", "–"]
    page.click("a:text-is('a grey card')")
    page.wait_for_selector("body[data-ready=yes]")
    assert "Nothing can be said of deposits" in page.locator(".listed").inner_text()
    drawn(page)
    # the words stand where else the ground is bare
    image = pixels(page, "#map")
    assert (np.ptp(image[-34:-10].astype(int), axis=(0, 1)) > 100).all()


def test_a_connector_of_the_command_line_is_inspected_again_under_its_label(page, case):
    open_case(page)
    page.click("#again")
    page.wait_for_selector("#stated")
    assert page.input_value("[name=label]") == "drawn plug"
    assert page.input_value("[name=ferrule_mm]") == "2.5"
    assert page.input_value("[name=stage]") == "cleaned"


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_before_and_after_tells_what_stayed_moved_went_and_came(
    page, session, made, drawing, spot, reads_drawings, tmp_path
):
    desk, _ = session
    marks = (spot(600, 30, 60), spot(330, 110, 40, Kind.RESIDUE), spot(250, 330, 30))
    before = (*marks, spot(650, 300, 90, Kind.FILM), spot(500, 200, 160))
    after = (*marks, spot(320, 215, 160), spot(560, 150, 55, Kind.LIQUID))
    if "pair" not in made:
        made["pair"] = True
        inspected(drawing.four(before), desk.folder / "b", reads_drawings, "pair", "as-received")
        other = type(drawing)(tmp_path / "after")
        time.sleep(1)  # times are kept to a second
        inspected(other.four(after), desk.folder / "a", reads_drawings, "pair", "cleaned")
    page.goto("/")
    page.click("a:text-is('pair') >> nth=0")
    page.click("a:text-is('Compare')")
    page.wait_for_selector("body[data-ready=yes]")
    told = page.locator("#pairs tbody tr").all_inner_texts()
    fates = sorted((row.split()[0], row.split()[1]) for row in told)
    # as drawn above
    assert fates == sorted(
        [("stayed", "particle"), ("stayed", "residue"), ("stayed", "particle")]
        + [("moved", "particle"), ("gone", "film"), ("new", "liquid")]
    )
    page.click("#pairs .pick:text-is('moved')")
    fiberward = page.locator("tr.chosen td").last.inner_text()
    assert float(fiberward) == pytest.approx(500 - 320, abs=15)
    seen = pixels(page, "#map").astype(int)
    page.locator("#fade").fill("0")
    drawn(page)
    assert np.abs(pixels(page, "#map").astype(int) - seen).sum(axis=2).max() > 60
    assert violations(page) == []


def test_records_are_found_shown_with_their_history_and_studied(page, session, case, made):
    desk, _ = session
    first = made["inspection"]
    second = replace(first, created_at="2027-01-02T03:04:05Z", deposits=(), verdict="reshoot")
    with Records.open(str(desk.db)) as records:
        uids = [records.add(each) for each in (first, second)]
        records.overrule(uids[1], "mate", "Ann", "a <b>shadow</b>")
    page.goto("/records")
    page.fill("[name=label]", "drawn plug")
    page.select_option("[name=verdict]", "mate")
    with page.expect_navigation():
        page.click("button:text-is('Show')")
    assert page.locator("tbody tr").count() == 1
    assert "1 inspection." in page.locator("main").inner_text()
    assert "by Ann" in page.locator("tbody tr").inner_text()
    assert violations(page) == []
    page.click("tbody a")
    assert "Overruled to Mate by Ann" in page.locator(".note").inner_text()
    assert "a <b>shadow</b>" in page.locator(".note").inner_text()
    assert page.locator(".history .all").count() == 2
    assert violations(page) == []
    with page.expect_popup() as opened:
        page.click("a:text-is('Report to sign')")
    assert "Connector drawn plug" in opened.value.locator("h1").inner_text()
    opened.value.close()
    with page.expect_popup() as opened:
        page.click("a:text-is('and since')")
    assert opened.value.locator("h1").inner_text() == "Connector drawn plug, before and after"
    opened.value.close()
    pdf = page.request.get(f"/records/{uids[1][:12]}/report?as=pdf")
    assert (pdf.headers["content-type"], pdf.body()[:5]) == ("application/pdf", b"%PDF-")
    assert page.request.get("/records/lot?lot=none").status == 422
    page.click("section:has(.history) tbody a")
    assert page.locator(".verdict .word").inner_text() == "Clean first"
    page.goto("/records?label=' OR 1=1 --")
    assert "No record is like that" in page.locator("main").inner_text()
    answer = page.goto("/records/study?label=drawn plug")
    assert (answer.status, page.title().startswith("Study")) == (200, True)


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_a_lab_sheet_is_planned_on_the_page_as_on_the_command_line(page):
    page.goto("/records")
    page.click("a:text-is('a lab sheet')")
    assert violations(page) == []
    page.fill("[name=methods]", "dry, wet-dry")
    page.fill("[name=connectors]", "3")
    with page.expect_popup() as opened:
        page.click("button:text-is('Sheet to print')")
    made = opened.value
    assert made.locator("h1").inner_text().startswith("Lab sheet: Which of dry, wet-dry")
    asked = "/sheet/made?experiment=methods&methods=dry,wet-dry&connectors=3"
    stated = Stated(connectors=3, methods=("dry", "wet-dry"))
    text = sheet_csv(make_sheet("methods", stated))
    assert page.request.get(f"{asked}&as=csv").text() == text
    assert page.request.get(f"{asked}&as=pdf").body()[:5] == b"%PDF-"
    # nothing of the form can make the server busy for long, and what is missing is told
    for bad in ("&connectors=1000", "&connectors=-1", "&connectors=" + 9 * "9", "&methods=dry"):
        query = asked.replace("&connectors=3", "").replace("&methods=dry,wet-dry", "")
        full = f"{query}&methods={','.join(map(str, range(20)))}" if "conn" in bad else query
        assert page.request.get(full + bad).status == 422


def test_what_is_painted_is_kept_through_a_kill_and_becomes_files_for_retraining(
    browser, start_desk, drawing, spot, reads_drawings, tmp_path, monkeypatch
):
    # painted in a picture's own pixels, also where it is sent smaller, and closely in tiles
    monkeypatch.setattr(extras, "MOST_SIDE_PX", SIDE_PX)
    monkeypatch.setattr(extras, "TILE_PX", 128)
    folder = tmp_path / "desk" / "case"
    (tmp_path / "desk").mkdir()
    paths = drawing.four((spot(600, 30, 60), spot(500, 200, 120, Kind.FILM)))
    inspected(paths, folder, reads_drawings, "plug 5", "mated")
    shots = tuple(Shot(path.name) for path in paths)
    write_job(folder, Job("2026-01-02T03:04:05Z", shots, label="plug 5", state="done"))
    shutil.copytree(drawing.folder, folder / "pictures")
    desk = start_desk(tmp_path / "desk")
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.set_default_timeout(WAIT_MS)
    page.goto(desk.address)
    page.click("a:text-is('Labels')")
    assert f"--db={desk.db}" in page.locator("details pre").text_content()
    with page.expect_response("**/tile-*") as answered:
        page.click("tbody a:text-is('front.png')")
    assert answered.value.ok
    page.wait_for_selector("body[data-ready=yes]")
    assert violations(page) == []
    box = page.locator("#sheet").bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y, steps=5)
    page.mouse.up()
    kept(page, "1 strokes hold, all kept")
    desk.kill()
    page.click("#accept-all")
    kept(page, "1 still to be kept")
    second = start_desk(tmp_path / "desk", desk.port)
    kept(page, "2 strokes hold, all kept")
    page.reload()
    kept(page, "2 strokes hold, all kept")
    page.click("#undo")
    kept(page, "1 strokes hold, all kept")
    page.click("[data-tool=flood]")
    page.focus("#sheet")
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("Enter")
    kept(page, "2 strokes hold, all kept")
    page.check("input[name=plane][value=surfaces]")
    page.click("#accept-all")
    kept(page, "3 strokes hold, all kept")
    page.click("a:text-is('All by doubt')")
    page.wait_for_url("**/label")
    page.wait_for_load_state()  # a click before its script has run does nothing
    page.click("#export")
    page.wait_for_selector("#exported:has-text('masks: 1')")
    if "retrain" in {point.name for point in entry_points(group="fiberward.commands")}:
        page.click("#check")
        page.wait_for_selector("#retrain-state:has-text('Check: done')", timeout=120_000)
        said = page.locator("#retrain-lines").inner_text()
        assert said.startswith("$ fiberward retrain --check")
        assert "nothing to mend" in said
    page.close()
    second.kill()
    findings = Findings()
    [view] = read_shop_data(tmp_path / "desk" / "labels", findings).views
    coco = json.loads((tmp_path / "desk" / "labels-coco.json").read_bytes())
    assert [row["file_name"] for row in coco["images"]] == [view.name]
    assert view.connector == "plug 5"
    deposits, surfaces = view.label.kind, view.label.surface
    assert (surfaces != 255).all()
    # the net's two deposits were in the undone stroke; the flooded patch is all that was clean
    net = np.asarray(Image.open(folder / "front.deposits.png"))
    assert ((deposits == 255) == (net > 0)).all()
    assert set(np.unique(deposits[net == 0])) == {1}


def kept(page, words: str) -> None:
    page.wait_for_selector(f"#kept:has-text('{words}')")


def test_page_and_files_paint_the_same_pixels(page):
    rng = np.random.default_rng(3)
    height, width = 90, 130
    net = rng.integers(0, 3, (height // 10, width // 10)).repeat(10, 0).repeat(10, 1)
    net = net.astype(np.uint8)
    strokes = []
    for number in range(60):
        tool = ("brush", "polygon", "flood", "accept", "undo")[number % 5]
        points = rng.uniform(-9, 135, (int(rng.integers(1, 7)), 2)).round(2).tolist()
        value = int(rng.choice([0, 1, 4, 255]))
        each = {"tool": tool, "plane": "deposits", "value": value, "points": points}
        strokes.append(checked_stroke({**each, "radius": rng.uniform(0.3, 9)}, (height, width)))
    page.goto("/help")
    painted = page.evaluate(
        """async ([strokes, width, height, net]) => {
          const place = document.querySelector("link[rel=icon]").href;
          const { Mask, undone } = await import(new URL("paint.js", place));
          const mask = new Mask(width, height, Uint8Array.from(net));
          for (const stroke of undone(strokes)) mask.paint(stroke);
          return [...mask.data];
        }""",
        [strokes, width, height, net.ravel().tolist()],
    )
    mask = paint(strokes, "deposits", net)
    assert len(np.unique(mask)) > 3
    assert painted == mask.ravel().tolist()


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_axe_finds_nothing_on_any_page(page, case, session):
    found = {}
    page.goto("/")
    found["connectors"] = violations(page)
    page.goto("/help")
    found["help"] = violations(page)
    page.goto("/")
    page.set_input_files("#files", sorted(DEMO.glob("side-*.jpg")))
    page.wait_for_selector("#stated")
    page.click("text=More facts")
    page.click("text=The same on the command line")
    found["pictures and facts"] = violations(page)
    open_case(page)
    page.click("#deposits .pick >> nth=0")
    page.wait_for_selector("#chosen h2")
    page.click(".menu summary")
    for details in page.locator(".judged summary").all():
        details.click()
    found["result"] = violations(page)
    assert found == dict.fromkeys(found, [])


def test_the_page_goes_on_after_its_server_was_killed(browser, start_desk, tmp_path):
    desk = start_desk(tmp_path / "desk")
    page = browser.new_page()
    page.set_default_timeout(WAIT_MS)
    page.goto(desk.address)
    page.set_input_files("#files", [DEMO / "front.jpg"])
    page.wait_for_selector("#stated")
    page.fill("[name=label]", "rack 9")
    stated(page, "rack 9")
    desk.kill()
    page.fill("[name=operator]", "Ann")
    page.wait_for_selector("#trouble:has-text('The desk does not answer')")
    start_desk(tmp_path / "desk", desk.port)
    page.fill("[name=operator]", "Ann B")
    stated(page, "Ann B")
    page.reload()
    assert page.input_value("[name=label]") == "rack 9"
    assert page.input_value("[name=operator]") == "Ann B"
    page.close()


# -- the camera and exercises --------------------------------------------------------------------


def wait_for_picture(page: Any, selector: str) -> None:
    """Wait until an image has pixels.

    Asked again from here: a question that the browser repeats by itself is an `eval`, which the
    page's content policy refuses from the second time on.
    """
    for _ in range(3 * WAIT_MS // 100):
        if page.locator(selector).evaluate("image => image.naturalWidth") > 0:
            return
        page.wait_for_timeout(100)
    pytest.fail(f"{selector} never showed a picture")


def test_a_connector_is_pictured_with_the_camera_by_keys_alone(
    browser, start_desk, tmp_path, halved
):
    (tmp_path / "frames").mkdir()
    shutil.copy(halved[0], tmp_path / "frames")
    desk = start_desk(tmp_path / "desk", 0, "", "--camera", str(tmp_path / "frames"))
    page = browser.new_page(viewport={"width": 1280, "height": 720})
    page.set_default_timeout(3 * WAIT_MS)  # the net looks at every frame
    page.goto(desk.address)
    reach(page, "#camera")
    page.keyboard.press("Enter")
    page.wait_for_selector("#take:enabled")
    page.wait_for_selector("#finest:has-text('um')")
    wait_for_picture(page, "#live")
    assert "smallest deposit this picture can show" in page.locator("#finest-words").inner_text()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        assert violations(page) == []
    reach(page, "#take")
    page.keyboard.press("Enter")
    page.wait_for_selector(".taken li")
    assert "Picture 2 of 4" in page.locator(".judged").inner_text()
    page.wait_for_selector("#take:enabled")
    reach(page, "#go-on")
    page.keyboard.press("Enter")
    page.wait_for_selector("#stated")
    assert page.input_value("input.turn") == "0"
    page.close()


@pytest.mark.parametrize("page", ["light", "dark"], indirect=True)
def test_an_exercise_tells_what_was_missed_when_the_learner_has_spoken(
    page, session, drawing, spot, reads_drawings
):
    desk, _ = session
    folder = desk.folder / "exercise"
    if folder.exists():
        shutil.rmtree(folder)
    paths = drawing.four((spot(600, 30, 90), spot(500, 200, 120, Kind.FILM)))
    inspected(paths, folder, reads_drawings, None, "mated")
    for index, path in enumerate(paths):
        # a drawing's colours hold its truth: green 0 and blue 40 times the kind where there is dirt
        rgb = np.asarray(Image.open(path))
        kinds = np.where(rgb[..., 1] == 0, rgb[..., 2] // 40, 0).astype(np.uint8)
        for part, mask in (("deposits", kinds), ("instances", kinds.astype(np.uint16))):
            Image.fromarray(mask).save(folder / ".desk" / f"truth-{index}.{part}.png")
    shots = tuple(Shot(path.name) for path in paths)
    write_job(folder, Job("2026-01-02T03:04:05Z", shots, state="done", exercise=True))
    page.goto("/exercises")
    assert violations(page) == []
    page.click("tbody a")
    page.wait_for_selector("body[data-ready=yes]")
    assert violations(page) == []
    kinds = np.asarray(Image.open(folder / ".desk" / "truth-0.deposits.png"))
    rows, columns = np.nonzero(kinds == Kind.PARTICLE)
    box = page.locator("#sheet").bounding_box()
    scale = min(box["width"] / kinds.shape[1], box["height"] / kinds.shape[0])
    x = box["x"] + box["width"] / 2 + (columns.mean() - kinds.shape[1] / 2) * scale
    y = box["y"] + box["height"] / 2 + (rows.mean() - kinds.shape[0] / 2) * scale
    page.mouse.click(x, y)
    page.wait_for_selector("#count:has-text('picture 1: 1')")
    page.click("#done")
    page.wait_for_selector("#told:not([hidden])")
    assert page.locator("#score").inner_text().startswith("1 of ")
    assert page.locator("#missed").inner_text() == "film"
    assert violations(page) == []
    page.click("#missed button")
    page.click("[data-view='1']")
    page.wait_for_selector("#which:has-text('Picture 2')")
    assert page.locator("#missed li").count() == 2
