"""Kept: the resources that the store keeps, one module each."""
