"""A report as PDF/A-3u: fonts embedded, pictures with words, the record for machines attached.

Needs the packages of the extra `pdf`; nothing else of the program does.
"""

import io
from collections.abc import Generator, Sequence
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

from ...model.errors import MissingExtra
from . import document as parts
from .pdf_metadata import xmp_of
from .plot import Dot, Drawing, Line

__all__ = ["document_pdf"]

MARGIN_MM, FOOT_MM = 18.0, 16.0
LINE_MM = 5.0
SIGN_MM = 17.0
BETWEEN_MM, BELOW_MM = 6.0, 14.0  # two pictures side by side, and their captions
KEPT_TOGETHER = 6  # lines of a paragraph that are not parted by a page's end
PT = {"body": 10.0, "small": 8.5, "heading": 13.0, "title": 17.0, "verdict": 20.0}
FONT = "text"
# RGB; those of the page in its light form
INKS = {
    "ink": (28, 33, 40),
    "muted": (84, 91, 102),
    "line": (213, 215, 217),
    "accent": (53, 80, 122),
    "alarm": (176, 74, 0),
    "wash": (238, 241, 245),
    "paper": (255, 255, 255),
}


def document_pdf(document: parts.Document) -> bytes:
    """The report as the bytes of a PDF file. Raises MissingExtra without the extra `pdf`."""
    try:
        import font_source_sans_pro
        import fpdf
    except ModuleNotFoundError as error:
        raise MissingExtra(
            f"reports as PDF need the package {error.name}: "
            "run pip install '.[pdf]' in Fiberward's folder"
        ) from error
    paper = _paper(fpdf, document)
    fonts = Path(font_source_sans_pro.__file__).parent / "files"
    paper.add_font(FONT, "", str(fonts / "SourceSansPro-Regular.ttf"))
    paper.add_font(FONT, "B", str(fonts / "SourceSansPro-Semibold.ttf"))
    paper.add_page()
    writer = _Writer(paper, fpdf.FontFace(emphasis="BOLD"))
    writer.head(document)
    for k, block in enumerate(document.blocks):
        if isinstance(block, parts.Heading):
            writer.heading(block, document.blocks[k + 1 :])
        else:
            writer.block(block)
    made_at = datetime.fromisoformat(document.created_at)
    paper.set_creation_date(made_at)
    paper.set_xmp_metadata(xmp_of(document))
    paper.embed_file(
        bytes=document.record.encode(),
        basename=document.record_name,
        modification_date=made_at,
        creation_date=made_at,
        mime_type="text/csv" if document.record_name.endswith(".csv") else "application/json",
        associated_file_relationship="Data",
        desc="The figures of this report, for machines",
        compress=True,
    )
    return bytes(paper.output())


def _paper(fpdf: Any, document: parts.Document) -> Any:
    """An empty A4 document whose every page says what it is and which page of how many."""

    class Paper(fpdf.FPDF):
        def footer(self) -> None:
            self.set_y(-FOOT_MM + 3)
            self.set_font(FONT, "", PT["small"])
            self.set_text_color(*INKS["muted"])
            self.cell(150, 4, _shown(document.foot, self))
            self.cell(0, 4, f"page {self.page_no()} of {{nb}}", align="R")

    compliance = fpdf.enums.DocumentCompliance.PDFA_3U
    paper = Paper(format="A4", enforce_compliance=compliance)
    paper.set_auto_page_break(True, FOOT_MM + 4)
    paper.set_margin(MARGIN_MM)
    paper.c_margin = 0
    paper.set_lang("en")
    paper.set_title(document.title)
    paper.set_producer(document.foot)
    return paper


def _shown(text: str, paper: Any) -> str:
    """The text with characters that the font lacks written as their code points."""
    glyphs = paper.fonts[FONT].cmap
    return "".join(c if ord(c) in glyphs or c == "\n" else f"[U+{ord(c):04X}]" for c in text)


class _Writer:
    """Writes blocks one below the other."""

    def __init__(self, paper: Any, heading_style: Any) -> None:
        self.paper, self.heading_style = paper, heading_style

    def words(
        self,
        text: str,
        size: str = "body",
        ink: str = "ink",
        style: str = "",
        left: float = 0,
        before: str = "",
    ) -> None:
        """A paragraph over the whole width less `left` mm, at whose left `before` stands."""
        self.paper.set_font(FONT, style, PT[size])
        self.paper.set_text_color(*INKS[ink])
        self.paper.set_x(MARGIN_MM + left)
        height = LINE_MM * PT[size] / PT["body"]
        shown = _shown(text, self.paper)
        lines = self.paper.multi_cell(0, height, shown, align="L", dry_run=True, output="LINES")
        if len(lines) <= KEPT_TOGETHER:
            self.room(len(lines) * height)
        if before:
            self.paper.set_x(MARGIN_MM + 1)
            self.paper.cell(left - 1, height, before)
        self.paper.set_x(MARGIN_MM + left)
        self.paper.multi_cell(0, height, shown, align="L", new_x="LMARGIN", new_y="NEXT")

    def room(self, height_mm: float) -> None:
        """A new page unless so much is left of this one."""
        if self.paper.will_page_break(height_mm):
            self.paper.add_page()

    def head(self, document: parts.Document) -> None:
        """Title and subtitle."""
        self.words(document.title, "title", style="B")
        self.words(document.subtitle, ink="muted")
        self.paper.ln(2)

    def heading(self, block: parts.Heading, rest: Sequence[Any]) -> None:
        """A heading on the page on which what follows it begins."""
        needed, after = 24.0, rest[0] if rest else None
        if _ends_so(rest):
            needed = 11.5 + self.height_of(rest[0]) + 11.5 + SIGN_MM
        elif isinstance(after, parts.Picture):
            needed += self.size_of(after)[1]
        elif isinstance(after, parts.Beside):
            needed = 11.5 + self.half_of(after) + BELOW_MM
        elif isinstance(after, parts.Signatures):
            needed = 11.5 + SIGN_MM
        elif isinstance(after, parts.Plot):
            needed += after.drawing.height * self.scale_of(after.drawing)
        self.room(needed)
        self.paper.ln(4)
        self.words(block.text, "heading", style="B")
        self.paper.ln(1)

    def height_of(self, block: parts.Bullets) -> float:
        """How high the sentences will be, mm."""
        self.paper.set_font(FONT, "", PT["body"])
        lines = [
            self.paper.multi_cell(self.paper.epw - 6, LINE_MM, text, dry_run=True, output="LINES")
            for text in (_shown(item, self.paper) for item in block.items)
        ]
        return sum(LINE_MM * len(each) + 0.6 for each in lines)

    def block(self, block: Any) -> None:
        """One block of any other sort."""
        if isinstance(block, parts.Text):
            self.words(block.text, ink="muted" if block.muted else "ink")
            self.paper.ln(1)
        elif isinstance(block, parts.Note):
            self.note(block)
        elif isinstance(block, parts.Bullets):
            self.bullets(block)
        elif isinstance(block, parts.Table):
            self.table(block)
        elif isinstance(block, parts.Picture):
            self.picture(block)
        elif isinstance(block, parts.Beside):
            self.beside(block)
        elif isinstance(block, parts.Plot):
            self.plot(block.drawing)
        elif isinstance(block, parts.Verdict):
            self.verdict(block)
        else:
            self.signatures(block)

    def note(self, block: parts.Note) -> None:
        """A paragraph with a bar at its left."""
        self.room(12)
        top, page = self.paper.get_y() + 1, self.paper.page
        self.paper.set_y(top)
        self.words(block.text, left=4)
        if self.paper.page != page:
            top = MARGIN_MM
        with self.inked("accent", 1.0):
            x = MARGIN_MM + 1
            self.paper.line(x, top, x, max(top + 3, self.paper.get_y()))
        self.paper.ln(2)

    def bullets(self, block: parts.Bullets) -> None:
        """Sentences with dots or numbers before them."""
        for number, item in enumerate(block.items, 1):
            self.words(item, left=6, before=f"{number}." if block.numbered else "•")
            self.paper.ln(0.6)

    def table(self, block: parts.Table) -> None:
        """A table whose head is repeated on every page it runs over."""
        if not block.rows:
            return
        self.room(22)
        self.words(block.caption, "small", "muted")
        self.paper.set_font(FONT, "", PT["small"])
        self.paper.set_text_color(*INKS["ink"])
        self.paper.set_fill_color(*INKS["paper"])
        widths, left = self.widths(block)
        with (
            self.inked("line", 0.2),
            self.paper.table(
                headings_style=self.heading_style,
                cell_fill_mode="NONE",
                borders_layout="HORIZONTAL_LINES",
                col_widths=widths,
                width=sum(widths),
                align="LEFT",
                text_align=left,
                line_height=4.2,
                padding=(0.7, 1.2),
                first_row_as_headings=True,
            ) as table,
        ):
            for cells in (block.head, *block.rows):
                row = table.row()
                for cell in cells:
                    row.cell(_shown(cell, self.paper))
        self.paper.ln(2)

    def widths(self, block: parts.Table) -> tuple[list[float], list[str]]:
        """Column widths in mm, as wide as their words where there is room, and alignments."""
        columns = range(len(block.head))
        wanted: list[float] = []
        for k in columns:
            self.paper.set_font(FONT, "B", PT["small"])
            heading = self.paper.get_string_width(block.head[k])
            words = [self.paper.get_string_width(w) for w in block.head[k].split()]
            longest = max(*words, 0.6 * heading)
            self.paper.set_font(FONT, "", PT["small"])
            texts = {_shown(row[k], self.paper) for row in block.rows}
            body = max(self.paper.get_string_width(text) for text in texts)
            blank = 22.0 if texts == {""} else 0.0
            wanted.append(max(longest, body, blank) + 4.5)
        room = self.paper.epw
        if sum(wanted) > room:
            wanted = _squeezed(wanted, room)
        return wanted, ["RIGHT" if k in block.numbers else "LEFT" for k in columns]

    def picture(self, block: parts.Picture) -> None:
        """A picture no larger than the page, with its caption on the same page."""
        width, height = self.size_of(block)
        self.room(height + 9)
        top = self.paper.get_y()
        self.paper.image(
            io.BytesIO(block.data), MARGIN_MM, top, width, height, alt_text=block.words
        )
        self.paper.set_y(top + height + 1)
        self.words(block.caption, "small", "muted")
        self.paper.ln(2)

    def beside(self, block: parts.Beside) -> None:
        """Two pictures side by side, each with its caption below it."""
        width, high = self.half, self.half_of(block)
        self.room(high + BELOW_MM - 1)
        top, below = self.paper.get_y(), 0.0
        for k, each in enumerate((block.left, block.right)):
            x, (height_px, width_px) = MARGIN_MM + k * (width + BETWEEN_MM), each.size_hw
            height = width * height_px / width_px
            self.paper.image(io.BytesIO(each.data), x, top, width, height, alt_text=each.words)
            self.paper.set_font(FONT, "", PT["small"])
            self.paper.set_text_color(*INKS["muted"])
            self.paper.set_xy(x, top + high + 1)
            self.paper.multi_cell(width, 4.2, _shown(each.caption, self.paper), align="L")
            below = max(below, self.paper.get_y())
        self.paper.set_y(below + 3)

    @property
    def half(self) -> float:
        """The width of each of two pictures side by side, mm."""
        return (self.paper.epw - BETWEEN_MM) / 2

    def half_of(self, block: parts.Beside) -> float:
        """The height of the higher of two pictures side by side, mm."""
        sizes = (each.size_hw for each in (block.left, block.right))
        return max(self.half * height / width for height, width in sizes)

    def size_of(self, block: parts.Picture) -> tuple[float, float]:
        """Width and height of a picture, mm: two landscape ones fit on a page."""
        height_px, width_px = block.size_hw
        most = 115.0 if width_px > 1.1 * height_px else 150.0
        width = min(self.paper.epw, most * width_px / height_px)
        return width, width * height_px / width_px

    def scale_of(self, drawing: Drawing) -> float:
        """How many mm a px of a drawing is."""
        return min(self.paper.epw, 150.0) / drawing.width

    def plot(self, drawing: Drawing) -> None:
        """A drawing of lines and dots, across the page."""
        scale = self.scale_of(drawing)
        self.room(drawing.height * scale + 4)
        x0, y0 = MARGIN_MM, self.paper.get_y() + 1
        for mark in drawing.marks:
            if isinstance(mark, Line):
                with self.inked(mark.ink, mark.width * scale, 1.2 if mark.dashed else 0):
                    points = [(x0 + x * scale, y0 + y * scale) for x, y in mark.points]
                    self.paper.polyline(points)
            elif isinstance(mark, Dot):
                self.dot(mark, x0, y0, scale)
            else:
                self.paper.set_font(FONT, "", mark.size * scale / 25.4 * 72)
                self.paper.set_text_color(*INKS[mark.ink])
                text = _shown(mark.text, self.paper)
                shift = {"start": 0.0, "middle": 0.5, "end": 1.0}[mark.anchor]
                x = x0 + mark.xy[0] * scale - shift * self.paper.get_string_width(text)
                self.paper.text(x, y0 + mark.xy[1] * scale, text)
        self.paper.set_y(y0 + drawing.height * scale + 2)

    def dot(self, mark: Dot, x0: float, y0: float, scale: float) -> None:
        """A solid disc or a hollow square."""
        x, y = x0 + mark.xy[0] * scale, y0 + mark.xy[1] * scale
        half = 5 * scale
        with self.inked(mark.ink, 2.5 * scale):
            self.paper.set_fill_color(*INKS["paper" if mark.hollow else mark.ink])
            if mark.hollow:
                self.paper.rect(x - half, y - half, 2 * half, 2 * half, style="DF")
            else:
                self.paper.circle(x, y, 4.5 * scale, style="F")

    def verdict(self, block: parts.Verdict) -> None:
        """The verdict in a frame."""
        self.room(26)
        top = self.paper.get_y() + 2
        self.paper.set_y(top + 2)
        self.words(block.word, "verdict", style="B", left=4)
        self.words(block.meaning, left=4)
        with self.inked("line", 0.4):
            height = self.paper.get_y() - top + 2
            self.paper.rect(MARGIN_MM, top, self.paper.epw, height, round_corners=True)
        self.paper.set_y(top + height + 3)

    def signatures(self, block: parts.Signatures) -> None:
        """Lines to sign on, two side by side."""
        self.room(SIGN_MM)
        width = (self.paper.epw - 10) / 2
        for k, role in enumerate(block.roles):
            if k % 2 == 0:
                self.paper.ln(11)
            x, y = MARGIN_MM + (k % 2) * (width + 10), self.paper.get_y()
            with self.inked("ink", 0.3):
                self.paper.line(x, y, x + width, y)
            self.paper.set_font(FONT, "", PT["small"])
            self.paper.set_text_color(*INKS["muted"])
            self.paper.text(x, y + 4, _shown(f"{role}: name, signature, date", self.paper))
        self.paper.ln(6)

    @contextmanager
    def inked(self, ink: str, width_mm: float, dash_mm: float = 0) -> Generator[None]:
        """Lines of this colour and width within the block."""
        self.paper.set_draw_color(*INKS[ink])
        self.paper.set_line_width(width_mm)
        self.paper.set_dash_pattern(dash_mm, dash_mm)
        yield
        self.paper.set_dash_pattern()


def _ends_so(rest: Sequence[Any]) -> bool:
    """Whether sentences and the lines to sign on are all that is left: no page has those alone."""
    ends = (parts.Bullets, parts.Heading, parts.Signatures)
    return len(rest) == 3 and all(isinstance(b, e) for b, e in zip(rest, ends, strict=True))


def _squeezed(wanted: list[float], room: float) -> list[float]:
    """Widths that fit: the widest columns give way first."""
    cap = max(wanted)
    while sum(min(width, cap) for width in wanted) > room:
        cap -= 1
    return [min(width, cap) for width in wanted]
