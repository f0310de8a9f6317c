"""What the stock tester is told about the data it makes."""

import os
import re
from itertools import count
from typing import Any, Final

import schemathesis

_KEY: Final = re.compile(r'"(?P<text>([^"\\]|\\["\\]){1,200})"|(?P<bare>[A-Za-z0-9._:-]{1,200})')
_NEXT: Final = count()
_OWN: Final = os.environ["TESTER_KEY"][3:13]
"""The id of the tester's own key."""


@schemathesis.hook
def before_call(_: object, case: Any, **__: object) -> None:
    """Send each call under an Idempotency-Key of its own, where it has a sound one; and spare the
    tester's own key, which lists of keys lead it to.

    The tester repeats short keys, as no caller does for another thing to be done; tests/web/kept
    holds what comes of that.
    """
    if case.path.endswith("/revoke") and (case.path_parameters or {}).get("id") == _OWN:
        case.path_parameters["id"] = "0000000000"
    headers = case.headers or {}
    for name, value in headers.items():
        found = _KEY.fullmatch(str(value)) if name.lower() == "idempotency-key" else None
        if found is not None:
            headers[name] = f'"{next(_NEXT)}-{found["text"] or found["bare"]}"'


@schemathesis.hook
def map_body(_: object, body: Any) -> Any:
    """Write whole numbers without a point.

    To JSON Schema, 71.0 is an integer like 71. This service asks for 71 (a counter program that
    counts machines in floating point has a fault worth hearing of), and no keyword of JSON Schema
    can say so. tests/web/test_body.py holds that 71.0 is refused with a sentence that helps.
    """
    if isinstance(body, dict):
        return {name: map_body(None, each) for name, each in body.items()}
    if isinstance(body, list):
        return [map_body(None, each) for each in body]
    if isinstance(body, float) and body.is_integer():
        return int(body)
    return body
