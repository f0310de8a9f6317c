"""Store: the shop's records in SQLite, in its data folder."""
