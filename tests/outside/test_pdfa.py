"""Reports against an independent validator of PDF/A-1b: Apache PDFBox's preflight, from Debian.

Reports are PDF/A-3u, for which Debian has no validator. PDF/A-3 (ISO 19005-3) is PDF/A-1 with some
things allowed; so of all that the older part finds, only those may be left. The packages:
`apt-get install default-jdk-headless libpdfbox2-java libactivation-java libjaxb-api-java`.
"""

import io
import shutil
import subprocess
from pathlib import Path

import pytest
from PIL import Image

from fiberward.inference.keep.statistics import share
from fiberward.inference.show.document import (
    Bullets,
    Document,
    Heading,
    Note,
    Picture,
    Plot,
    Signatures,
    Table,
    Text,
    Verdict,
)
from fiberward.inference.show.pdf import document_pdf
from fiberward.inference.show.plot import interval_plot

JARS = [
    Path("/usr/share/java", f"{name}.jar")
    for name in (
        *("preflight", "pdfbox2", "xmpbox", "fontbox2", "commons-logging"),
        *("javax.activation", "jaxb-api"),
    )
]
# what PDF/A-3 allows or asks for and PDF/A-1 does not (from memory of both parts)
ALLOWED = {
    ("1.2.9", "EmbeddedFile entry is present"): "attachments",
    ("1.4.7", "EmbeddedFile entry is present"): "attachments",
    ("2.2.1", "Group has a transparency"): "transparency",
    ("3.1.11", "CIDSet entry is missing"): "a list of glyphs that only part 1 requires",
    ("7.11.1", "conformance level must be A or B"): "U, which part 1 does not know",
    ("7.11.2", "part must be 1"): "3",
}


def png() -> bytes:
    held = io.BytesIO()
    Image.new("RGB", (80, 60), (200, 120, 40)).save(held, "PNG")
    return held.getvalue()


DOCUMENT = Document(
    title="Connector Prüfling <1> & others",
    subtitle="Invented.",
    blocks=(
        Verdict(
            "mate", "Mate", "Where the pictures show the connector, nothing stands in the way."
        ),
        Note("Invented data."),
        Heading("Where it is"),
        Picture(png(), "png", (60, 80), "a drawing", "A drawing."),
        Plot(interval_plot([("dry", share(3, 4))], "Fit")),
        Bullets(("one", "two"), numbered=True),
        Text("µ and what the font lacks: \u4e2d"),
        Table("A table.", ("No.", "Kind"), (("1", "particle"),), (0,)),
        Signatures(("Inspected by", "Released by")),
    ),
    record_name="record.json",
    record="{}",
    foot="Fiberward & test",
    created_at="2026-01-02T03:04:05Z",
)


@pytest.mark.skipif(
    shutil.which("java") is None or not all(jar.exists() for jar in JARS),
    reason="no PDF/A validator here: see the packages above",
)
def test_a_report_has_no_fault_that_pdf_a_3_does_not_allow(tmp_path):
    (tmp_path / "report.pdf").write_bytes(document_pdf(DOCUMENT))
    source = Path(__file__).parent / "PdfA1bFindings.java"
    path = ":".join(map(str, JARS))
    found = subprocess.run(
        ["java", "-XX:TieredStopAtLevel=1", "-cp", path, str(source), tmp_path / "report.pdf"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.splitlines()
    faults = [
        line
        for line in found
        if not any(line.startswith(f"{code}\t") and said in line for code, said in ALLOWED)
    ]
    assert faults == []
    # it has looked: what only PDF/A-3 allows was seen
    assert {line.split("\t")[0] for line in found} >= {"1.2.9", "7.11.1", "7.11.2"}
