"""The stages of a quote, in rooms; each a pure function from earlier stages' values to its own.

    request -> finding -> work -> supply -> kit -> ordering -> price -> contingency -> quote

A room's own page (`__init__`) names what the others use of it.
"""
