"""The fee for the diagnosis, with as many decimals as its currency has."""

from decimal import Decimal

import pytest
from msgspec import structs
from tests.stages.workbench import HIRE_YARD, MONDAY, V68, job, starter

from kitwright.flow import quote_repair
from kitwright.stages.request import Asked, RequestRefused
from kitwright.workshop import Workshop


def test_fee_with_more_decimals_than_its_currency_is_refused() -> None:
    catalogue = starter()
    workshop = Workshop(catalogue, catalogue.shops[HIRE_YARD])
    asked = Asked(family=V68, on=MONDAY, jobs=(job("J-OIL"),), diagnostic_done=True)
    quote_repair(workshop, structs.replace(asked, diagnostic_fee=Decimal("1.0")))

    with pytest.raises(RequestRefused) as caught:
        quote_repair(workshop, structs.replace(asked, diagnostic_fee=Decimal("1.005")))

    (fault,) = caught.value.faults
    assert (fault.code, fault.path) == ("amount-too-fine", ("diagnostic_fee",))
