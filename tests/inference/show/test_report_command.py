"""`fiberward report`: a connector, before and after, and a lot, as pages and as PDF/A."""

import io
import json
import re
import shutil
import sys

import pikepdf
import pytest

from fiberward.inference import pipeline
from fiberward.inference.keep.find_records import files_of, rows
from fiberward.inference.keep.records import Records
from fiberward.inference.settings import Settings
from fiberward.inference.show.app import main
from fiberward.inference.show.document import (
    Bullets,
    Document,
    Heading,
    Note,
    Signatures,
    Table,
    Text,
)
from fiberward.inference.show.pdf import document_pdf


@pytest.fixture(scope="module")
def inspected(tmp_path_factory, reads_drawings, drawing_in, spot):
    """Two connectors of lot L7: P1 dirty, then cleaned and clean; P2 dirty. Gives their folder."""
    root = tmp_path_factory.mktemp("shop")

    def inspect(label: str, name: str, spots, *options: str) -> None:
        paths = drawing_in(root / name).four(spots)
        (paths[0].parent / "connector.toml").write_text(f'label = "{label}"\nlot = "L7"\n')
        common = ("--ferrule", "2.5", "--turn", "0,0,120,240", "--out", str(root / "o" / name))
        assert main(["inspect", *common, *options, str(paths[0].parent)]) in (0, 1)

    grains = (spot(600, 20, 60), spot(1400, 200, 80))
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(pipeline, "Segmenter", lambda model, threads: reads_drawings)
        patched.setattr(pipeline, "Settings", lambda: Settings(map_px=120))
        patched.setenv("FIBERWARD_DB", str(root / "records.db"))
        inspect("P1", "a", grains, "--stage", "as-received")
        inspect("P1", "b", (), "--stage", "cleaned", "--method", "dry")
        inspect("P2", "c", grains[:1], "--stage", "as-received")
    return root


@pytest.fixture
def shop(inspected, tmp_path, monkeypatch):
    """A copy of that shop's folder and records; gives the uids of its inspections."""
    shutil.copytree(inspected, tmp_path / "shop")
    monkeypatch.setenv("FIBERWARD_DB", str(tmp_path / "shop" / "records.db"))
    with Records.open() as records:
        return [row.uid for row in rows(records)]


def check_pdf(path, record_name: str) -> pikepdf.Pdf:
    """What PDF/A-3u asks for and this report promises (ISO 19005-3, from memory)."""
    pdf = pikepdf.open(path)
    with pdf.open_metadata() as metadata:
        assert metadata["pdfaid:part"] == "3"
        assert metadata["pdfaid:conformance"] == "U"
    attached = pdf.attachments[record_name].get_file().read_bytes()
    assert attached == (path.parent / record_name).read_bytes()
    assert pdf.Root.AF[0].AFRelationship == "/Data"
    assert pdf.Root.OutputIntents[0].S == "/GTS_PDFA1"
    for page in pdf.pages:
        for font in (page.Resources.get("/Font") or {}).values():
            assert "/FontFile2" in font.DescendantFonts[0].FontDescriptor
            assert "/ToUnicode" in font
    return pdf


def test_a_connector_is_reported_with_its_map_and_its_marked_pictures(shop, tmp_path):
    assert main(["report", shop[0][:8], "--out", str(tmp_path / "r"), "--pdf"]) == 0
    page = (tmp_path / "r" / "report.html").read_text()
    assert page.index("Clean first") < page.index("<img") < page.index("Deposits")
    assert page.count("<img") == 5  # the map and four views
    assert not re.search(r"<script|https?://|<link|url\(", page)
    record = json.loads((tmp_path / "r" / "inspection.json").read_text())
    assert record["schema"] == "fiberward.inspection/1"
    pdf = check_pdf(tmp_path / "r" / "report.pdf", "inspection.json")
    images = {name for page in pdf.pages for name in page.get("/Resources").get("/XObject", {})}
    assert len(images) == 5
    with Records.open() as records:
        kept = [(role, name) for role, name, _ in files_of(records, shop[0]) if role == "overlay"]
    assert len(kept) == 4


def test_a_folder_of_results_is_reported_without_records(inspected, tmp_path):
    assert main(["report", str(inspected / "o" / "a"), "--out", str(tmp_path / "r")]) == 0
    assert "Connector P1" in (tmp_path / "r" / "report.html").read_text()
    assert not (tmp_path / "r" / "report.pdf").exists()


def test_before_and_after_say_what_went(shop, tmp_path):
    assert main(["report", shop[0], shop[1], "--out", str(tmp_path / "r"), "--pdf"]) == 0
    page = (tmp_path / "r" / "report.html").read_text()
    assert "before and after" in page
    assert "2 gone" in page
    record = json.loads((tmp_path / "r" / "pair.json").read_text())
    assert [pair["fate"] for pair in record["comparison"]["pairs"]] == ["gone", "gone"]
    assert record["before"]["verdict"] == "clean-first"
    # each picture before stands beside the one after
    seen = re.findall(r'alt="(Before|After), (\S+) with its deposits outlined', page)
    names = [view["picture"] for view in record["before"]["views"]]
    assert seen == [(when, name) for name in names for when in ("Before", "After")]
    check_pdf(tmp_path / "r" / "report.pdf", "pair.json")


def test_a_later_inspection_is_never_reported_as_the_one_before(shop, tmp_path, capsys):
    assert main(["report", shop[1], shop[0], "--out", str(tmp_path / "r")]) == 2
    assert "name the earlier one first" in capsys.readouterr().err
    assert not (tmp_path / "r").exists()


def test_a_lot_is_reported_with_an_overrule_beside_the_machines_word(shop, tmp_path):
    by = ("--by", "Ann", "--reason", "a shadow", "--verdict", "mate")
    assert main(["records", "overrule", shop[2][:8], *by]) == 0
    assert main(["report", "--lot", "L7", "--out", str(tmp_path / "r"), "--pdf"]) == 0
    page = (tmp_path / "r" / "report.html").read_text()
    assert "2 connectors, 3 inspections" in page
    assert "1 of 2 connectors" in page
    assert "Ann" in page
    assert main(["report", shop[2][:8], "--out", str(tmp_path / "r2")]) == 0
    page = (tmp_path / "r2" / "report.html").read_text()
    assert "Overruled by Ann" in page
    assert "Clean first" in page  # the machine's word stays
    check_pdf(tmp_path / "r" / "report.pdf", "lot.json")


def test_what_cannot_be_reported_ends_in_one_line(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("FIBERWARD_DB", str(tmp_path / "records.db"))
    for wrong in (
        [],
        ["a", "b", "c"],
        ["a" * 8],
        ["--lot", "none"],
        ["x", "--lot", "y"],
        [str(tmp_path)],
        [str(tmp_path), "a" * 8],
    ):
        assert main(["report", *wrong, "--out", str(tmp_path / "r")]) == 2, wrong
    assert len(capsys.readouterr().err.splitlines()) == 7
    assert not (tmp_path / "r").exists()


def document(*blocks) -> Document:
    return Document(
        "Title", "Subtitle", blocks, "x.json", '{"a": 1}\n', "foot", "2026-01-02T03:04:05Z"
    )


def test_without_the_extra_a_pdf_says_what_to_install(monkeypatch):
    from fiberward.model.errors import MissingExtra

    monkeypatch.setitem(sys.modules, "fpdf", None)
    with pytest.raises(MissingExtra, match=r"pip install '\.\[pdf\]'"):
        document_pdf(document())


def test_a_notes_bar_stands_beside_the_whole_note_wherever_a_page_ends(monkeypatch):
    import fpdf

    bars: list[float] = []
    monkeypatch.setattr(fpdf.FPDF, "line", lambda _, x1, y1, x2, y2: bars.append(y2 - y1))
    for lines in range(30, 50):
        document_pdf(document(*[Text("A line.")] * lines, Note("four lines of words " * 24)))
    assert len(bars) == 20
    assert {round(bar) for bar in bars} == {20}  # 4 lines of 5 mm


def test_no_page_has_the_lines_to_sign_on_alone(monkeypatch):
    import fpdf

    written: list[tuple[int, str]] = []
    monkeypatch.setattr(
        fpdf.FPDF, "text", lambda paper, x, y, text: written.append((paper.page, text))
    )
    real = fpdf.FPDF.multi_cell

    def multi_cell(paper, *place, **how):
        made = real(paper, *place, **how)
        written.append((paper.page, place[2] if len(place) > 2 else how["text"]))
        return made

    monkeypatch.setattr(fpdf.FPDF, "multi_cell", multi_cell)
    for lines in range(31, 42):
        written.clear()
        ends = (Heading("Rests on"), Bullets(("one", "two")), Heading("Signed"), Signatures(("I",)))
        document_pdf(document(*[Text("A line.")] * lines, *ends))
        pages = {text: page for page, text in written}
        assert pages["Rests on"] == pages["two"] == pages["Signed"]
        assert pages["Signed"] == pages["I: name, signature, date"]


def test_long_tables_and_letters_without_a_glyph_lose_nothing():
    rows = tuple((f"日{k}", "a word " * 30, "x") for k in range(120))
    made = document_pdf(
        document(
            Heading("H"),
            Table("T", ("Name", "Said", "Third"), rows, (2,)),
            Bullets(("ä ö ü – µ ± °",)),
        )
    )
    pdf = pikepdf.open(io.BytesIO(made))
    assert len(pdf.pages) > 4
    # 5 mm lines: 120 rows of at least 2 lines need more than 4 pages of some 50 lines
    for page in pdf.pages:
        assert "/Font" in page.Resources
