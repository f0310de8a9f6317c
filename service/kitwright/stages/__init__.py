"""The stages of a quote, each a pure function from earlier stages' values to its own.

request -> job -> access -> labour -> supply -> fitment -> kit -> order -> price -> quote
"""
