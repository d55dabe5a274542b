"""The report: one file that needs nothing else, says what it must, and shows names as text."""

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from fiberward.inference.keep.cautions import CAUTIONS
from fiberward.inference.keep.inspection import (
    VERDICTS,
    DepositRecord,
    Inspection,
    InZoneRecord,
    ModelRecord,
    ReasonRecord,
    ViewRecord,
)
from fiberward.inference.show.report import report_page
from fiberward.inference.show.words import VERDICT_WORDS

DEPOSIT = DepositRecord(
    id=7,
    kind="lint",
    confidence=0.93,
    surface="chamfer",
    s_um=512.0,
    theta_deg=359.9,
    s_min_um=500.0,
    s_max_um=524.0,
    size_um=24.0,
    area_um2=452.4,
    feret_max_um=126.0,
    width_um=None,
    length_um=131.0,
    enclosing_um=26.5,
    in_zone_area_um2=0.0,
    off_zone=True,
    unsure=True,
    bridge=None,
    wedge=None,
    reach=None,
    harm=None,
    seen_in=("front.jpg",),
)
INSPECTION = Inspection(
    verdict="clean-first",
    reasons=(ReasonRecord("Deposit 7 lies on the chamfer.", "near-fiber", 7),),
    validity=None,
    in_zone=InZoneRecord("none", sentence="Graded zones: not graded."),
    views=(
        ViewRecord("front.jpg", "front", "0" * 64, True, None, width_px=4, height_px=3),
        ViewRecord("<b>left</b>.jpg", "left", None, False, "is empty"),
    ),
    coverage={"endface": 0.9, "cavity": None},
    coverage_size_um=50.0,
    gaps=("Nothing shows the cavity.",),
    deposits=(DEPOSIT,),
    advice=("Wipe the chamfer.",),
    connector={"label": "<script>alert(1)</script>", "stage": None, "ferrule_mm": 1.25},
    shape_um=None,
    model=ModelRecord("test", "0" * 64),
    settings={"rules": {"stop_um": 5.0}},
    cautions=CAUTIONS,
    notes=("Invented.",),
    code_version="0.0",
    created_at="2026-01-02T03:04:05Z",
)
PAGE = report_page(INSPECTION, b"png", {"front": b"jpeg"})


class Tags(HTMLParser):
    """Collects (tag, attributes) and the visible text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self._hidden = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self._hidden += tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag == "style"

    def handle_data(self, data: str) -> None:
        self.text += "" if self._hidden else data


def test_the_page_fetches_nothing_and_runs_nothing() -> None:
    for tag, attributes in Tags(PAGE).tags:
        assert tag not in {"script", "link", "iframe", "object", "embed"}
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href"):
            assert (attributes.get(name) or "#").startswith(("data:image/", "#"))
    assert "url(" not in PAGE
    assert "@import" not in PAGE


def test_names_from_outside_are_shown_as_text() -> None:
    assert "<script>" not in PAGE
    assert "<b>left</b>" not in PAGE
    assert "<b>left</b>.jpg" in Tags(PAGE).text


@pytest.mark.parametrize("caution", CAUTIONS)
def test_every_caution_is_on_the_page(caution: str) -> None:
    assert caution in " ".join(Tags(PAGE).text.split())


@pytest.mark.parametrize("verdict", VERDICTS)
def test_the_verdict_is_told_by_word_and_symbol(verdict: str) -> None:
    page = report_page(replace(INSPECTION, verdict=verdict), None, {})
    assert f">{VERDICT_WORDS[verdict].name}</p>" in page
    assert page.count('class="symbol"') == 1


def test_every_picture_has_words_for_those_who_cannot_see_it() -> None:
    pictures = [attributes for tag, attributes in Tags(PAGE).tags if tag == "img"]
    assert len(pictures) == 2
    assert all(len(attributes["alt"] or "") > 20 for attributes in pictures)


def test_every_table_has_scoped_headers_and_units_in_them() -> None:
    headers = [attributes for tag, attributes in Tags(PAGE).tags if tag == "th"]
    assert all(attributes.get("scope") in ("col", "row") for attributes in headers)
    assert "Size (um)" in Tags(PAGE).text
    assert "Travel distance (um)" in Tags(PAGE).text


def test_what_was_not_measured_is_a_dash_and_not_a_zero() -> None:
    row = re.search(
        r'<th scope="row" class="number"><a href="#deposit-7">7</a></th>.*?</tr>', PAGE, re.DOTALL
    )
    assert row is not None
    cells = re.findall(r'<td class="number">(.*?)</td>', row[0])
    assert cells == ["512", "0", "24", "131", "–", "–", "93 %"]


def test_the_coverage_names_the_size_that_it_refers_to() -> None:
    assert "would show a deposit of 50 um" in Tags(PAGE).text


def test_a_view_that_was_not_used_says_why() -> None:
    assert "Not used: is empty." in Tags(PAGE).text


def test_without_a_travel_map_the_page_says_so() -> None:
    assert "There is no travel map" in Tags(report_page(INSPECTION, None, {})).text


def colors(block: str) -> dict[str, str]:
    return dict(re.findall(r"--(\w+): (#[0-9a-f]{6})", block))


def luminance(color: str) -> float:
    """Relative luminance, WCAG 2.2."""
    parts = [int(color[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize("text", ["ink", "muted", "accent"])
@pytest.mark.parametrize("ground", ["paper", "card", "wash"])
def test_text_contrast_meets_wcag_2_2_aa(scheme: int, text: str, ground: str) -> None:
    """WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1."""
    palette = colors(re.findall(r":root \{(.*?)\}", PAGE)[scheme])
    a, b = sorted((luminance(palette[text]), luminance(palette[ground])), reverse=True)
    assert (a + 0.05) / (b + 0.05) >= 4.5
