"""What stands behind a number of a pin, source by source: the models that its budgets and its Monte Carlo go through.

A source keeps its name wherever it enters: the gain of the meter in every voltage, a trial resistor in the trial and in
the line through all trials. What is common to two numbers is thereby kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from results.analysis.ends import Ends
from results.analysis.findings import Decay, LeakLine, Settled, Value
from results.analysis.uncertainty.budget import Budget, Contribution, Model, Shape, Source, propagate, rectangular
from results.analysis.uncertainty.monte_carlo import Comparison, compare, simulate
from results.record.run_record import MeterModel
from results.record.trial import NO_RESISTOR, Resistor, Trial

METER_GAIN = "meter gain"
SOURCE_GAIN = "source gain"
SOURCE_OFFSET = "source offset"
RAIL_READING = "rail reading"
BENCH_LOAD = "load of meter and fixture"

FEWEST_DOF = 2.5
"""However few independent samples a noise was told from: the spread of its t distribution is taken from no fewer."""


@dataclass(frozen=True)
class Term:
    """A number as a model of its sources; terms are put together into models of more."""

    sources: tuple[Source, ...]
    model: Model

    def budget(self, quantity: str, unit: str) -> Budget:
        """The budget to first order."""
        return propagate(quantity, unit, self.sources, self.model)

    def compared(self, budget: Budget) -> Comparison:
        """Its own budget against Monte Carlo."""
        return compare(budget, simulate(self.sources, self.model))

    def linearised(self) -> Term:
        """The same to first order: quick to evaluate where it stands in many models."""
        found = self.budget("", "")
        return linear_term(found.value, found.contributions)

    def value(self) -> Value:
        """Estimate with combined standard uncertainty."""
        found = self.budget("", "")
        return Value(found.value, found.u)


def joined(model: Callable[..., Any], *terms: Term) -> Term:
    """A model of the values of other terms, in their order; a source that several of them name is one source."""
    sources = {source.name: source for term in terms for source in term.sources}
    return Term(tuple(sources.values()), lambda x: model(*(term.model(x) for term in terms)))


def linear_term(value: float, contributions: Sequence[Contribution]) -> Term:
    """A value to which each source contributes in proportion to its error."""

    def model(x: Mapping[str, Any]) -> Any:
        total: Any = value
        for part in contributions:
            total = total + part.sensitivity * (x[part.source.name] - part.source.estimate)
        return total

    return Term(tuple(part.source for part in contributions), model)


def settled_term(settled: Settled, meter: MeterModel, trial: Trial, zero_v: float = 0.0) -> Term:
    """The settled voltage of a trial where the bench touches the node; the meter's own zero lies at `zero_v` (volt).

    The accuracy limits of the meter are one rectangular error of |V| · gain + constant; what the gain, which all
    readings share, does not make up of it is the reading's own.
    """
    volts, read_v = settled.voltage_v, settled.voltage_v - zero_v
    gain = rectangular(METER_GAIN, meter.accuracy_reading)
    own = math.sqrt(max(settled.u_accuracy_v**2 - (gain.u * read_v) ** 2, 0.0))
    noise = settled.u_noise_v**2 - settled.u_step_v**2 - settled.u_hum_v**2 - settled.u_drift_v**2
    dof = max(settled.effective_samples - 1.0, FEWEST_DOF)
    about = about_trial(trial)
    own_errors = (
        Source(f"noise, {about}", "A", "scaled t", math.sqrt(max(noise, 0.0)), dof, volts, unit="V"),
        constant_source(trial.resistor, own),
        Source(f"converter step, {about}", "B", "rectangular", settled.u_step_v, unit="V"),
        Source(f"mains hum not seen, {about}", "B", "arcsine", settled.u_hum_v, unit="V"),
        Source(f"drift within the window, {about}", "B", "rectangular", settled.u_drift_v, unit="V"),
    )
    return Term((*own_errors, gain), lambda x: sum(x[one.name] for one in own_errors) + read_v * x[METER_GAIN])


def end_term(ends: Ends) -> Term:
    """Where the trial resistor ends (V): 0 V, or a rail that the meter of the node read, or one that nobody read."""
    own = Source(RAIL_READING, "B", "rectangular", ends.own_u_v, unit="V")
    if not ends.read_v:
        return Term((own,), lambda x: ends.fitted_v + x[RAIL_READING])
    gain = Source(METER_GAIN, "B", "rectangular", ends.gain_u)
    return Term((own, gain), lambda x: ends.fitted_v + x[RAIL_READING] + ends.read_v * x[METER_GAIN])


def constant_source(resistor: str, u_v: float) -> Source:
    """What of the meter's accuracy is a reading's own. Readings at the same level, with the same resistor, share it."""
    return Source(f"meter constant part, {fitted(resistor)}", "B", "rectangular", u_v, unit="V")


def about_trial(trial: Trial) -> str:
    """Which trial of a pin, in words."""
    return f"{fitted(trial.resistor)}, press {trial.repeat}"


def fitted(resistor: str) -> str:
    """A trial resistor by name, in words."""
    return "no resistor" if resistor == NO_RESISTOR else resistor


def resistor_term(resistor: Resistor) -> Term:
    """The conductance of a trial resistor (S): its tolerance is rectangular, a measured value's u normal."""
    conductance_s = resistor.conductance_s
    if conductance_s <= 0.0:
        return Term((), lambda x: 0.0)
    source = resistor_source(resistor)
    return Term((source,), lambda x: conductance_s / (1.0 + x[source.name]))


def resistor_source(resistor: Resistor) -> Source:
    """The relative error of a trial resistor."""
    measured = resistor.measured_ohm is not None and resistor.measured_u_ohm is not None
    relative = resistor.conductance_u_s / resistor.conductance_s if resistor.conductance_s > 0.0 else 0.0
    return Source(f"trial resistor {resistor.name}", "B", "normal" if measured else "rectangular", relative)


def load_term(load: Value) -> Term:
    """What meter and fixture conduct (S)."""
    return Term((load_source(load),), lambda x: load.value * (1.0 + x[BENCH_LOAD]))


def load_source(load: Value) -> Source:
    """One relative error for meter input and fixture leakage."""
    return Source(BENCH_LOAD, "B", "rectangular", load.u / load.value if load.value > 0.0 else 0.0)


@dataclass(frozen=True)
class RestTerms:
    """A node at rest: its voltage, what is fitted and what meter and fixture conduct, and where the fitted resistor
    ends. What meter and fixture conduct ends at `load_v` (volt)."""

    volts: Term
    fitted: Term
    load: Term
    end: Term
    load_v: float = 0.0
    series_ohm: float = 0.0

    @property
    def net_current(self) -> Term:
        """Everything outside takes what comes out of the pin (A)."""
        return self._joined(lambda v, end, current: current)

    def leakage(self, pull_down: Term) -> Term:
        """I_leak = I_net + V_pin · G_pd (A); the pull-down ends where the resistor does."""
        across = self._joined(lambda v, end, current: v + self.series_ohm * current - end)
        return joined(lambda current, volts, inside: current + volts * inside, self.net_current, across, pull_down)

    def at_pin(self, shift: Term) -> Term:
        """The voltage at the pin with the bench's load taken off, which moves it by `shift` (V)."""
        pin = self._joined(lambda v, end, current: v + self.series_ohm * current)
        return joined(lambda volts, lifted: volts + lifted, pin, shift)

    def _joined(self, model: Callable[[Any, Any, Any], Any]) -> Term:
        """A model of node, end and net pin current."""

        def whole(v: Any, fitted: Any, load: Any, end: Any) -> Any:
            return model(v, end, (v - end) * fitted + (v - self.load_v) * load)

        return joined(whole, self.volts, self.fitted, self.load, self.end)


def bounded_shift_term(shift_v: float, u_v: float) -> Term:
    """How far taking the load off moves the node (V) where no slope is known: anywhere up to twice `shift_v`."""
    error = Source("load taken off, slope not known", "B", "rectangular", u_v, unit="V")
    return linear_term(shift_v, (Contribution(error, 1.0),))


def shift_term(shift_v: float, outside_s: float, slope: Value, load_u: float, *, of_line: bool) -> Term:
    """The same where the slope dI_net/dV is known (S): ΔI / (G − slope), with G left outside. It bends: near a fold the
    slope may be nearly that of the load line. `load_u`: relative, of the load taken off."""
    moved_a = shift_v * (outside_s - slope.value)
    shape: Shape = "normal" if of_line else "rectangular"
    flat = Source("slope at the rest point", "B", shape, slope.u, estimate=slope.value, unit="S")
    load = Source("load taken off", "B", "rectangular", load_u)
    return Term((flat, load), lambda x: moved_a * (1.0 + x[load.name]) / (outside_s - x[flat.name]))


def line_terms(line: LeakLine) -> tuple[Term, Term] | None:
    """Leak (A) and pull-down (S) of the plain-leak line, which share all their sources; None without a fit."""
    if line.leak_a is None or line.pull_down_s is None:
        return None
    leak = [Contribution(part.source, part.leak_a) for part in line.parts]
    pull_down = [Contribution(part.source, part.pull_down_s) for part in line.parts]
    return linear_term(line.leak_a.value, leak), linear_term(line.pull_down_s.value, pull_down)


def inverse_term(conductance: Term) -> Term:
    """1/G (ohm)."""
    return joined(lambda g: 1.0 / g, conductance)


def time_constant_term(decay: Decay) -> Term | None:
    """The fitted time constant (s); None where there is none, or only an upper bound."""
    if decay.time_constant_s is None or decay.u_s is None:
        return None
    fit_u = math.sqrt(max(decay.u_s**2 - decay.u_model_s**2, 0.0))
    dof = max(decay.dof or math.inf, FEWEST_DOF)
    fit = Source("noise of the decaying samples", "A", "scaled t", fit_u, dof, decay.time_constant_s, unit="s")
    shape = Source("change of the time constant on the way", "B", "normal", decay.u_model_s, unit="s")
    return Term((fit, shape), lambda x: x[fit.name] + x[shape.name])
