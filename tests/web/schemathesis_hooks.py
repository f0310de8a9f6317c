"""What the stock tester is told about the data it makes."""

from typing import Any

import schemathesis


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
