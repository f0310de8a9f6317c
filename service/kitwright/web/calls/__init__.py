"""Calls: what each resource takes, does and answers."""
