"""Catalogues: those that offers were made with, in SQLite."""

from __future__ import annotations

from typing import Final

from kitwright.keeping.record import KeptCatalogue
from kitwright.store.rows import Session
from kitwright.store.table import Table

CATALOGUES: Final = """
CREATE TABLE catalogues (
    revision TEXT PRIMARY KEY,
    at TEXT NOT NULL,
    body BLOB NOT NULL,
    seal BLOB NOT NULL
) STRICT;;
CREATE TRIGGER catalogues_stay BEFORE UPDATE ON catalogues
BEGIN
    SELECT RAISE(ABORT, 'a kept catalogue never changes');
END
"""
"""The statements of the step that makes the table, separated by two semicolons."""


class CatalogueTable(Table[KeptCatalogue]):
    """The catalogues of offers, as `kitwright.keeping.store.Catalogues` defines it."""

    def __init__(self, session: Session) -> None:
        super().__init__(session, "catalogues", KeptCatalogue, key=("revision",))

    def drop_unused(self) -> None:
        """Delete the catalogues by which nothing is on offer and no work is agreed that is not
        done.
        """
        self.session.run(
            "DELETE FROM catalogues WHERE revision NOT IN (SELECT r.catalogue_revision"
            " FROM revisions AS r JOIN quotes AS q ON q.number = r.quote WHERE r.state = 'issued'"
            " OR (r.state = 'accepted' AND q.state <> 'done'))",
            (),
        )
