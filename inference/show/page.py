"""Self-contained pages from the templates: no script, nothing fetched, pictures inside."""

import base64
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

__all__ = ["data_uri", "page_of"]

TEMPLATES = Path(__file__).parent / "templates"


def page_of(template: str, filters: Mapping[str, Callable[..., Any]], **values: Any) -> str:
    """The page as HTML text; a value that a template asks for and does not get is an error."""
    from jinja2 import Environment, FileSystemLoader, StrictUndefined

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(filters)
    return environment.get_template(template).render(**values)


def data_uri(kind: str, data: bytes) -> str:
    """A picture (kind: png, jpeg) as what an <img> may have for its source."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode()}"
