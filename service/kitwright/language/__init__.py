"""Language: turns codes and facts into sentences, numbers and dates of a locale.

No other package uses Babel.
"""
