"""`fiberward evaluate`: figures of a model file on a set with exact truth."""

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

from ..inference.see.segment import Segmenter
from ..inference.show.terminal import Terminal
from ..model.errors import UsageError
from ..model.shipped import SHIPPED_MODEL
from .evaluate import as_text, evaluate_views, folder_views, rendered_views, summarise
from .evaluation_page import write_evaluation
from .gallery import Gallery
from .reliability import JudgedPiece
from .score_view import Truth

__all__ = ["evaluate"]

SIZE_HW = (960, 1280)


def evaluate(
    folder: Annotated[
        Path | None, typer.Argument(metavar="SET", help="Folder of pictures with truth.")
    ] = None,
    model: Annotated[
        Path, typer.Option(help="The ONNX file. [default: the shipped one]", show_default=False)
    ] = SHIPPED_MODEL,
    renders: Annotated[
        int, typer.Option(min=0, help="Instead of SET: so many rendered connectors.")
    ] = 0,
    connectors: Annotated[
        int,
        typer.Option(
            min=0, help="Instead: so many connectors, inspected whole; needs --out, goes on there."
        ),
    ] = 0,
    first_seed: Annotated[int, typer.Option(min=0, help="Where the renders' seeds start.")] = 0,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Write a page with plots, tables and the worst errors."),
    ] = None,
    threads: Annotated[int | None, typer.Option(min=1, help="Processors to use.")] = None,
    write_scores: Annotated[
        bool, typer.Option("--write-scores", help="Put the figures into the model file.")
    ] = False,
) -> int:
    """Measure a model file on pictures with exact truth: IoU, recall, detection."""
    if sum([folder is not None, renders > 0, connectors > 0]) != 1:
        raise UsageError("give one of a folder of pictures with truth, --renders and --connectors")
    if write_scores and not renders:
        raise UsageError("--write-scores takes withheld renders only; give --renders COUNT")
    if connectors:
        return evaluate_connectors(model, connectors, first_seed, (out, threads))
    segmenter, terminal = Segmenter(model, threads), Terminal.current()
    if folder is not None:
        views, name = folder_views(folder), str(folder)
    else:
        views, name = own_views(renders, first_seed), f"{renders} rendered connectors"
    pieces: list[JudgedPiece] = []
    gallery = None if out is None else Gallery()
    scores = evaluate_views(segmenter, terminal.progress(views, "views"), pieces, gallery)
    document = summarise(scores, segmenter, name, pieces)
    if out is not None and gallery is not None:
        terminal.note(f"look at {write_evaluation(document, gallery, out)}")
    if write_scores:
        from .model_metadata import rewrite_metadata  # needs the train extra

        rewrite_metadata(model, model, {"scores": document["headline"]})
    terminal.result(as_text(document), document)
    return 0


def evaluate_connectors(
    model: Path, count: int, first_seed: int, where: tuple[Path | None, int | None]
) -> int:
    """Inspect rendered connectors whole; what lies in the folder already is not done again."""
    from .connector_figures import as_text, connector_figures, write_connector_page
    from .connectors import ConnectorsPlan, inspected_connectors

    out, threads = where
    if out is None:
        raise UsageError("--connectors keeps a file for each; say with --out DIR where")
    terminal, plan = Terminal.current(), ConnectorsPlan(count, first_seed, threads=threads)
    rows = inspected_connectors(model, plan, out / "connectors", terminal.progress)
    document = connector_figures(rows)
    terminal.note(f"look at {write_connector_page(document, out)}")
    terminal.result(as_text(document), document)
    return 0


def own_views(connectors: int, first_seed: int) -> Iterator[Truth]:
    """The project's own withheld renders; needs torch only here."""
    import torch

    from .source import render_source

    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    return rendered_views(render_source(device), connectors, SIZE_HW, first_seed)
