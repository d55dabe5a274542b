"""The JSON that the page's scripts send."""

import asyncio
import json
from collections.abc import Mapping
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request

from .uploads import TooLarge, TooSlow

__all__ = ["read_form"]

MOST_FORM_BYTES = 256 << 10
FORM_WAIT_S = 10.0


async def read_form(request: Request) -> Mapping[str, Any]:
    """The JSON object in the body, of bounded size."""
    body = b""
    try:
        async with asyncio.timeout(FORM_WAIT_S):
            async for chunk in request.stream():
                body += chunk
                if len(body) > MOST_FORM_BYTES:
                    raise TooLarge("this form is too large")
    except TimeoutError as error:
        raise TooSlow("the rest of the form did not come; try again") from error
    try:
        form = json.loads(body)
    except (ValueError, RecursionError) as error:
        raise HTTPException(400, "expected JSON") from error
    if not isinstance(form, dict):
        raise HTTPException(400, "expected a JSON object")
    return form  # pyright: ignore[reportUnknownVariableType]
