"""SQLite: the module that speaks to it, the one that sqlite-utils chose.

That is `pysqlite3` where it is installed, else Python's own.
"""

from sqlite_utils.utils import sqlite3 as sqlite3  # type: ignore[attr-defined]
