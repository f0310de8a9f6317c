"""What the contract asserts is told in full, though it is in no test module by its name."""

import pytest

for part in ("events", "generations", "keeping", "quotes", "search", "things"):
    pytest.register_assert_rewrite(f"tests.store.contract_{part}")
