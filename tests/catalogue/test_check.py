import ast
import re
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

import kitwright.catalogue.check
from kitwright.catalogue.check import check_catalogue
from kitwright.catalogue.load import load_catalogue
from kitwright.catalogue.model import Catalogue

Edit = tuple[str, str, str]

VTV, SV, SH = "layouts/VTV.toml", "layouts/SV.toml", "layouts/SH.toml"
V68, D74, S50, H27 = (
    "families/TB-V68.toml",
    "families/QM-D74.toml",
    "families/TB-S50.toml",
    "families/QM-H27.toml",
)
TRACTOR, WASHER = "chassis/DF-RT36.toml", "chassis/OS-PW27.toml"
JOBS, RULES = "jobs.toml", "diagnosis.toml"
ALDQ, BRMW, DLWY = "suppliers/ALDQ.toml", "suppliers/BRMW.toml", "suppliers/DLWY.csv"
COUNTY, VAT = "tax/example-county.toml", "tax/example-vat.toml"
YARD, ORCHARD = "shops/hire-yard.toml", "shops/orchard.toml"


class Case(NamedTuple):
    """A way to break the starter catalogue, and the fault that must be found."""

    code: str
    file: str
    record: str
    edits: tuple[Edit, ...]
    along_with: frozenset[str] = frozenset()
    """Codes that cannot but come with it."""


def case(code: str, record: str, *edits: Edit, file: str = "") -> Case:
    """Return a case; the fault stands in the file of the first edit unless said otherwise."""
    return Case(code, file or edits[0][0], record, edits)


CASES = [
    # Layouts, families, chassis: references.
    case("layout-unknown", "", (V68, 'layout = "VTV"', 'layout = "VTW"')),
    case("layout-unknown", "", (WASHER, 'layouts = ["SH"]', 'layouts = ["SH", "SW"]')),
    case("component-unknown", "component blower_housing", (VTV, '["air_cleaner"]', '["air_box"]')),
    case(
        "component-unknown",
        "component pump_off",
        (WASHER, 'id = "pump_off"\n', 'id = "pump_off"\nneeds_all = ["pump_belt"]\n'),
    ),
    case(
        "component-unknown",
        "override head",
        (D74, 'component = "head",', 'component = "head", needs_all = ["heads@"],'),
    ),
    case(
        "component-unknown",
        "override breathe",
        (D74, 'component = "breather"', 'component = "breathe"'),
    ),
    case(
        "component-unknown",
        "override engine_out",
        (D74, 'component = "breather"', 'component = "engine_out"'),
    ),
    case(
        "component-unknown",
        "rule sump_cover",
        (WASHER, 'applies_to = "sump"', 'applies_to = "sump_cover"'),
    ),
    case(
        "component-unknown",
        "alias intake_joint",
        (SV, 'component = "carburettor" }', 'component = "carb" }'),
    ),
    case(
        "component-unknown",
        "job J-LASH",
        (
            JOBS,
            'access = ["rocker_cover@", "spark_plug@"]',
            'access = ["rocker_box@", "spark_plug@"]',
        ),
    ),
    case(
        "component-unknown",
        "visit_work V-FINS",
        (JOBS, 'access = ["blower_housing"]', 'access = ["blower"]'),
    ),
    case(
        "mark-wrong",
        "component rocker_gear",
        (VTV, '"rocker_cover@", "spark_plug@"', '"rocker_cover", "spark_plug@"'),
    ),
    case("mark-wrong", "component blower_housing", (VTV, '["air_cleaner"]', '["air_cleaner@*"]')),
    case(
        "mark-wrong",
        "component intake_manifold",
        (VTV, '["intake_gasket@*", "airbox_gasket"]', '["intake_gasket@", "airbox_gasket"]'),
    ),
    case("mark-wrong", "component breather", (SH, '["rocker_cover@*"]', '["rocker_cover@"]')),
    case(
        "mark-wrong",
        "component sump",
        (SV, '["sump_gasket", "pto_seal"]', '["sump_gasket@", "pto_seal"]'),
    ),
    case("mark-wrong", "rule rocker_cover@", (TRACTOR, '"rocker_cover@*"', '"rocker_cover@"')),
    case(
        "mark-wrong",
        "rule muffler",
        (TRACTOR, '"muffler_shield", "front_brace"', '"muffler_shield", "spark_plug@"'),
    ),
    case(
        "mark-wrong", "job J-SHORT-BLOCK", (JOBS, '"engine_out", "head@*"', '"engine_out", "head@"')
    ),
    case(
        "mark-wrong",
        "job J-EXHAUST-GASKET",
        (JOBS, 'replaces = ["exhaust_gasket@*"]', 'replaces = ["exhaust_gasket@"]'),
    ),
    case(
        "reference-malformed",
        "component blower_housing",
        (VTV, '["air_cleaner"]', '["air_cleaner@1"]'),
    ),
    case("reference-malformed", "component fuel_line", (VTV, '["fuel_clip"]', '["Fuel clip"]')),
    case(
        "reference-malformed",
        "job J-HEAD-GASKET, contingency bent_pushrod",
        (JOBS, 'role = "pushrod@"', 'role = "pushrod@@"'),
    ),
    case(
        "branch-not-one",
        "component valve_springs",
        (VTV, '[["head@", "air_hold@"]]', '[["head@*", "air_hold@"]]'),
    ),
    case("group-empty", "component valve_springs", (VTV, '[["head@", "air_hold@"]]', "[[]]")),
    case(
        "id-malformed",
        "component Bonnet-latch",
        (
            TRACTOR,
            '[[component]]\nid = "bonnet"',
            '[[component]]\nid = "Bonnet-latch"\nremove_minutes = 1\nrefit_minutes = 1\n\n[[component]]\nid = "bonnet"',
        ),
    ),
    case(
        "id-malformed",
        "alias Intake",
        (SH, "alias = [", 'alias = [\n  { name = "Intake", component = "carburettor" },'),
        (SV, "alias = [", 'alias = [\n  { name = "Intake", component = "carburettor" },'),
        (VTV, "alias = [", 'alias = [\n  { name = "Intake", component = "carburettor" },'),
    ),
    case(
        "component-twice",
        "component fuel_line",
        (
            TRACTOR,
            '[[component]]\nid = "bonnet"',
            '[[component]]\nid = "fuel_line"\nremove_minutes = 1\nrefit_minutes = 1\n\n[[component]]\nid = "bonnet"',
        ),
    ),
    case(
        "alias-hides",
        "alias intake_joint",
        (
            SH,
            "[[component]]",
            '[[component]]\nid = "intake_joint"\nremove_minutes = 1\nrefit_minutes = 1\n\n[[component]]',
        ),
    ),
    case(
        "alias-missing",
        "alias exhaust",
        (SH, "alias = [", 'alias = [\n  { name = "exhaust", component = "muffler" },'),
        file=SV,
    ),
    case(
        "engine-out-missing",
        "",
        (WASHER, 'id = "engine_out"', 'id = "engine_off"'),
        (WASHER, '["engine_out"]', '["engine_off"]'),
    ),
    # Graphs.
    case(
        "cycle",
        "component air_cleaner",
        (VTV, 'id = "air_cleaner"\n', 'id = "air_cleaner"\nneeds_all = ["blower_housing"]\n'),
    ),
    case(
        "cycle",
        "component air_hold",
        (SH, 'id = "air_hold"\n', 'id = "air_hold"\nneeds_any = [["muffler", "valve_springs@"]]\n'),
    ),
    case("cycle", "component breather", (D74, '["intake_manifold"]', '["breather"]')),
    case(
        "cycle",
        "component bonnet",
        (TRACTOR, 'id = "bonnet"\n', 'id = "bonnet"\nneeds_all = ["side_panels"]\n'),
    ),
    case(
        "branch-never-wins",
        "component valve_springs",
        (SV, '[["head@", "air_hold@"]]', '[["head@", "air_hold@", "piston@"]]'),
    ),
    case(
        "branch-never-wins",
        "component valve_springs",
        (SV, '[["head@", "air_hold@"]]', '[["head@", "air_hold@", "rocker_cover@"]]'),
    ),
    case(
        "branch-never-wins",
        "component valve_springs",
        (SV, '[["head@", "air_hold@"]]', '[["head@", "air_hold@", "air_hold@"]]'),
    ),
    case(
        "branch-never-wins",
        "component rocker_cover",
        (TRACTOR, '[["side_panels", "engine_out"]]', '[["bonnet", "engine_out"]]'),
    ),
    case(
        "engine-out-indefinite",
        "component pto_clutch",
        (
            TRACTOR,
            'id = "pto_clutch"\n',
            'id = "pto_clutch"\nneeds_any = [["side_panels", "front_brace"]]\n',
        ),
    ),
    # Parts, sets, consumables.
    case(
        "price-list-unknown",
        "part V68-G-103",
        (V68, 'usd = "14.80", eur-vat', 'usd = "14.80", gbp = "1.00", eur-vat'),
    ),
    case(
        "price-list-unknown",
        "part V68-A-001",
        (V68, 'core_deposit = { usd = "80.00"', 'core_deposit = { cad = "80.00"'),
    ),
    case("price-list-unknown", "", (ALDQ, 'price_list = "usd"', 'price_list = "us"')),
    case("price-list-unknown", "", (YARD, 'price_list = "usd"', 'price_list = "us"')),
    case("list-price-missing", "set V68-K-010", (V68, 'usd = "64.50", ', "")),
    case("list-price-missing", "consumable CS-RTV", ("consumables.toml", 'usd = "12.90", ', "")),
    case("remaining-stock-unsaid", "part V68-G-101", (V68, "use_remaining_stock = false, ", "")),
    case(
        "remaining-stock-stray",
        "part V68-G-110",
        (V68, 'id = "V68-G-110",', 'id = "V68-G-110", use_remaining_stock = true,'),
    ),
    case(
        "part-unknown",
        "part V68-G-102",
        (V68, 'superseded_by = "V68-G-103"', 'superseded_by = "V68-G-193"'),
    ),
    case(
        "part-unknown", "set V68-K-010", (V68, "contents = { V68-G-103", "contents = { V68-G-193")
    ),
    case(
        "supersession-loop",
        "part V68-G-110",
        (
            V68,
            'id = "V68-G-110",',
            'id = "V68-G-110", use_remaining_stock = true, superseded_by = "V68-G-110",',
        ),
        (BRMW, 'item = "V68-G-110"', 'item = "V68-G-130"'),
        ("suppliers/FKRD.toml", 'item = "V68-G-110"', 'item = "V68-G-130"'),
    ),
    case(
        "set-empty",
        "set H27-K-099",
        (
            H27,
            "set = [",
            'set = [\n  { id = "H27-K-099", name = "x", maker = "Quellmar", quality = "maker", list_price = { usd = "1.00", eur-vat = "1.00" }, contents = {} },',
        ),
    ),
    case(
        "unit-unknown",
        "consumable CS-THREADLOCK",
        ("consumables.toml", 'pack = "10", unit = "ml"', 'pack = "10", unit = "drop"'),
        (JOBS, 'quantity = "0.5", unit = "ml"', 'quantity = "0.5", unit = "drop"'),
    ),
    # Fitments.
    case(
        "item-unknown",
        "fitment rocker_cover_gasket",
        (V68, 'part = "V68-G-110"', 'part = "V68-G-119"'),
    ),
    case("item-unknown", "offer AQ-V68G103", (ALDQ, 'item = "V68-G-103"', 'item = "V68-G-193"')),
    case("item-unknown", "offer D-RTV85", (DLWY, "CS-RTV", "CS-RTW")),
    case("item-unknown", "stock V68-F-891", (YARD, "V68-F-801", "V68-F-891")),
    case(
        "quantity-not-whole",
        "fitment exhaust_nut",
        (V68, 'part = "V68-B-205", quantity = "2"', 'part = "V68-B-205", quantity = "2.5"'),
    ),
    case(
        "unit-differs",
        "fitment oil_fill",
        (V68, 'quantity = "1.9", unit = "L"', 'quantity = "1.9", unit = "ml"'),
    ),
    case(
        "unit-differs",
        "fitment exhaust_nut",
        (
            V68,
            'part = "V68-B-205", quantity = "2"',
            'part = "V68-B-205", quantity = "2", unit = "set"',
        ),
    ),
    case(
        "unit-differs",
        "component sump, refit_work seal_crankcase_joint, uses CS-RTV",
        (VTV, 'quantity = "20", unit = "ml"', 'quantity = "20", unit = "g"'),
    ),
    case(
        "cylinder-unknown",
        "fitment rocker_cover_gasket",
        (
            H27,
            'role = "rocker_cover_gasket", cylinders = [1]',
            'role = "rocker_cover_gasket", cylinders = [1, 2]',
        ),
    ),
    case(
        "build-code-malformed",
        "fitment airbox_gasket",
        (H27, 'role = "airbox_gasket",', 'role = "airbox_gasket", build_codes = ["14O7"],'),
    ),
    case(
        "serial-range-backwards",
        "fitment airbox_gasket",
        (
            H27,
            'role = "airbox_gasket",',
            'role = "airbox_gasket", serial_from = 5, serial_to = 4, part = "H27-G-131", quantity = "1" },\n  { role = "airbox_gasket",',
        ),
    ),
    case(
        "serial-gap",
        "role breather_assy",
        (S50, "serial_from = 1800000,", "serial_from = 1800001,"),
        (S50, "at = 1800000", "at = 1800001"),
        (S50, "serial_break = [", 'serial_break = [\n  { at = 1800000, what = "x" },'),
    ),
    case(
        "serial-gap",
        "role airbox_gasket",
        (H27, 'role = "airbox_gasket",', 'role = "airbox_gasket", build_codes = ["1407"],'),
        (H27, 'role = "carb_gasket",', 'role = "carb_gasket", build_codes = ["1407", "1408"],'),
    ),
    case(
        "serial-gap",
        "role airbox_gasket",
        (H27, 'role = "airbox_gasket",', 'role = "airbox_gasket", serial_to = 4999999,'),
        (H27, "specs =", 'serial_break = [{ at = 5000000, what = "x" }]\nspecs ='),
    ),
    case(
        "serial-overlap",
        "role breather_assy",
        (S50, "serial_to = 1799999", "serial_to = 1800000"),
        (S50, "serial_break = [", 'serial_break = [\n  { at = 1800001, what = "x" },'),
    ),
    case(
        "serial-overlap",
        "role airbox_gasket",
        (
            H27,
            'role = "airbox_gasket",',
            'role = "airbox_gasket", part = "H27-G-131", quantity = "1", build_codes = ["1407"] },\n  { role = "airbox_gasket",',
        ),
    ),
    case(
        "serial-break-without-change",
        "serial_break 2000000",
        (S50, "serial_break = [", 'serial_break = [\n  { at = 2000000, what = "x" },'),
    ),
    case(
        "change-without-serial-break",
        "serial_break 5000000",
        (
            H27,
            'role = "airbox_gasket",',
            'role = "airbox_gasket", serial_to = 4999999, part = "H27-G-131", quantity = "1" },\n  { role = "airbox_gasket", serial_from = 5000000,',
        ),
    ),
    case("oil-differs", "role oil_fill", (V68, 'oil_litres = "1.9"', 'oil_litres = "2.0"')),
    case("role-unfitted", "role mag_seal", (V68, 'role = "mag_seal"', 'role = "mag_seel"')),
    case(
        "role-unfitted",
        "role valve_ex@2",
        (D74, 'role = "valve_ex", cylinders = [1, 2]', 'role = "valve_ex", cylinders = [1]'),
    ),
    case("role-unfitted", "role pushrod@1", (H27, 'role = "pushrod"', 'role = "push_rod"')),
    case(
        "role-unfitted",
        "role head_bolt@1",
        (
            V68,
            'flags = ["compression_release",',
            'flags = ["compression_release", "tty_head_bolts",',
        ),
    ),
    case(
        "role-unfitted",
        "role pulley_key",
        (
            "chassis/MF-WB30.toml",
            'id = "blade_pulley"\n',
            'id = "blade_pulley"\nrenews = ["pulley_key"]\n',
        ),
        file=S50,
    ),
    # Jobs.
    case(
        "visit-work-unknown",
        "job J-OIL",
        (
            JOBS,
            'access = ["oil_drain"]\nvisit = ["V-OIL", "V-RUN"]',
            'access = ["oil_drain"]\nvisit = ["V-OIL", "V-WALK"]',
        ),
    ),
    case(
        "visit-work-unknown",
        "labour",
        (YARD, 'debris_heavy_visit = "V-FINS"', 'debris_heavy_visit = "V-FIN"'),
    ),
    case(
        "visit-work-unreachable",
        "job J-LEAKDOWN",
        (JOBS, 'id = "V-INTAKE"\n', 'id = "V-INTAKE"\naccess = ["fuel_tank"]\n'),
    ),
    case(
        "job-unknown",
        "job J-HEAD-GASKET",
        (JOBS, 'supersedes = ["J-LASH"]', 'supersedes = ["J-LUSH"]'),
    ),
    case(
        "job-unknown",
        "job J-HEAD-GASKET, while_apart",
        (JOBS, 'job = "J-BREATHER", default = "offer"', 'job = "J-BREATH", default = "offer"'),
    ),
    case(
        "job-unknown",
        "job J-HEAD-GASKET, contingency stripped_head_thread",
        (JOBS, 'job = "J-THREAD-CASE"', 'job = "J-THREAD"'),
    ),
    case(
        "job-unknown",
        "diagnosis OVERFULL, scopes.thorough",
        (RULES, 'thorough = [{ job = "J-OIL" }]', 'thorough = [{ job = "J-OILS" }]'),
    ),
    case(
        "job-unknown",
        "gate GATE-LASH-FIRST",
        (RULES, 'job = "J-LASH"\nholds', 'job = "J-LUSH"\nholds'),
    ),
    case(
        "cylinders-misstated",
        "job J-HEAD-GASKET, while_apart",
        (JOBS, 'job = "J-STEM-SEAL", cylinders = "own"', 'job = "J-STEM-SEAL"'),
    ),
    case(
        "cylinders-misstated",
        "job J-HEAD-GASKET, while_apart",
        (
            JOBS,
            'job = "J-BREATHER", default = "offer"',
            'job = "J-BREATHER", cylinders = "all", default = "offer"',
        ),
    ),
    case(
        "cylinders-misstated",
        "job J-HEAD-GASKET, while_apart",
        (JOBS, 'job = "J-STEM-SEAL", cylinders = "own"', 'job = "J-STEM-SEAL", cylinders = "one"'),
    ),
    case(
        "cylinders-misstated",
        "job J-SHORT-BLOCK, contingency warped_head",
        (JOBS, 'job = "J-RESURFACE", cylinders = "one"', 'job = "J-RESURFACE", cylinders = "own"'),
    ),
    case(
        "cylinders-misstated",
        "diagnosis RICH, scopes.thorough",
        (
            RULES,
            '{ job = "J-CARB" }, { job = "J-PLUG", cylinders = "all" }',
            '{ job = "J-CARB" }, { job = "J-PLUG", cylinders = "own" }',
        ),
    ),
    case(
        "supersedes-loop",
        "job J-HEAD-GASKET",
        (
            JOBS,
            'access = ["rocker_cover@", "spark_plug@"]',
            'access = ["rocker_cover@", "spark_plug@"]\nsupersedes = ["J-HEAD-GASKET"]',
        ),
    ),
    case(
        "raise-incomplete",
        "job J-HEAD-GASKET, contingency scored_bore",
        (JOBS, 'probability = "0.08", raised_probability = "0.90",', 'probability = "0.08",'),
    ),
    case(
        "raise-lowers",
        "job J-HEAD-GASKET, contingency scored_bore",
        (
            JOBS,
            'probability = "0.08", raised_probability = "0.90",',
            'probability = "0.08", raised_probability = "0.07",',
        ),
    ),
    case(
        "addition-unclear",
        "job J-HEAD-GASKET, contingency stripped_head_thread",
        (
            JOBS,
            '{ job = "J-THREAD-CASE", cylinders = "own" }',
            '{ job = "J-THREAD-CASE", cylinders = "own", role = "pushrod@" }',
        ),
    ),
    case(
        "addition-unclear",
        "job J-HEAD-GASKET, contingency bent_pushrod",
        (JOBS, '{ role = "pushrod@" }', '{ role = "pushrod@", cylinders = "own" }'),
    ),
    case(
        "addition-unclear",
        "job J-HEAD-GASKET, contingency bent_pushrod",
        (JOBS, '[{ role = "pushrod@" }]', "[]"),
    ),
    case(
        "condition-unclear",
        "job J-HEAD-GASKET, contingency warped_head",
        (JOBS, '{ context = "overheated" }', '{ context = "overheated", condition = "rust" }'),
    ),
    case(
        "condition-unclear",
        "job J-HEAD-GASKET, contingency warped_head",
        (JOBS, '{ context = "overheated" }', '{ context = "overheated", in = ["yes"] }'),
    ),
    case(
        "condition-unclear",
        "job J-HEAD-GASKET, contingency broken_exhaust_stud",
        (JOBS, 'condition = "rust", in = ["heavy"]', 'condition = "rust"'),
    ),
    case(
        "machine-state-unknown",
        "job J-HEAD-GASKET, contingency broken_exhaust_stud",
        (JOBS, 'condition = "rust"', 'condition = "dust"'),
    ),
    case(
        "level-unknown",
        "job J-HEAD-GASKET, contingency broken_exhaust_stud",
        (JOBS, 'condition = "rust", in = ["heavy"]', 'condition = "rust", in = ["thick"]'),
    ),
    case(
        "level-unknown",
        "job J-HEAD-GASKET, contingency scored_bore",
        (JOBS, 'finding = "bore_scored", in = ["yes"]', 'finding = "bore_scored", in = ["deep"]'),
    ),
    case(
        "background-unknown",
        "job J-HEAD-GASKET, contingency warped_head",
        (JOBS, 'context = "overheated"', 'context = "overhot"'),
    ),
    case(
        "finding-unknown",
        "job J-HEAD-GASKET, contingency scored_bore",
        (JOBS, 'finding = "bore_scored"', 'finding = "bore_score"'),
    ),
    # Work, consumables, hazards, flags, labour classes.
    case(
        "work-differs",
        "job J-VALVE-EX, work lap_and_test",
        (
            JOBS,
            'id = "fit_exhaust_valve", minutes = 5, labour_class = "senior", per = "cylinder" },\n  { id = "lap_and_test", minutes = 28',
            'id = "fit_exhaust_valve", minutes = 5, labour_class = "senior", per = "cylinder" },\n  { id = "lap_and_test", minutes = 29',
        ),
    ),
    case(
        "work-differs",
        "component piston, refit_work seal_crankcase_joint",
        (
            SH,
            'id = "piston"\n',
            'id = "piston"\nrefit_work = [{ id = "seal_crankcase_joint", minutes = 1, labour_class = "senior" }]\n',
        ),
    ),
    case("work-differs", "", (JOBS, 'id = "warm_up"', 'id = "clean_faces"')),
    case(
        "consumable-unknown",
        "job J-BREATHER, work clean_drain_back_and_hose, uses CS-CLEANSER",
        (
            JOBS,
            'per = "visit", uses = [{ item = "CS-CLEANER"',
            'per = "visit", uses = [{ item = "CS-CLEANSER"',
        ),
    ),
    case(
        "hazard-unknown",
        "component fuel_line",
        (VTV, 'hazards = ["HZ-FUEL"]', 'hazards = ["HZ-FUELS"]'),
    ),
    case("hazard-unknown", "consumable CS-CLEANER", ("consumables.toml", '"HZ-CHEM"', '"HZ-CHIM"')),
    case(
        "hazard-unknown", "test T-FLOAT", (RULES, 'hazards = ["HZ-FUEL"]', 'hazards = ["HZ-FOOL"]')
    ),
    case(
        "hazard-unused",
        "hazard HZ-NOISE",
        (
            "hazards.toml",
            "[[hazard]]",
            '[[hazard]]\nid = "HZ-NOISE"\ntitle = "Noise"\ntext = "Ear protection."\n\n[[hazard]]',
        ),
    ),
    case("flag-unknown", "", (V68, '"compression_release"', '"compresion_release"')),
    case(
        "flag-unknown",
        "component head, renews_if head_bolt@",
        (VTV, 'flag = "tty_head_bolts"', 'flag = "tty_bolts"'),
    ),
    case(
        "flag-unknown",
        "diagnosis RINGS-BORE, links_if [0]",
        (RULES, 'flag = "horizontal_cylinder"', 'flag = "flat_cylinder"'),
    ),
    case(
        "flag-unknown",
        "gate GATE-COMP-RELEASE, when [1]",
        (RULES, 'flag = "compression_release"', 'flag = "release"'),
    ),
    case("labour-class-unknown", "labour", (YARD, 'senior = "115.00"\n', "")),
    case(
        "labour-class-unknown",
        "labour",
        (YARD, 'minimum_bench_class = "tech"', 'minimum_bench_class = "bench"'),
    ),
    # Diagnosis.
    case(
        "test-unknown", "reading cranking_psi", (RULES, 'test = "T-CRANKING"', 'test = "T-CRANK"')
    ),
    case(
        "test-differs",
        "test T-FLOAT",
        (RULES, 'yields = ["float_seep"]', 'yields = ["float_seep", "joint_leak"]'),
    ),
    case("test-differs", "finding joint_leak", (RULES, 'yields = ["joint_leak"]', "yields = []")),
    case(
        "finding-unknown",
        "test T-FLOAT",
        (RULES, 'yields = ["float_seep"]', 'yields = ["float_seep", "float_leak"]'),
    ),
    case(
        "finding-unknown",
        "diagnosis INTAKE-JOINT",
        (
            RULES,
            "[diagnosis.links]\njoint_leak",
            '[diagnosis.links]\njoint_seep = ["0.5", "0.5"]\njoint_leak',
        ),
    ),
    case(
        "finding-unknown",
        "gate GATE-OTHER-CYL",
        (RULES, 'finding = "air_other_plug"', 'finding = "air_other"'),
    ),
    case(
        "finding-unknown",
        "gate GATE-PRESSURE",
        (RULES, 'affects = ["leakdown_band"]', 'affects = ["leakdown"]'),
    ),
    case(
        "reading-unclear",
        "reading cranking_psi",
        (RULES, 'unit = "psi", test = "T-CRANKING"', 'unit = "psi"'),
    ),
    case(
        "reading-unknown",
        "finding leakdown_band",
        (RULES, 'from_reading = "leakage_pct"', 'from_reading = "leakage"'),
    ),
    case(
        "reading-unknown",
        "gate GATE-CYL-OVER-SUPPLY",
        (RULES, 'above_reading = "supply_psi"', 'above_reading = "supply"'),
    ),
    case(
        "levels-unclear",
        "finding hunting",
        (
            RULES,
            'id = "hunting", scope = "engine", levels = ["no", "yes"]',
            'id = "hunting", scope = "engine", levels = ["no", "no"]',
        ),
    ),
    case(
        "upper-limits-wrong",
        "finding leakdown_band",
        (RULES, '["5", "10", "20", "30"]', '["5", "10", "30", "20"]'),
    ),
    case(
        "upper-limits-wrong",
        "finding leakdown_band",
        (RULES, '["5", "10", "20", "30"]', '["5", "10", "20"]'),
    ),
    case(
        "upper-limits-wrong", "finding leakdown_band", (RULES, ', from_reading = "leakage_pct"', "")
    ),
    case(
        "distribution-sum",
        "finding hunting",
        (RULES, '["0.90", "0.10"], test = "T-RUN"', '["0.90", "0.11"], test = "T-RUN"'),
    ),
    case(
        "distribution-sum",
        "diagnosis HG-OUTSIDE",
        (RULES, 'leakdown_band = ["0.10", "0.15"', 'leakdown_band = ["0.10", "0.16"'),
    ),
    case(
        "distribution-sum",
        "diagnosis RINGS-BORE",
        (RULES, '["0.45", "0.55"] } }]', '["0.45", "0.54"] } }]'),
    ),
    case(
        "distribution-length",
        "diagnosis HG-OUTSIDE",
        (RULES, 'air_head_edge = ["0.10", "0.90"]', 'air_head_edge = ["0.10", "0.80", "0.10"]'),
    ),
    case(
        "link-replaces-nothing",
        "diagnosis RINGS-BORE",
        (
            RULES,
            "links = { wet_test_improves",
            'links = { hunting = ["0.5", "0.5"], wet_test_improves',
        ),
    ),
    case("direct-missing", "diagnosis RICH", (RULES, 'direct = ["plug_soot"]', "direct = []")),
    case(
        "direct-unlinked",
        "diagnosis RICH",
        (RULES, 'direct = ["plug_soot"]', 'direct = ["hunting"]'),
    ),
    case(
        "diagnosis-unknown",
        "background stored_with_fuel_on",
        (RULES, "{ FUEL-DILUTION =", "{ FUEL-IN-OIL ="),
    ),
    case(
        "diagnosis-unknown",
        "gate GATE-LASH-FIRST",
        (RULES, 'holds = ["VALVE-IN",', 'holds = ["VALVE",'),
    ),
    case(
        "condition-unclear",
        "gate GATE-PRESSURE",
        (
            RULES,
            '{ reading = "supply_psi", above = "100" }',
            '{ reading = "supply_psi", above = "100", below = "110" }',
        ),
    ),
    case(
        "condition-unclear",
        "gate GATE-PRESSURE",
        (
            RULES,
            '{ reading = "supply_psi", above = "100" }',
            '{ reading = "supply_psi", in = ["yes"] }',
        ),
    ),
    case(
        "condition-unclear",
        "gate GATE-PRESSURE",
        (
            RULES,
            '{ reading = "supply_psi", above = "100" }',
            '{ reading = "supply_psi", above = "100", flag = "compression_release" }',
        ),
    ),
    case(
        "condition-unclear",
        "gate GATE-COMP-RELEASE",
        (
            RULES,
            '{ flag = "compression_release" }',
            '{ flag = "compression_release", above = "1" }',
        ),
    ),
    case(
        "condition-unclear",
        "gate GATE-OTHER-CYL",
        (RULES, '{ finding = "air_other_plug", in = ["yes"] }', '{ finding = "air_other_plug" }'),
    ),
    case(
        "condition-unclear",
        "gate GATE-OTHER-CYL",
        (RULES, '{ finding = "air_other_plug", in = ["yes"] },', ""),
    ),
    case(
        "level-unknown", "gate GATE-CRANK-MOVED", (RULES, 'at_least = "20_30"', 'at_least = "20"')
    ),
    case("gate-action-unclear", "gate GATE-PRESSURE-LOW", (RULES, 'power = "0.5"\n', "")),
    case(
        "gate-action-unclear",
        "gate GATE-OTHER-CYL",
        (
            RULES,
            'action = "ask"\nmessage = "Separate',
            'action = "ask"\naffects = ["hunting"]\nmessage = "Separate',
        ),
    ),
    # Suppliers.
    case("clock-malformed", "", (ALDQ, 'cutoff = "15:00"', 'cutoff = "24:00"')),
    case("maker-unknown", "", (ALDQ, 'makers = ["Tarnbeck",', 'makers = ["Tarnback",')),
    case("default-rule-incomplete", "", (ALDQ, 'default_cost_percent = "68"\n', "")),
    case("currency-differs", "", (ALDQ, 'price_list = "usd"', 'price_list = "eur-vat"')),
    case(
        "offer-superseded", "offer AQ-V68G103", (ALDQ, 'item = "V68-G-103"', 'item = "V68-G-102"')
    ),
    case(
        "quality-above-make", "offer BW-88411", (BRMW, 'quality = "alternate"', 'quality = "maker"')
    ),
    case(
        "quality-above-make",
        "stock V68-K-011X",
        (
            YARD,
            "stock = [",
            'stock = [\n  { item = "V68-K-011X", on_hand = 1, bin = "x", cost = "1" },',
        ),
    ),
    case("breaks-not-ascending", "offer D-OIL-1", (DLWY, "12:4.30", "12:4.30;12:4.10")),
    case("breaks-not-ascending", "offer D-OIL-1", (DLWY, "12:4.30", "1:4.30")),
    case("breaks-not-falling", "offer D-OIL-1", (DLWY, "12:4.30", "12:4.30;24:4.30")),
    case("breaks-not-falling", "offer AQ-V68K011", (ALDQ, 'cost = "41.20"', 'cost = "43.90"')),
    case(
        "hazmat-not-shipped",
        "offer D-BRKCL",
        ("suppliers/DLWY.toml", "ships_hazmat = true", "ships_hazmat = false"),
        (DLWY, "CS-CARBCLEAN", "CS-RTV"),
        file=DLWY,
    ),
    # Tax areas.
    case("discount-taxed", "", (COUNTY, 'untaxed = ["labour"', 'untaxed = ["discount", "labour"')),
    case("kind-unsettled", "", (COUNTY, '"fee", ', "")),
    case("kind-contradicted", "", (COUNTY, 'untaxed = ["labour"', 'untaxed = ["part", "labour"')),
    case("exemption-idle", "exemption", (COUNTY, 'kinds = ["part"', 'kinds = ["labour", "part"')),
    case(
        "rate-missing",
        "components sales",
        (COUNTY, 'rates = [\n  { valid_from = 2020-01-01, percent = "8" },\n]', "rates = []"),
    ),
    case(
        "rates-not-ascending",
        "components sales",
        (COUNTY, "rates = [\n", 'rates = [\n  { valid_from = 2021-01-01, percent = "7" },\n'),
    ),
    case(
        "compounds-on-nothing",
        "components sales",
        (COUNTY, "compounds = false", "compounds = true"),
    ),
    # Shops.
    case("tax-area-unknown", "", (YARD, '"example-county"', '"example-town"')),
    case("currency-differs", "", (YARD, '"example-county"', '"example-two-tier"')),
    case(
        "currency-differs",
        "",
        ("price-lists.toml", 'currency = "USD"', 'currency = "CAD"'),
        file=YARD,
    ),
    case(
        "tax-inclusion-differs",
        "",
        ("price-lists.toml", "includes_tax = true", "includes_tax = false"),
        file=ORCHARD,
    ),
    case(
        "tax-inclusion-differs",
        "",
        (VAT, "prices_include_tax = true", "prices_include_tax = false"),
        file=ORCHARD,
    ),
    case(
        "supplier-missing",
        "",
        ("suppliers/EBHT.toml", 'currency = "EUR"', 'currency = "USD"'),
        ("suppliers/FKRD.toml", 'currency = "EUR"', 'currency = "USD"'),
        ("suppliers/EBHT.toml", 'price_list = "eur-vat"', 'price_list = "usd"'),
        ("suppliers/FKRD.toml", 'price_list = "eur-vat"', 'price_list = "usd"'),
        file=ORCHARD,
    ),
    case("time-zone-unknown", "", (YARD, "America/Denver", "America/Denvers")),
    case("time-zone-unknown", "", (YARD, "America/Denver", "../Denver")),
    case("time-zone-unknown", "", (YARD, "America/Denver", "America")),
    case("language-malformed", "", (YARD, 'language = "en"', 'language = "en_US"')),
    case("working-days-wrong", "", (YARD, '"mon", "tue"', '"mon", "mon"')),
    case("working-days-wrong", "", (YARD, '"mon", "tue"', '"mon", "tuesday"')),
    case("rust-factors-wrong", "labour", (YARD, 'light = "1.30"\n', "")),
    case(
        "rust-factors-wrong", "labour", (YARD, "rust_applies_to = [", 'rust_applies_to = ["none", ')
    ),
    case(
        "price-rule-unclear",
        "parts_price",
        (YARD, 'rule = "lower_of_list_and_markup"', 'rule = "list"'),
    ),
    case(
        "price-rule-unclear",
        "parts_price",
        (YARD, 'rule = "lower_of_list_and_markup"', 'rule = "markup"\nmargin_percent = "40"'),
    ),
    case("bands-wrong", "parts_price", (YARD, 'up_to = "25.00"', 'up_to = "5.00"')),
    case(
        "bands-wrong",
        "parts_price",
        (YARD, '{ percent = "18" }', '{ percent = "18", up_to = "900" }'),
    ),
    case("bands-wrong", "parts_price", (YARD, 'up_to = "25.00", ', "")),
    case("service-unpriced", "sublet", (YARD, "[sublet.head_resurface]", "[sublet.head_planing]")),
    case(
        "role-unknown", "quality_floor", (YARD, 'head_gasket = "maker"', 'head_gaskets = "maker"')
    ),
    case("credit-unclear", "fees", (ORCHARD, 'diagnostic_credit_percent = "50"\n', "")),
    case(
        "grades-not-ascending",
        "decision.confidence",
        (YARD, 'probable = "0.60"', 'probable = "0.90"'),
    ),
    case(
        "promised-over-stock",
        "stock V68-F-801",
        (YARD, "on_hand = 4, promised = 1", "on_hand = 4, promised = 5"),
    ),
    case(
        "stock-twice",
        "stock V68-G-102",
        (
            YARD,
            '"V68-G-101", quality = "maker", on_hand = 2, bin = "G2-3 do not fit"',
            '"V68-G-102", quality = "maker", on_hand = 2, bin = "G2-4"',
        ),
    ),
    # Figures.
    case(
        "currency-unknown",
        "",
        ("tax/example-two-tier.toml", 'currency = "CAD"', 'currency = "CAX"'),
    ),
    case("currency-unknown", "", ("suppliers/DLWY.toml", 'currency = "USD"', 'currency = "XXX"')),
    Case(
        "currency-unknown",
        "price-lists.toml",
        "price_list usd",
        (("price-lists.toml", 'currency = "USD"', 'currency = "usd"'),),
        frozenset({"currency-differs"}),
    ),
    Case(
        "currency-unknown",
        YARD,
        "",
        ((YARD, 'currency = "USD"', 'currency = "usd"'),),
        frozenset({"currency-differs", "supplier-missing"}),
    ),
    case("money-too-fine", "part V68-G-101", (V68, '"12.90"', '"12.905"')),
    case("money-too-fine", "part V68-A-001", (V68, '"80.00"', '"80.001"')),
    case("money-too-fine", "fees", (YARD, 'diagnostic = "85.00"', 'diagnostic = "85.001"')),
    case("money-too-fine", "", (ALDQ, 'freight = "14.50"', 'freight = "14.505"')),
    case("money-too-fine", "offer AQ-V68A001", (ALDQ, 'freight = "95.00"', 'freight = "95.001"')),
    case("figure-out-of-range", "part V68-G-101", (V68, '"12.90"', '"-12.90"')),
    case("figure-out-of-range", "part V68-G-101", (V68, '"12.90"', '"0.00"')),
    case(
        "figure-out-of-range", "component head", (VTV, "remove_minutes = 8", "remove_minutes = -8")
    ),
    case(
        "figure-out-of-range",
        "component head, refit_work clean_faces, uses CS-CLEANER",
        (VTV, 'quantity = "0.20"', 'quantity = "0"'),
    ),
    case(
        "figure-out-of-range",
        "job J-HEAD-GASKET, contingency stripped_head_thread",
        (JOBS, 'probability = "0.05"', 'probability = "1.05"'),
    ),
    case("figure-out-of-range", "visit_work V-INTAKE", (JOBS, "minutes = 6", "minutes = -6")),
    case(
        "figure-out-of-range",
        "diagnosis RICH",
        (
            RULES,
            'code = "RICH"\nscope = "engine"\nprior = "0.06"',
            'code = "RICH"\nscope = "engine"\nprior = "1"',
        ),
    ),
    case(
        "figure-out-of-range",
        "diagnosis HG-OUTSIDE",
        (RULES, 'air_head_edge = ["0.10", "0.90"]', 'air_head_edge = ["-0.10", "1.10"]'),
    ),
    case("figure-out-of-range", "offer AQ-V68G103", (ALDQ, "stock = 25", "stock = -1")),
    case("figure-out-of-range", "offer D-RTV85", (DLWY, "7.20", "-7.20")),
    case(
        "figure-out-of-range",
        "components sales, rates [0]",
        (COUNTY, 'percent = "8"', 'percent = "-8"'),
    ),
    case("figure-out-of-range", "fees.supplies", (YARD, 'cap = "35.00"', 'cap = "-35.00"')),
    case("figure-out-of-range", "labour", (YARD, 'tech = "95.00"', 'tech = "0"')),
]


def test_check_catalogue_finds_nothing_in_the_starter_catalogue(starter: Catalogue) -> None:
    assert check_catalogue(starter) == ()


@pytest.mark.parametrize("broken", CASES, ids=lambda one: f"{one.code} {one.record}")
def test_check_catalogue_names_the_one_fault(edited: Callable[..., Path], broken: Case) -> None:
    faults = check_catalogue(load_catalogue(edited(*broken.edits)))

    found = [(fault.code, fault.file, fault.record) for fault in faults]
    assert {code for code, _, _ in found} - broken.along_with == {broken.code}, "\n".join(
        map(str, faults)
    )
    assert any(
        file == broken.file and record.partition(" [")[0] == broken.record.partition(" [")[0]
        for _, file, record in found
    ), "\n".join(map(str, faults))


def test_every_code_of_a_fault_has_a_case() -> None:
    rooms = Path(kitwright.catalogue.check.__file__).parent
    codes = {"reference-malformed"}
    for path in (rooms / "checks").glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                codes |= set(re.findall(r"\A[a-z]+(?:-[a-z]+)+\Z|\Acycle\Z", node.value))

    assert codes == {broken.code for broken in CASES}
