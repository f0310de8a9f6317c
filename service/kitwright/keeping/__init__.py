"""Keeping: what a shop keeps of its quotes, and the rules of their life; pure, the store is a
protocol.
"""
