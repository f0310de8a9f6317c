"""What every engine must do, told in nothing but the words of `kitwright.keeping.store`.

An engine passes where a class that inherits `StoreContract` finds an `open_store` fixture: a
function that opens a store on one place of the test's own, twice where it is called twice.
"""

from tests.store.contract_events import EventsContract
from tests.store.contract_generations import GenerationsContract
from tests.store.contract_keeping import KeepingContract
from tests.store.contract_quotes import QuotesContract
from tests.store.contract_search import SearchContract
from tests.store.contract_shelf import ShelfContract
from tests.store.contract_things import ThingsContract


class StoreContract(
    KeepingContract,
    QuotesContract,
    SearchContract,
    ThingsContract,
    EventsContract,
    GenerationsContract,
    ShelfContract,
):
    """All of it."""
