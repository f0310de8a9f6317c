"""Quotes for small-engine repairs: from the bench's findings to a price and the parts orders.

    findings -> diagnosis -> jobs -> access plan -> kit -> parts orders -> price -> quote

`flow.py` calls one stage after the other. `stages/` holds the stages, each a pure function. They
use the algorithms of `solve/`, the tax rules of `tax/` and the shop's data in `catalogue/`.
`language/` turns reasons into sentences, and `documents/` turns quotes into papers. `web/` is the
service; `app.py` puts everything together.
"""

__version__ = "0.1.0"
