"""Codes and facts -> sentences, numbers and dates in a locale.

Babel is used here and nowhere else.
"""
