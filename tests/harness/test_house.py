"""Arrows between the rooms point down only, and what one room uses of another is a short, known list."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

HOUSE = Path(__file__).parents[2]
ROOMS = ("harness", "procedures", "drivers", "results")

MAY_IMPORT = {
    "harness": {"procedures", "drivers", "results"},
    "procedures": {"drivers", "results"},
    "drivers": set(),
    "results": set(),
}

EXPORTS: dict[str, dict[str, set[str]]] = {
    "drivers": {
        "drivers.address": {"address_key"},
        "drivers.attended_link": {"AttendedLink"},
        "drivers.bare_bus": {"BareBus", "BareLog"},
        "drivers.bench": {"Bench"},
        "drivers.board": {"Board"},
        "drivers.capacitors": {"EMPTY_AFTER"},
        "drivers.chamber": {"Chamber"},
        "drivers.claim": {"claim"},
        "drivers.clock": {"Clock"},
        "drivers.contact_wear": {"ContactWear"},
        "drivers.dialect": {"Dialect", "DialectError", "TEMPLATES"},
        "drivers.errors": {
            "BenchError",
            "InstrumentError",
            "LimitError",
            "LinkError",
            "NotAsSetError",
            "OtherInstrumentError",
            "StopRequestedError",
            "WiringError",
        },
        "drivers.instrument": {"Instrument"},
        "drivers.kept_clock": {"KeptClock"},
        "drivers.interlock": {"Interlock", "Ratings"},
        "drivers.limits": {"Limits"},
        "drivers.link": {"Link"},
        "drivers.meter": {"Count", "Meter", "Readings"},
        "drivers.operator": {"Operator"},
        "drivers.rail": {"AtEnd", "Rail"},
        "drivers.relay_board": {"RelayBoard"},
        "drivers.safe_state": {"SafeSteps", "look_at_bus", "safe_state", "through"},
        "drivers.serial_link": {"open_serial_link"},
        "drivers.served_clock": {"ServedClock"},
        "drivers.socket_link": {"open_socket_link"},
        "drivers.simulated.serve": {"main"},
        "drivers.source": {"Source"},
        "drivers.supply": {"Supply"},
        "drivers.switch": {"Switch"},
        "drivers.told_clock": {"ToldClock"},
        "drivers.visa_link": {"open_visa_link"},
        "drivers.watchdog": {"Watchdog"},
        "drivers.ways_to_rail": {"BusLook", "FALLS_BELOW_OHM"},
        "drivers.wire_log": {"Tap", "WireEvent"},
        "drivers.wiring": {"Channel", "Wiring"},
    },
    "procedures": {
        "procedures.bench_check": {"BenchFound", "bench_check"},
        "procedures.board_or_chip": {"board_or_chip"},
        "procedures.bus_check": {"RAIL_AGE_S", "bus_label", "check_bus"},
        "procedures.conditions": {"SoakRules", "set_rail", "soak", "thermometer_of"},
        "procedures.check_settings": {"CheckSettings"},
        "procedures.errors": {"ProcedureError", "TooLateError"},
        "procedures.forced_sweep": {"forced_sweep"},
        "procedures.changeover": {"changeover"},
        "procedures.driven_low": {"driven_low"},
        "procedures.polled_buffer": {"polled_buffer"},
        "procedures.long_dwell": {"long_dwell"},
        "procedures.pin_leakage": {"pin_leakage"},
        "procedures.press_level": {"press_level"},
        "procedures.neighbours": {"neighbours_held"},
        "procedures.press_release": {"press_release", "samples_for"},
        "procedures.settings": {"PressSettings"},
        "procedures.unlatch": {"unlatch"},
    },
    "results": {
        "results.analysis.analysis": {"analyse", "analyse_folder"},
        "results.analysis.found.coupon_item": {"is_void"},
        "results.analysis.conditions.dwell_text": {"dwell_text"},
        "results.analysis.resistor.board_advice": {"condition_text"},
        "results.analysis.findings": {"PinFinding", "RunFinding", "TrialFinding", "Value", "Verdict"},
        "results.analysis.found.fitting": {"BoardAdvice"},
        "results.analysis.check.check_rule": {"judged", "open_item"},
        "results.analysis.conditions.over_conditions": {"worst_of"},
        "results.analysis.pull_down.held_node": {"net_current_while_held"},
        "results.analysis.remedies.latch_text": {"overdrive_text", "press_level_text"},
        "results.analysis.remedies.remedy_text": {"clears_text", "side_by_side", "step_text"},
        "results.analysis.uncertainty.stuck_rate": {"presses_needed"},
        "results.analysis.trace.reading": {"read_trace"},
        "results.analysis.sweep.sweep_agreement": {"branch_text"},
        "results.analysis.verdict": {"ORDER"},
        "results.errors": {"ForeignTraceError", "QuantityError", "RecordError", "ResultsError", "StorageError"},
        "results.guard_band": {"guard_band"},
        "results.logic_levels": {"full_name", "levels"},
        "results.quantity": {"LONGEST", "UnitSymbol", "parse", "resistor_name", "show"},
        "results.record": {"journal", "manifest", "samples"},
        "results.record.bounds": {"SAMPLES_A_RUN"},
        "results.record.check": {
            "CheckItem",
            "CheckRecord",
            "FOLDER",
            "InPlace",
            "checks_in",
            "sha256_of",
            "write_check",
        },
        "results.record.contact_count": {"ContactCount"},
        "results.record.coupon": {"Coupons", "RELEASED", "ReleasedCoupon", "STUCK", "StuckCoupon"},
        "results.record.durable": {"write_whole"},
        "results.record.foreign_traces": {"ForeignTrace", "TRIALS", "read_folder"},
        "results.record.happening": {"Happening", "HappeningKind"},
        "results.record.plain_file": {"open_fresh", "open_plain", "read_plain"},
        "results.record.observation": {
            "Act",
            "Branch",
            "ContactProof",
            "Holder",
            "Observation",
            "Probe",
            "Reading",
            "SweepStep",
        },
        "results.record.run_folder": {"BENCH", "JOURNAL", "PLAN", "RECORD", "RunFolder", "log_folder"},
        "results.record.run_record": {
            "CheckState",
            "DwellRules",
            "Fixture",
            "InstrumentRecord",
            "Levels",
            "MeterModel",
            "RailLevels",
            "PressLevelRules",
            "Remedy",
            "RemedyRules",
            "RetestRules",
            "RateAsked",
            "Rules",
            "RunRecord",
            "SourceModel",
            "SupplyModel",
            "SweepRules",
            "Unit",
        },
        "results.record.trace": {"FloatArray", "Trace"},
        "results.record.trial": {
            "Capacitor",
            "NO_CAPACITOR",
            "Condition",
            "Handling",
            "Kind",
            "NO_RESISTOR",
            "Pin",
            "Resistor",
            "Trial",
        },
        "results.record.wholeness": {"wholeness"},
        "results.record.wire_files": {"Session", "WireFiles", "newest", "read_wire_log"},
        "results.record.wire_line": {"LONGEST", "WireHeader", "WireLine", "header_line", "line_of"},
        "results.report.bench_check": {"item_row"},
        "results.report.more_tables": {"table_names", "write_more_tables"},
        "results.report.numbers": {"moment", "text_of"},
        "results.report.report": {"write_report"},
        "results.report.tables": {"write_pins_csv", "write_trials_csv"},
        "results.series": {"SERIES"},
        "results.visible": {"visible"},
        "results.words": {"words_for"},
    },
}
"""Room -> module -> names that other rooms use of it. A new name here is a decision, not an accident."""


def modules(room: str) -> Iterator[tuple[str, Path]]:
    """Dotted name and path of every module of a room."""
    for path in sorted((HOUSE / room).rglob("*.py")):
        parts = path.relative_to(HOUSE).with_suffix("").parts
        yield ".".join(parts[:-1] if parts[-1] == "__init__" else parts), path


def imports(path: Path, *, types: bool = True) -> Iterator[tuple[str, str]]:
    """(module, name) of every import in a file, wherever it stands; name is empty for `import module`.

    `types` False: without those that only a type checker follows.
    """
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skipped = {id(inner) for node in ast.walk(tree) if not types and is_for_types(node) for inner in ast.walk(node)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            yield from ((alias.name, "") for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: a relative import hides where its arrow points"
            yield from ((node.module or "", alias.name) for alias in node.names)


def is_for_types(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def room_of(module: str) -> str:
    return module.partition(".")[0]


def in_simulated(module: str) -> bool:
    return module == "drivers.simulated" or module.startswith("drivers.simulated.")


@pytest.mark.parametrize("room", ROOMS)
def test_arrows_point_down_only(room: str) -> None:
    for module, path in modules(room):
        for imported, _ in imports(path):
            other = room_of(imported)
            if other in ROOMS and other != room:
                assert other in MAY_IMPORT[room], f"{module} imports {imported}"


def test_the_simulated_bench_shares_nothing_with_what_it_simulates_for() -> None:
    for module, path in modules("drivers"):
        for imported, _ in imports(path):
            if in_simulated(module) and room_of(imported) in ROOMS:
                assert in_simulated(imported), f"{module} imports {imported}"
            if not in_simulated(module):
                assert not in_simulated(imported), f"{module} imports {imported}"


def test_only_the_command_line_starts_the_simulated_bench() -> None:
    users = {
        module
        for room in ("harness", "procedures", "results")
        for module, path in modules(room)
        if any(in_simulated(imported) for imported, _ in imports(path))
    }
    assert users == {"harness.cli"}


def test_the_record_knows_nothing_of_its_analysis_nor_the_analysis_of_its_report() -> None:
    below = {"results.record": ("results.analysis", "results.report"), "results.analysis": ("results.report",)}
    for module, path in modules("results"):
        for imported, _ in imports(path):
            for part, above in below.items():
                if module.startswith(part):
                    assert not imported.startswith(above), f"{module} imports {imported}"


def test_no_module_needs_itself() -> None:
    """A cycle of imports has no bottom to start reading from."""
    known = {module for room in ROOMS for module, _ in modules(room)}
    arrows: dict[str, set[str]] = {}
    for room in ROOMS:
        for module, path in modules(room):
            named = {
                f"{imported}.{name}" if f"{imported}.{name}" in known else imported
                for imported, name in imports(path, types=False)
            }
            arrows[module] = {one for one in named if one in known and one != module}
    while arrows:
        leaves = [module for module, needs in arrows.items() if not needs & arrows.keys()]
        assert leaves, f"a cycle among {sorted(arrows)}"
        for leaf in leaves:
            del arrows[leaf]


def used_across_rooms() -> dict[str, dict[str, set[str]]]:
    used: dict[str, dict[str, set[str]]] = {}
    for room in ROOMS:
        for _, path in modules(room):
            for imported, name in imports(path):
                other = room_of(imported)
                if other in ROOMS and other != room and name:
                    used.setdefault(other, {}).setdefault(imported, set()).add(name)
    return used


@pytest.mark.parametrize("room", ["drivers", "procedures", "results"])
def test_what_each_room_exports(room: str) -> None:
    assert used_across_rooms()[room] == EXPORTS[room]
