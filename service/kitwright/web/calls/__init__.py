"""Calls: the calls of each resource, with their requests and answers."""
