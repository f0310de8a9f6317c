"""Language: turns codes and facts into sentences, numbers and dates of one language.

Only this package uses Babel.
"""
