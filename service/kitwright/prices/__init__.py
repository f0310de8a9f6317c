"""Prices: the price book, which holds every number that suppliers sell; read from their files."""
