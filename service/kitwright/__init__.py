"""Quotes for small-engine repairs: from what the bench found to a price and a parts order."""

__version__ = "0.1.0"
