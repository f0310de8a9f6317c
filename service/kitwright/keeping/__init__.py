"""Keeping: the stored records of a shop's quotes, and the rules of their life. It is pure: the
store is a protocol.
"""
