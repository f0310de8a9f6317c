"""SQLite: the module that sqlite-utils chose to connect with.

That is `pysqlite3` if it is installed, otherwise Python's own `sqlite3`.
"""

from sqlite_utils.utils import sqlite3 as sqlite3  # type: ignore[attr-defined]
