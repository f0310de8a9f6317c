"""Quotes and orders as documents that people read."""
