from tests.stages.workbench import BOTH_HEADS, quote, starter, with_job


def test_quote_repair_does_not_offer_a_job_that_the_engine_cannot_have() -> None:
    # the V68 has no fuel tank; the head gasket offers the job on engines that do
    catalogue = with_job(starter(), "J-BREATHER", access=("fuel_tank",))
    offered = [extra.job for extra in quote(catalogue, jobs=BOTH_HEADS).extras]
    assert "J-BREATHER" not in offered
    assert "J-STEM-SEAL" in offered
