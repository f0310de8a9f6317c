"""What the contract asserts is told in full, though it is no test module by its name."""

import pytest

pytest.register_assert_rewrite("tests.store.contract")
