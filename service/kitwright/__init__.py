"""Quotes for small-engine repairs: from what the bench found to a price and the parts orders.

    findings -> diagnosis -> jobs -> access plan -> kit -> parts orders -> price -> quote

`flow.py` calls one stage after the other; `stages/` holds them, each a pure function; `solve/` the
algorithms under them, `tax/` the tax rules, `catalogue/` what the shop knows. `language/` makes
sentences of reasons, `documents/` papers of quotes, `web/` a service of it all; `app.py` puts them
together.
"""

__version__ = "0.1.0"
