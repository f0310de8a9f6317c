"""The stages of a quote, in packages; each is a pure function of the values of earlier stages.

    request -> finding -> work -> supply -> kit -> ordering -> price -> contingency -> quote

The `__init__` of a package lists the names that other packages use.
"""
