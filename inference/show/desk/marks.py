"""The kinds' markers as pictures, from the one table of them."""

from ....model.kinds import KINDS, KindRow

__all__ = ["MARKERS", "kinds_css", "kinds_svg"]

DRAWN = KINDS[1:]  # clean has no marker

# The shapes of the markers, drawn round (0, 0), 24 units across; sent to the scripts too.
MARKERS = {
    "disc": ("solid", "M-8 0a8 8 0 1 0 16 0a8 8 0 1 0-16 0Z"),
    "square": ("solid", "M-7.5-7.5h15v15h-15Z"),
    "drop": ("solid", "M0-11C3-5 8-1 8 3.5a8 7.5 0 0 1-16 0C-8-1-3-5 0-11Z"),
    "ring": ("line", "M-7 0a7 7 0 1 0 14 0a7 7 0 1 0-14 0Z"),
    "wave": ("line", "M-9 3C-6-9-3-9 0 0S6 9 9-3"),
    "cross": ("line", "M-7-7 7 7M-7 7 7-7"),
}


def kinds_css(place: str) -> str:
    """The markers as a style sheet; `place`: the address of the picture that holds them all."""
    rules = [
        f".kind-{row.name} {{ background-position: {100 * k / (len(DRAWN) - 1):g}% 0; }}"
        for k, row in enumerate(DRAWN)
    ]
    # one picture for all: each of its own would be a document of its own to the browser
    shared = f".marker {{ background: url({place}) 0 0 / {100 * len(DRAWN)}% 100% no-repeat; }}"
    return "\n".join((shared, *rules)) + "\n"


def kinds_svg() -> str:
    """The kinds' markers side by side as one picture, each as the map draws it."""
    side = 28
    markers = [
        f"<svg x='{side * k}' width='{side}' height='{side}' viewBox='-14 -14 28 28'>"
        f"{_marker(row)}</svg>"
        for k, row in enumerate(DRAWN)
    ]
    size = f"width='{side * len(DRAWN)}' height='{side}'"
    box = f"viewBox='0 0 {side * len(DRAWN)} {side}'"
    return f"<svg xmlns='http://www.w3.org/2000/svg' {size} {box}>{''.join(markers)}</svg>"


def _marker(row: KindRow) -> str:
    how, path = MARKERS[row.marker]
    ink = "stroke-linecap='round' stroke-linejoin='round' fill='none'"
    rims = (
        [("#ffffff", 7), ("#14181d", 3.5)] if how == "solid" else [("#ffffff", 12), ("#14181d", 8)]
    )
    parts = [f"<path d='{path}' stroke='{c}' stroke-width='{w}' {ink}/>" for c, w in rims]
    last = (
        f"fill='{row.color}'"
        if how == "solid"
        else f"stroke='{row.color}' stroke-width='4.5' {ink}"
    )
    parts.append(f"<path d='{path}' {last}/>")
    return "".join(parts)
