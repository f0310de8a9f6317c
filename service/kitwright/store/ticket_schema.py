"""Ticket schema: fleets of quotes."""

from __future__ import annotations

from typing import Final

TICKETS: Final = """
ALTER TABLE quotes ADD COLUMN fleet INTEGER REFERENCES quotes (number);;
CREATE INDEX quotes_fleet ON quotes (fleet, number) WHERE fleet IS NOT NULL
"""
"""The statements of the step, separated by two semicolons."""
