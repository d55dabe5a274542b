"""TOML text to a table, with everything that may be amiss told as a ValueError."""

import tomllib
from typing import Any

__all__ = ["toml_table"]


def toml_table(text: str) -> dict[str, Any]:
    """The document's table. Raises ValueError (`tomllib.TOMLDecodeError` for wrong TOML).

    The library reads brackets within brackets by calling itself, and gives up with an error of
    another family where a file holds thousands.
    """
    try:
        return tomllib.loads(text)
    except RecursionError as error:
        raise ValueError("brackets nested too deeply") from error
