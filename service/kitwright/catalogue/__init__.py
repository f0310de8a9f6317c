"""Catalogue: the shop's data: engines, machines, jobs, parts, suppliers, tax areas and its own
policy.
"""
