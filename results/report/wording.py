"""The standing words of the report: how it was measured, what the numbers mean, and what to take care of.

Only what does not depend on a single pin stands here; the numbers of the run are put in by name.
"""

from __future__ import annotations

from results.guard_band import false_acceptance_risk, guard_band
from results.record.run_record import RunRecord
from results.report.numbers import percent, plain
from results.words import words_for

MEANINGS: dict[str, str] = {
    "stuck high": "came to rest at V − w ≥ V_IH, or the board itself read high after settling",
    "stuck low": "came to rest at V + w ≤ V_IL, or the board itself read low after settling (pull-up inputs)",
    "stuck between": "came to rest at V − w > V_IL, below what counts as stuck high",
    "held at press level": "never left the press level; what holds it is told apart, or said to be open",
    "undecided": "V ± w straddles V_IL: neither stuck nor released is shown",
    "slow": "fell below V_IL later than allowed",
    "released": "came to rest at V + w ≤ V_IL within the time allowed",
    "no contact": "contact to the unit was disproven: no evidence either way",
    "failed": "the trial could not be carried out or judged: no evidence either way",
    "not tested": "planned, never made: no evidence either way",
}
SYMBOLS: dict[str, str] = {
    "stuck high": "▲",
    "stuck low": "▼",
    "stuck between": "◆",
    "held at press level": "■",
    "undecided": "?",
    "slow": "◗",
    "released": "○",
    "no contact": "×",
    "failed": "!",
    "not tested": "–",
}
"""A symbol of its own for each verdict, so that none is told by colour or shade alone."""

PRESS_PATHS = {
    "relay": "by relay through the press resistor; a release is a relay opening",
    "source": "by a source-measure unit; a release is its series relay opening",
    "hand": "by hand; the release is found in the trace",
    "recorded": "not known: the traces were recorded elsewhere",
}


def method(record: RunRecord) -> list[dict[str, str]]:
    """Method, uncertainty and limits: paragraphs with a title each."""
    said = _method(record)
    if record.press_to == "rail":
        return said
    mirrored = [{key: words_for(record.press_to, text) for key, text in one.items()} for one in said]
    return [_said("Pull-up inputs", _PULL_UP), *mirrored]


_PULL_UP = (
    "These inputs have pull-ups: they were pressed to ground, and rest at the rail. The run was analysed in its mirror "
    "image, rail less node with currents reversed, by the same code as a run to the rail; volts are those of the real "
    "node. In what follows V in a product with a conductance is the voltage below the rail, net pin current and "
    "leakage are counted into the pin, and V/I is (rail − V)/I. Meter, fixture and source end at ground: their "
    "current was reckoned as it is, V·G_meter out of the node. A rail that was measured counts as a second reading."
)


def _method(record: RunRecord) -> list[dict[str, str]]:
    k = f"{record.rules.coverage:g}"
    allowed, log = plain(record.rules.allowed_s, "s"), plain(record.rules.log_s, "s")
    low, high = plain(record.rules.pull_down_low_ohm, "Ω"), plain(record.rules.pull_down_high_ohm, "Ω")
    return [
        _said(
            "What was done",
            "Each pin was pressed to the rail, let go, and its voltage logged from before the release until it came to "
            f"rest (log after the release: {log}), with no resistor and with each trial resistor from the pin to "
            f"ground. Pins were pressed {PRESS_PATHS[record.press_path]}. Time zero is the release edge found in the "
            "trace, not the host's clock. Contact bounce at the release counts as one release.",
        ),
        _said(
            "Settled voltage",
            "The mean of the samples at the end of the log, once the node has stopped moving; mains hum is taken out "
            "where it is seen. Its standard uncertainty combines the scatter of the samples, counted as so many "
            "independent ones as their correlation allows (type A), with the accuracy of the meter (type B).",
        ),
        _said(
            "Expanded uncertainty",
            f"Every ± in this report is U = k·u with k = {k}"
            + (", about 95 % where the distribution is normal" if k == "2" else "")
            + " (JCGM 100:2008, 6.2). Values are rounded to two significant digits of U.",
        ),
        _said(
            "Verdict and guard band",
            f"V ± w is judged against V_IL and V_IH. {guard_sentence(record)} What straddles V_IL is undecided, never "
            f"rounded to either side. Time allowed from the edge until below V_IL: {allowed}. The "
            "verdict with no resistor is about the pin without the meter.",
        ),
        _said(
            "Net pin current and leakage",
            "At a settled trial the net pin current is V·(G_trial + G_meter): it is known from the outside alone. The "
            "leakage is this plus the current of the pin's own pull-down, so it is only as good as what is known about "
            f"the pull-down (expected range {low} to {high}); its origin stands beside it.",
        ),
        _said(
            "Why one latched voltage is not the leakage",
            "A latched voltage is one point of a curve. A leak that is strong at mid level lets the node rest at a "
            "second, stable voltage; taking the current at that one point as constant suggests a resistor several "
            "times too large. The advice rests on what was tried with resistors fitted, not on one point.",
        ),
        _said(
            "Largest safe resistance and its bracket",
            "The largest resistance from pin to ground at which the pin still falls below V_IL from the rail. Low end: "
            "the largest trial resistor that released every time, with every smaller one releasing too. High end: the "
            "smallest that stuck. The true value lies between, as far as the number of presses shows. A larger one "
            "releasing while a smaller one sticks is intermittent and not bracketed. A single value is stated only "
            "where a plain-leak line passes its test (lack of fit; implied pull-down inside the expected range)"
            + (", or where a sweep tells it." if record.sweep is not None else "."),
        ),
        *_sweep(record),
        _said(
            "Recommended resistor",
            f"The largest value of series {record.rules.series}, tolerance "
            f"{plain(record.rules.advised_tolerance, '%')}, that released every time together with every smaller one "
            f"and is shown to keep a margin of {plain(record.rules.margin, '%')} in conductance: against a larger "
            "resistor that released every time too, or against the plain-leak line. It holds for this unit under the "
            "conditions tried; others may need a smaller one."
            + (
                " Where a sweep tells R_safe, the largest value of the series that keeps the margin to its lower limit "
                "on the worse branch, less the series resistance on the board, whether tried or not. Where sweep and "
                "trials disagree, the smaller of both."
                if record.sweep is not None
                else ""
            ),
        ),
        _said("The meter is a load", _load(record)),
        _said("Time constants", _times(record)),
        _said(
            "Stuck rate",
            "Stuck trials over all trials of the pin with no resistor. The upper limit is one-sided, 95 % "
            "(Clopper-Pearson): for 0 of n it is 1 − 0.05^(1/n), so few presses exclude only high rates.",
        ),
    ]


def cautions(record: RunRecord) -> list[str]:
    """What a person at the bench, or one who fits the resistor, has to take care of."""
    if record.press_to == "ground":
        return [_BELOW_GROUND, *(words_for("ground", text) for text in _cautions(record))]
    return _cautions(record)


_BELOW_GROUND = "Never press a pin below ground by more than its absolute maximum rating allows, often 0.3 V."


def _cautions(record: RunRecord) -> list[str]:
    return [
        "Local rules and the instructions of qualified persons come first; nothing in this report replaces them.",
        f"Never press a pin above its absolute maximum rating, referred to the rail as it is, not as it is named "
        f"(nominal {plain(record.rail_v, 'V')}). Keep the voltage and current limits of the bench file.",
        "Press through the press resistor only: a bare contact onto a capacitor is an inrush of amperes, and onto a "
        "pin set as output a short circuit.",
        "A source output that goes off may ramp through or hold 0 V: set it to high impedance, release by a relay in "
        "series, and take it for live until a meter says otherwise.",
        "Static discharge destroys or pre-damages inputs, and a damaged input leaks: wear a grounded strap, discharge "
        "bus and cables before they touch the unit.",
        "Do not drive a pin of a unit that is switched off: it is powered backwards through the pin's clamp diode.",
        "Boards fed from the mains may carry mains voltage on their ground: isolate them, and let only qualified "
        "persons work on them.",
        "A resistor that is fitted loads whatever drives the pin high: check that the driver still reaches V_IH, and "
        "the current and power it takes.",
    ]


def _sweep(record: RunRecord) -> list[dict[str, str]]:
    """How pins were swept; nothing where none was."""
    rules = record.sweep
    if rules is None:
        return []
    step = plain(record.rail_v / rules.steps, "V", 2)
    return [
        _said(
            "Forced-voltage sweep",
            "A source-measure unit forced the pin through its series relay from the rail down to 0 V and up again, in "
            f"steps of about {step}, at exactly V_IL and just below it, and twice more in finer steps where V/I_net is "
            "near its minimum. At each step three successive readings had to agree within their noise or "
            f"{plain(rules.settled_a, 'A')}, within {plain(rules.longest_s, 's')}; a step that did not settle, or at "
            "which the source was at its current limit, is no point of the curve. The voltage is the meter's. Net pin "
            "current: V·(G_meter + G_fixture) less the source's current. Largest safe resistance: 1/G_req, with G_req "
            "the largest I_net/V at and above V_IL, from the worse branch. Its range holds 95 %: limits of meter and "
            "source as rectangular errors common to all steps, noise, and what lies between steps, by Monte Carlo "
            "(JCGM 101:2008). A hump narrower than two steps could be missed. The trials are compared with the down "
            "branch, which is the way of a release; sweep and trials are never averaged.",
        )
    ]


def guard_sentence(record: RunRecord) -> str:
    """The decision rule of the run, whose rule it is, and the risk that it leaves."""
    rules = record.rules
    source = guard_band(rules.guard_rule).source
    risk = false_acceptance_risk(rules.guard_factor, rules.coverage)
    return (
        f"Guard band: {rules.guard_rule} ({source or 'rule of the plan'}), with U = k·u. A voltage found exactly at "
        f"the acceptance limit lies beyond the level in truth with a probability of {risk_text(risk)} (normal "
        "distribution); further away the risk is smaller."
    )


def risk_text(risk: float) -> str:
    """A probability in per cent, or in parts where that is too small to be read."""
    return percent(risk, 4) if risk >= 1e-4 else f"{risk:.1g}"


def meaning(verdict: str, press_to: str) -> str:
    """What a verdict means, in the words of a run that presses there; both stuck levels are explained as they are."""
    own = verdict in ("stuck high", "stuck low")
    return MEANINGS[verdict] if own else words_for(press_to, MEANINGS[verdict])


def _said(title: str, text: str) -> dict[str, str]:
    return {"title": title, "text": text}


def _load(record: RunRecord) -> str:
    if record.meter.input_ohm is None:
        return (
            "The input resistance of the meter is not stated: its load on the node could not be corrected. A node "
            "without resistor may rest higher without the meter than is reported here."
        )
    return (
        f"The meter loads the node with {plain(record.meter.input_ohm, 'Ω')}"
        + (f" ± {plain(record.meter.input_tolerance, '%', 2)}" if record.meter.input_tolerance else ", taken as exact")
        + ". The load is used to interpret the trials "
        "and left out of the largest safe resistance. With no resistor the verdict is corrected for it where the slope "
        "at the rest point is known; otherwise it is taken into U."
    )


def _times(record: RunRecord) -> str:
    known = [
        f"{name} {plain(value, 's')}"
        for name, value in (("aperture", record.meter.aperture_s), ("step response", record.meter.step_s))
        if value > 0.0
    ]
    return (
        "A time constant shorter than the sample interval, the aperture or the step response of the meter cannot be "
        "resolved: it is then an upper bound and marked ≤. "
        + (f"Meter: {', '.join(known)}. " if known else "Aperture and step response of the meter are not stated. ")
        + "Relays and cables add capacitance to the node, so the same pin is faster without the bench."
    )
