"""English: the sentence of every reason, and the words for ids of the starter catalogue."""

from __future__ import annotations

from typing import Final

SENTENCES: Final[dict[str, str]] = {
    "asked-by-diagnosis": "Needed to repair: {diagnosis} ({scope} scope).",
    "asked-by-counter": "Requested by name.",
    "chosen-by-findings": "Chosen on the basis of the findings.",
    "added-by-counter": "Added to the quote.",
    "only-job": "It is the only work of this quote.",
    "needed-by-diagnosis": "Without it, this is not repaired: {diagnosis}.",
    "needed-first": "The findings ask for it before anything else.",
    "needed-by-find": "Without it, what was found stays as it is.",
    "unsafe-without": "It would not be safe without it.",
    "better-for-less": "{course} is the better course, and costs {less} less than: {dearer}.",
    "repair-share-of-value": "{course} costs {percent} of the machine's value of {value}.",
    "repair-above-value-share": (
        "{course} costs {percent} of the machine's value of {value}. Think about replacing it."
    ),
    "repair-far-above-value-share": (
        "{course} costs {percent} of the machine's value of {value}. We would think hard about "
        "replacing it."
    ),
    "machine-so-old": "Age of the machine in years: {years}. Hours run: {run}.",
    "repair-share-of-machine": "{course} costs {percent} of another machine at {value}.",
    "repair-above-machine-share": (
        "{course} costs {percent} of another machine at {value}. Think about replacing it."
    ),
    "repair-far-above-machine-share": (
        "{course} costs {percent} of another machine at {value}. We would think hard about "
        "replacing it."
    ),
    "machine-costs-more": "Another machine comes to {price}, {more} more than: {course}.",
    "machine-costs-less": "Another machine comes to {price}, {more} less than: {course}.",
    "machine-for-less": "Another machine comes to {price}, {less} less.",
    "machine-price-given": "Its price of {price} is as given to us, and taken to include tax.",
    "machine-fee-owed": "The diagnosis, {owed}, is owed as well.",
    "machine-day-open": "Its seller says when it can be there.",
    "machine-warranty-open": "Its warranty is its seller's.",
    "machine-value-kept": (
        "Your own machine, worth {value} as given to us, stays yours: that is not taken off."
    ),
    "machine-by-declining": "We do not sell it with this offer: to choose it, decline the offer.",
    "changed-by-counter": "Its minutes were set for this quote.",
    "access-of-job": "The work is done here: {job}.",
    "stands-before": "Removed before: {component}.",
    "quicker-with-engine-out": "With the engine out of the machine, the entire visit is quicker.",
    "replaced-by-job": 'Replaced by the job "{job}".',
    "renewed-by-refit": "Replaced during reassembly ({component}).",
    "turned-up": "Replaced if the fault is found.",
    "used-by-work": "Used for: {work}.",
    "fits-every-serial": "{item} fits every serial number of this family.",
    "fits-by-serial": "{item} fits serial numbers {serials}.",
    "fits-by-succession": "{item} supersedes {first}, which fits serial numbers {serials}.",
    "fits-one-of": (
        "The engine's plate decides between {options}; the most expensive, {item}, is priced."
    ),
    "used-up": "{item} is in stock and is used up before {current}, which supersedes it.",
    "set-for-pieces": (
        "Set price: {set_price}. The same parts sold separately ({pieces}): {pieces_price}."
    ),
    "set-at-price-of-pieces": (
        "Bought as a set that sells at {set_price}; charged at the price of the parts used "
        "({pieces}): {pieces_price}."
    ),
    "labour-of-job": "{minutes} min of {class} labour for: {job}.",
    "shares-work": "The work in common with “{job}” is charged there.",
    "bench-minimum": "{minutes} min added, up to the minimum bench charge of {minimum} min.",
    "diagnostic-done": "The tests that led to this quote.",
    "diagnostic-credited": "{percent} of the diagnostic fee is credited against the repair.",
    "supplies-of-labour": (
        "{percent} of {labour} labour, at most {cap}, less {chemicals} for chemicals listed above."
    ),
    "oil-drained": "Used oil disposed of: {litres} L.",
    "freight-of-orders": (
        "Freight and order fees of {suppliers}: {charged} before tax. The most that is passed on "
        "is {cap}."
    ),
    "freight-of-orders-before": (
        "Freight and order fees of the parts that were ordered before: {charged} before tax. The "
        "most that is passed on is {cap}."
    ),
    "freight-of-later-orders": (
        "Freight and order fees: {charged} before tax, of which {before} for the parts that were "
        "ordered before, and the rest for those still to be ordered from {suppliers}. The most "
        "that is passed on is {cap}."
    ),
    "no-source": "No supplier of this shop offers {item} in the required quality.",
    "minutes-overridden": "Minutes set by {by}: {reason}",
    "floor-changed": "{by} allows {quality} quality here: {reason}",
    "credit-follows-fee": "Limited to the diagnostic fee that is still charged.",
    "price-overridden": "Price set by {by} instead of {computed}: {reason}",
    "free-line": "Added by {by}: {reason}",
    "carried-over": "Added on {day} under the earlier agreement.",
    "tax-rate-changes": (
        "{tax} is {rate} on the day of this quote and {new_rate} from {first_day}. The new rate "
        "may apply to work that is finished from that day."
    ),
    "part-not-available": (
        "Not available at present: {missing}. When all parts are here is therefore not known yet."
    ),
    "minutes-from-elements": (
        "No times are published for this machine. {minutes} min of this quote follow from its "
        "fasteners, by common practice, and may turn out {percent} more or less."
    ),
    "step-free": "It waits for no other step.",
    "step-after": "After step {step}.",
    "step-after-look": "After step {step}, which may show more.",
    "rounded-up": "Rounded up to the shop's increment.",
    "minutes-set-by-hand": "Minutes set by hand.",
    "bench-minimum-added": "Added up to the bench minimum.",
    "discount-of-line": 'Discount on "{code}", given by {by}: {reason}',
    "percent-of-line": '{percent} discount on "{code}", given by {by}: {reason}',
    "discount-of-quote": "Share of the discount on the whole quote, given by {by}: {reason}",
    "percent-of-quote": "{percent} discount on the whole quote, given by {by}: {reason}",
    "borne-by-shop": "Borne by us: you do not pay for it.",
    "came-back": (
        "This visit follows {visit}: you collected the machine on {collected}, and it came back on "
        "{came_back}."
    ),
    "came-back-uncollected": (
        "This visit follows {visit}, whose machine was not collected before {came_back}."
    ),
    "warranty-not-settled": (
        "The cause is not settled yet. If it is our work or a part that we sold, and our warranty "
        "still runs, we bear the jobs that it concerns."
    ),
    "warranty-new-fault": "It is another fault than the one repaired then: our usual prices apply.",
    "warranty-work-in-time": (
        "The cause is our work. Our warranty on it runs until {until}: we bear the jobs that it "
        "concerns."
    ),
    "warranty-work-too-late": (
        "The cause is our work. Our warranty on it ran until {until}: our usual prices apply."
    ),
    "warranty-part-in-time": (
        "The cause is a part that we sold: {missing}. Our warranty on it runs until {until}: we "
        "bear the jobs that it concerns. We ask for the maker's own warranty first."
    ),
    "warranty-part-too-late": (
        "The cause is a part that we sold: {missing}. Our warranty on it ran until {until}: our "
        "usual prices apply. The maker's own warranty may run longer: we ask for it first."
    ),
    "warranty-part-of-customer": (
        "The cause is a part that you supplied: {missing}. We give no warranty on the part itself: "
        "our usual prices apply."
    ),
    "warranty-job": "We bear: {job}.",
    "warranty-by-law": "Your rights by law stand beside our warranty, whatever it says.",
    "customer-brings": "Supplied by the customer: no warranty on the part itself.",
    "core-deposit": "Refunded when the old part is returned.",
    "sublet-of-job": "Done by a specialist: {job}. Additional working days: {days}.",
    "speaks-for": "{finding}: {times} times as likely with {fault} as without it.",
    "speaks-against": "{finding}: {times} times as likely without {fault} as with it.",
    "speaks-for-too": (
        "{finding}: {times} times as likely with {fault} as without it, but the rest of what was "
        "found explains it too."
    ),
    "speaks-against-too": (
        "{finding}: {times} times as likely without {fault} as with it, but the rest of what was "
        "found explains it too."
    ),
    "settles-for": ("{finding}: at least {times} times as likely with {fault} as without it."),
    "settles-against": ("{finding}: at least {times} times as likely without {fault} as with it."),
    "clash-over-fault": (
        "{finding}: points to {fault}; {other}: points away from it. Conflicting findings are not "
        "averaged: repeat one of the tests."
    ),
    "retest-voided": "Its last result does not count, so this test comes first.",
    "retest-after-job": "Repeated once this is done: {job}.",
    "retest-clash": "Repeated because findings conflict.",
    "retest-clash-over": "Repeated because findings conflict over: {fault}.",
    "basic-open": "Done on every machine before faults are ranked.",
    "informs-of-jobs": "Expected information about the jobs needed: {bits} bits, in {minutes} min.",
}
"""Reason code -> sentence, with facts in braces. A test compares the codes with the stages'."""

GROUPED: Final[dict[str, str]] = {
    "replaced-by-job": "Replaced by the job: {roles}.",
    "renewed-by-refit": "Replaced during reassembly: {roles}.",
    "used-by-work": "Used for: {roles}.",
}
"""Reason code -> one sentence for all the roles of a line that have this reason."""

UNSAID: Final = frozenset({"fits-every-serial", "labour-of-job"})
"""Reasons that a summary leaves out because they go without saying."""

WORDS: Final[dict[str, str]] = {
    "course-least": "The least repair",
    "course-recommended": "The usual repair",
    "course-thorough": "The thorough repair",
    "course-short_block": "A new short block",
    "course-engine": "A complete engine",
    "adapt_and_align": "adapting and aligning the engine",
    "air_hold": "compressed air that holds the valves",
    "airbox_gasket": "air box gasket",
    "alternator_off": "alternator",
    "battery_off": "battery leads",
    "bench_clean_and_kit": "cleaning the carburettor and fitting the kit",
    "breather_assy": "breather",
    "cables_wiring": "cables and wiring",
    "carb_gasket": "carburettor flange gasket",
    "carb_kit": "carburettor kit",
    "clean": "cleaning",
    "clean_crankcase_faces": "cleaning both faces of the crankcase joint, old gasket off",
    "clean_deck": "cleaning the face of the cylinder, old gasket off",
    "clean_drain_back_and_hose": "cleaning the oil drain-back and the hose",
    "clean_faces": "cleaning the sealing faces",
    "clean_transferred_parts": "cleaning the transferred parts",
    "clear_drain_back": "clearing the oil drain-back",
    "consumable": "consumables",
    "core": "core deposit",
    "cyl_shroud": "cylinder shroud",
    "debris_heavy": "extra cleaning of packed debris",
    "diag": "testing",
    "engine_out": "whole engine",
    "extract_stud": "extracting the stud",
    "face_and_check_flat": "facing the intake joint and checking that it is flat",
    "face_ports": "facing the exhaust ports",
    "fee": "fees",
    "fit_exhaust_valve": "taking the old exhaust valve out, fitting the new one",
    "fit_inlet_valve": "taking the old inlet valve out, fitting the new one",
    "flatness_check": "checking the head for flatness",
    "fuel_clip": "fuel hose clip",
    "generator_output": "measuring the output",
    "guide_wear_check": "checking the valve guides for wear",
    "head_assy": "cylinder head, complete",
    "head_resurface": "head resurfacing",
    "head_sequence": "head tightening sequence",
    "head_thread_insert": "head bolt thread insert",
    "hone_measure_clean": "honing, measuring and cleaning the bore",
    "insert_head_thread": "fitting the head bolt thread insert",
    "inspect_flywheel_journal": "inspecting the shaft on the flywheel side",
    "inspect_output_journal": "inspecting the shaft on the output side",
    "lap_and_test": "lapping and testing the valves",
    "lash_ex": "exhaust valve clearance",
    "lash_in": "inlet valve clearance",
    "leakdown": "leak-down test",
    "least": "minimum",
    "mag_seal": "flywheel-side crank seal",
    "oil_drain": "oil filling",
    "oil_fill": "engine oil",
    "pack_and_measure": "measuring and packing the head",
    "part": "parts",
    "plugs_out_after": "taking the spark plugs out after the run",
    "pressure_test_needle": "pressure-testing the float needle",
    "previous_work": "undoing somebody else's work",
    "pto_clutch": "drive clutch",
    "pto_seal": "output-side crank seal",
    "pump_off": "pump",
    "recheck_vacuum": "measuring the crankcase vacuum again",
    "retest_leak": "repeating the leak-down test",
    "ring_gap": "checking the ring gaps",
    "ring_set": "piston rings",
    "seal_crankcase_joint": "sealing the crankcase joint",
    "seat_width_and_clean": "checking the valve seat width and cleaning",
    "senior": "senior",
    "set_lash_cold": "setting the valve clearances cold",
    "stem_seal": "valve stem seals",
    "straighten_flange_and_clean": "straightening and cleaning the cover flange",
    "sublet": "sublet work",
    "sump": "sump or side cover",
    "sump_gasket": "sump or side cover gasket",
    "tap_insert_evacuate_chips": "cutting the thread, fitting the insert and removing the chips",
    "tech": "bench",
    "thread_insert": "spark plug thread insert",
    "transfer_parts": "transferring parts to the short block",
    "transfer_to_new_head": "transferring parts to the new head",
    "vacuum_and_write_up": "measuring the crankcase vacuum and writing the report",
    "valve_ex": "exhaust valve",
    "valve_in": "inlet valve",
    "warm_up": "warming up the engine",
    "water_for_run": "the run with water through the pump",
    "water_for_test": "the test with water through the pump",
}
"""Ids whose words are not simply the id with spaces. A component's is a noun: it is listed both
under removal and under reassembly.
"""

PHRASES: Final[dict[str, str]] = {
    "bench-minimum": "Minimum charge for labour",
    "diagnostic-fee": "Diagnosis",
    "diagnostic-credit": "Diagnostic credit",
    "shop-supplies": "Shop supplies",
    "waste-oil": "Used oil disposal",
    "freight-and-order-fees": "Shipping and order fees for parts",
    "small-order": "Small order fee",
    "hazardous-goods": "Hazardous goods fee",
    "core": "Deposit for the old part: {item}",
    "discount": "Discount: {kind}",
    "warranty": "At our expense (warranty): {kind}",
    "labour": "{job} - {class} labour",
    "sublet": "{service} (by another workshop)",
    "free": "added line {place}",
}
"""Names of lines and fees that are not part of the catalogue."""

UNITS: Final[dict[str, tuple[str, str]]] = {
    "piece": ("piece", "pieces"),
    "set": ("set", "sets"),
    "L": ("L", "L"),
    "ml": ("ml", "ml"),
    "g": ("g", "g"),
    "can": ("can", "cans"),
    "pad": ("pad", "pads"),
    "sheet": ("sheet", "sheets"),
    "minute": ("min", "min"),
    "hour": ("h", "h"),
    "km": ("km", "km"),
    "lump sum": ("lump sum", "lump sums"),
}
"""Unit word -> words for one and for several."""
