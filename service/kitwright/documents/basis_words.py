"""What a quote without pressure readings is based on, in words for the customer."""

from __future__ import annotations

from kitwright.language.scribe import Scribe
from kitwright.quote import Quote


def basis_told(quote: Quote, scribe: Scribe) -> str:
    """Return what a quote is based on; empty if it has pressure readings, which show it."""
    say = scribe.say
    assessment = quote.assessment
    if assessment is not None:
        if assessment.leakage:
            return ""
        if any(one.grade for one in assessment.diagnoses):
            return say(
                "No pressure readings were taken; this quote is not based on test results. The "
                "findings that it is based on are listed under each cause."
            )
        return say(
            "No pressure readings were taken; this quote is not based on test results. Our "
            "findings do not name a cause yet."
        )
    faults = "; ".join(scribe.on_cylinder(one.name, one.cylinder) for one in quote.diagnoses)
    is_tested = any(why.code == "diagnostic-done" for line in quote.lines for why in line.why)
    if is_tested and faults:
        return say("We have tested the machine. Our diagnosis: {faults}.", faults=faults)
    if is_tested:
        return say("We tested the machine before we made this quote.")
    if faults:
        return say(
            "This quote is for the repair of: {faults}. It is not based on test results.",
            faults=faults,
        )
    return say("This quote is for the work you asked for; it is not based on test results.")
