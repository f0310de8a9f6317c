"""Outbound: events posted to the shop's webhooks, signed, only where they may go, until each has
arrived or is given up.
"""
