"""Store: records in SQLite, in the shop's data folder."""
