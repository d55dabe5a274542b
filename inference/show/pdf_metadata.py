"""What a report's PDF file says of itself, as PDF/A asks (XMP)."""

import xml.sax.saxutils

from .document import Document

__all__ = ["xmp_of"]


def xmp_of(document: Document) -> str:
    """What the file says of itself (XMP), as plainly as every reader of it understands."""
    title, foot = (xml.sax.saxutils.escape(text) for text in (document.title, document.foot))
    said = (
        ("pdfaid", "http://www.aiim.org/pdfa/ns/id/", "part", "3"),
        ("pdfaid", "http://www.aiim.org/pdfa/ns/id/", "conformance", "U"),
        ("xmp", "http://ns.adobe.com/xap/1.0/", "CreateDate", document.created_at),
        ("pdf", "http://ns.adobe.com/pdf/1.3/", "Producer", foot),
        (
            *("dc", "http://purl.org/dc/elements/1.1/", "title"),
            f'<rdf:Alt><rdf:li xml:lang="x-default">{title}</rdf:li></rdf:Alt>',
        ),
    )
    blocks = "".join(
        f'<rdf:Description rdf:about="" xmlns:{short}="{space}">'
        f"<{short}:{name}>{value}</{short}:{name}></rdf:Description>"
        for short, space, name, value in said
    )
    rdf = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
    inside = f'<rdf:RDF xmlns:rdf="{rdf}">{blocks}</rdf:RDF>'
    return f'<x:xmpmeta xmlns:x="adobe:ns:meta/">{inside}</x:xmpmeta>'
