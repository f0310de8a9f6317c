"""Documents: quotes and orders in forms that people and their programs read."""
