"""An invoice of a visit some of whose jobs the shop bears, judged by the rules of EN 16931."""

from pathlib import Path

from lxml import etree
from tests.desks import client_of, open_counter
from tests.outside.test_en16931 import Rules, schema
from tests.web.calls.conftest import Staff
from tests.web.calls.test_accounts import CUSTOMER
from tests.web.calls.test_come_back import VALVE, back, finished, ordered

from kitwright.app import make_app, make_service
from kitwright.settings import Settings, built_in_catalog


def test_invoice_of_a_partly_borne_visit_follows_the_official_rules(tmp_path: Path) -> None:
    settings = Settings(catalog=built_in_catalog(), data=tmp_path, shop="orchard")
    service = make_service(settings)
    with (
        open_counter(service, tmp_path) as counter,
        client_of(make_app(counter.desk), counter.key) as client,
    ):
        staff = Staff(counter, client)
        customer = staff.done("/v1/customers", CUSTOMER).json()["id"]
        first = finished(staff, customer=customer)
        id = back(staff, first, jobs=[{"job": "J-CARB"}], said={"jobs": [VALVE]})  # noqa: A001
        staff.act(id, "issue")
        staff.act(id, "accept", {"revision": 1, "who": "M. Ferrier", "means": "telephone"})
        ordered(staff, id)
        staff.act(id, "start")
        head = staff.act(id, "finish")
        assert "invoice" in head["acts"]

        bill = staff.act(id, "invoice")

        assert float(bill["gross"]["amount"]) > 0
        path, accept = f"/v1/invoices/{bill['number']}", {"Accept": "application/xml"}
        document = client.get(path, headers=accept).content
    schema("invoice").assertValid(etree.fromstring(document))
    assert bill["profile"]
    assert Rules().failures(document) == []
