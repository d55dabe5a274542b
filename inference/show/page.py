"""Self-contained pages from the templates: no script, nothing fetched, pictures inside."""

import base64
from collections.abc import Callable, Mapping
from functools import cache
from pathlib import Path
from typing import Any

__all__ = ["data_uri", "page_of"]

TEMPLATES = Path(__file__).parent / "templates"


def page_of(template: str, filters: Mapping[str, Callable[..., Any]], **values: Any) -> str:
    """The page as HTML text; a value that a template asks for and does not get is an error."""
    return _environment(tuple(filters.items())).get_template(template).render(**values)


@cache
def _environment(filters: tuple[tuple[str, Callable[..., Any]], ...]) -> Any:
    """The templates with these filters; kept, for compiling one takes longer than filling it."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    return environment


def data_uri(kind: str, data: bytes) -> str:
    """A picture (kind: png, jpeg) as what an <img> may have for its source."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
