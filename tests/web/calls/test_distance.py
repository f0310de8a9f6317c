"""A yes by a link as a contract made from afar: notice, waiting, wish, and withdrawal."""

from collections.abc import Iterator
from contextlib import closing
from datetime import date, timedelta
from decimal import Decimal
from html import unescape
from pathlib import Path
from typing import Any

import pytest
from tests.desks import DAY, open_counter
from tests.documents.printed import text as pdf_text
from tests.web.calls.conftest import Staff

from kitwright.app import make_app, make_service
from kitwright.keeping.distance import last_day
from kitwright.settings import Settings, built_in_catalog
from kitwright.store.engine import FILE
from kitwright.store.ledger import check_ledger
from kitwright.store.sqlite import sqlite3
