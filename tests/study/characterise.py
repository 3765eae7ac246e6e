"""A hidden pin on a simulated bench of its own, characterised from the bench alone, and then held against the truth."""

from __future__ import annotations

import math
import os
import time
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from drivers.errors import BenchError
from harness.demo import simulated_bench
from harness.errors import UserFileError
from results.analysis.findings import PinFinding
from results.errors import ResultsError
from tests.harness.whole_bench import found, run_plan
from tests.study.hidden_pin import SPEED, HiddenPin, hidden_pin
from tests.study.truth import largest_value, required_conductance

FAILED = "the run failed: "


@dataclass(frozen=True)
class Outcome:
    """What a pin came to: the truth (`true_s`: G_req in siemens), and of what was found only what is scored.

    `problem`: why the sweep tells nothing, empty where it does. `failed_before`: the run was made again after it had
    failed. `half_s`: half-width of the 95 % interval of G_req.
    `needed`: by the sweep. `external_ohm`: the largest safe resistance outside of the pin, in truth (inf: any).
    `at_least_ohm`, `below_ohm`: what the bracket claims of it. `advised_ohm` of `advised_tolerance`, and
    `advised_needed`, as the report says it. `best_ohm`: the largest value of the series that keeps the same margins.
    """

    number: int
    shape: str
    supply: str
    true_s: float
    external_ohm: float
    best_ohm: float | None
    advised_tolerance: float
    problem: str = ""
    required_s: float | None = None
    half_s: float | None = None
    needed: bool | None = None
    bracket: str = ""
    at_least_ohm: float | None = None
    below_ohm: float | None = None
    advised_ohm: float | None = None
    advised_needed: bool | None = None
    agreement: str = ""
    has_memory: bool = False
    seconds: float = 0.0
    failed_before: bool = False

    @property
    def run_failed(self) -> bool:
        """The bench or the computer did, before there was anything to judge."""
        return self.problem.startswith(FAILED)

    @property
    def determined(self) -> bool:
        return self.required_s is not None

    @property
    def none_needed(self) -> bool:
        """The sweep says so."""
        return self.determined and self.needed is False

    @property
    def has_interval(self) -> bool:
        """The sweep gives an interval of R_safe (without an upper end where none may be needed)."""
        return self.determined and self.needed is not False

    @property
    def covered(self) -> bool:
        assert self.required_s is not None
        assert self.half_s is not None
        return abs(self.required_s - self.true_s) <= self.half_s

    @property
    def relative_half_width(self) -> float | None:
        """Half of the width of the interval of R_safe over R_safe; None where it has no upper end."""
        if not self.has_interval or self.required_s is None or self.half_s is None or self.half_s >= self.required_s:
            return None
        low_ohm, high_ohm = 1.0 / (self.required_s + self.half_s), 1.0 / (self.required_s - self.half_s)
        return 0.5 * (high_ohm - low_ohm) * self.required_s

    @property
    def bracket_wrong(self) -> bool:
        too_high = self.at_least_ohm is not None and self.at_least_ohm > self.external_ohm
        too_low = self.below_ohm is not None and self.below_ohm < self.external_ohm
        return too_high or too_low

    @property
    def none_needed_wrong(self) -> bool:
        """Sweep or report say that no resistor is needed, and the pin can rest above V_IL without one."""
        return (self.none_needed or self.advised_needed is False) and self.true_s > 0.0

    @property
    def sticks(self) -> bool:
        """The recommended part, at the upper end of its tolerance, is more than is safe."""
        if self.advised_ohm is None:
            return False
        return self.advised_ohm * (1.0 + self.advised_tolerance) >= self.external_ohm

    @property
    def names_a_value(self) -> bool:
        """A resistor is needed and one that keeps the margins exists, so that the report should name one."""
        return self.determined and self.needed is True and self.best_ohm is not None

    @property
    def too_small(self) -> bool:
        """No value, or one below half of the largest that keeps the same margins."""
        if not self.names_a_value or self.best_ohm is None:
            return False
        return self.advised_ohm is None or self.advised_ohm < 0.5 * self.best_ohm


def characterised(seed: int, number: int) -> Outcome:
    """Make the pin of that number, find out about it, and score it. What went wrong stands in `problem`."""
    started = time.monotonic()
    pin = hidden_pin(seed, number)
    true_s = required_conductance(pin)
    external_ohm = 1.0 / true_s - pin.series_ohm if true_s > 0.0 else math.inf
    truth = (number, pin.shape, pin.supply.standard, true_s, external_ohm, largest_value(pin, true_s), pin.tolerance)
    try:
        finding = _carried_out(pin)
    except (AssertionError, BenchError, ResultsError, UserFileError, OSError) as exc:
        return Outcome(*truth, problem=f"{FAILED}{exc}", seconds=time.monotonic() - started)
    sweep, advice, bracket = finding.sweep, finding.advice, finding.bracket
    worse = None if sweep is None else sweep.worse
    return Outcome(
        *truth,
        problem="" if sweep is not None and worse is not None else ("no sweep" if sweep is None else sweep.note),
        required_s=None if worse is None else worse.required.value,
        half_s=None if worse is None else worse.half_width_s,
        needed=None if sweep is None else sweep.needed,
        bracket=bracket.state,
        at_least_ohm=bracket.at_least_ohm,
        below_ohm=bracket.below_ohm,
        advised_ohm=advice.ohm,
        advised_needed=advice.needed,
        agreement="" if sweep is None else sweep.agreement,
        has_memory=sweep is not None and bool(sweep.has_memory),
        seconds=time.monotonic() - started,
    )


def _carried_out(pin: HiddenPin) -> PinFinding:
    """The finding of the pin, by a run as any other: links, drivers, guard, a simulated bench as its own program."""
    # What `found` finds wrong is not to be lost under python -O.
    assert __debug__, "the study relies on assertions"
    with TemporaryDirectory(prefix="study-") as name:
        folder = Path(name)
        board = folder / "board.toml"
        board.write_text(pin.board, encoding="utf-8")
        with simulated_bench(board, SPEED) as resources:
            result = run_plan(folder, pin.plan(), pin.bench(resources))
            return found(result).pins[0]


def one_thread_each() -> None:
    """For a process that makes pins beside another one: the libraries' own threads would only be in the way."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"
