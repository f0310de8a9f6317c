"""The stages of a quote, in packages; each a pure function from earlier stages' values to its own.

    request -> finding -> work -> supply -> kit -> ordering -> price -> contingency -> quote

The `__init__` of a package names what the others use of it.
"""
