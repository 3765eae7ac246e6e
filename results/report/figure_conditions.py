"""Leakage over temperature and over the rail, a curve a pin, as SVG text: where the plan steps through them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Literal

from results.analysis.conditions.over_conditions import measured_c
from results.analysis.findings import PinFinding
from results.record.run_record import RunRecord
from results.report.figures import MM, scale_of, style, svg_of, tidy
from results.report.glyphs import printable
from results.report.section import Figure

Axis = Literal["temperature", "rail"]

MOST_CURVES = 6
"""More curves in one small figure cannot be told apart; those of the largest leakage are drawn."""

CURVES_MM = (112.0, 62.0)
_DASHES = ("solid", (0, (5, 1.6)), (0, (5, 1.4, 1, 1.4)), (0, (2.2, 1.2)), (0, (8, 1.4, 1, 1.4)), (0, (1, 1.1)))
_MARKERS = ("o", "s", "^", "D", "v", "h")
_LABELS: dict[Axis, str] = {"temperature": "temperature at the board / °C", "rail": "nominal rail / V"}

Curve = tuple[str, list[float], list[float], list[float]]
"""Name, where on the axis (ascending), leakage in ampere, and its standard uncertainty."""


def figures_over_conditions(record: RunRecord, stepped: Mapping[str, Sequence[PinFinding]]) -> list[Figure]:
    """A figure for temperature and one for the rail, each where a pin has two points or more on it."""
    found = []
    axes: tuple[Axis, ...] = ("temperature", "rail")
    for axis in axes:
        curves = curves_over(axis, stepped)
        if curves:
            found.append(Figure(_drawn(axis, curves, record.rules.coverage), _words(axis, curves)))
    return found


def curves_over(axis: Axis, stepped: Mapping[str, Sequence[PinFinding]]) -> list[Curve]:
    """The curves with two points or more, those of the largest leakage first; all else of the condition held equal."""
    curves: list[Curve] = []
    for name, pins in stepped.items():
        groups: dict[object, list[PinFinding]] = {}
        setups = len({pin.condition.pin_setup for pin in pins}) > 1
        for pin in pins:
            groups.setdefault(_without(axis, pin), []).append(pin)
        for group in groups.values():
            known = [(at, pin.leakage) for pin in group if (at := _at(axis, pin)) is not None]
            points = sorted(((at, leak) for at, leak in known if leak is not None), key=lambda point: point[0])
            if len({at for at, _ in points}) > 1:
                label = name if len(groups) == 1 else f"{name} {_rest(axis, group[0], setups)}"
                where = [at for at, _ in points]
                curves.append((label, where, [leak.value for _, leak in points], [leak.u for _, leak in points]))
    return sorted(curves, key=lambda curve: -max(curve[2]))[:MOST_CURVES]


def _without(axis: Axis, pin: PinFinding) -> object:
    """The condition but for what the axis shows."""
    return replace(pin.condition, temperature_c=None) if axis == "temperature" else replace(pin.condition, rail_v=0.0)


def _at(axis: Axis, pin: PinFinding) -> float | None:
    if axis == "rail":
        return pin.condition.rail_v
    seen_c = measured_c(pin)
    return pin.condition.temperature_c if seen_c is None else seen_c


def _rest(axis: Axis, pin: PinFinding, setups: bool) -> str:
    """What tells the curves of one pin apart."""
    condition = pin.condition
    other = f"{condition.rail_v:g} V" if axis == "temperature" else ""
    if axis == "rail" and condition.temperature_c is not None:
        other = f"{condition.temperature_c:g} °C"
    return " ".join(filter(None, (other, condition.neighbours, condition.pin_setup if setups else "")))


def _words(axis: Axis, curves: Sequence[Curve]) -> str:
    first = "; ".join(f"{name}: {a[0] * 1e6:.3g} to {a[-1] * 1e6:.3g} µA" for name, _, a, _ in curves)
    return f"Leakage over the {axis}, from its lowest to its highest step. {first}."


def _drawn(axis: Axis, curves: Sequence[Curve], coverage: float) -> Callable[[], str]:
    return lambda: _svg(axis, curves, coverage)


def _svg(axis: Axis, curves: Sequence[Curve], coverage: float) -> str:
    from matplotlib.figure import Figure as Canvas

    scale, unit = scale_of(max(max(amperes) for _, _, amperes, _ in curves), "A")
    with style():
        canvas = Canvas(figsize=(CURVES_MM[0] * MM, CURVES_MM[1] * MM))
        axes = canvas.subplots()
        canvas.subplots_adjust(left=0.115, right=0.97, top=0.95, bottom=0.155)
        for number, (_, at, amperes, u_a) in enumerate(curves):
            axes.errorbar(
                at,
                [a / scale for a in amperes],
                yerr=[coverage * u / scale for u in u_a],
                label=str(number),
                color="#111111",
                linestyle=_DASHES[number],
                marker=_MARKERS[number],
                markerfacecolor="white",
                elinewidth=0.6,
                capsize=1.5,
            )
        axes.set(xlabel=_LABELS[axis], ylabel=f"leakage / {unit}")
        axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
        legend = axes.legend(loc="best", fontsize=5.5, frameon=True, framealpha=0.9, edgecolor="none")
        # A name of the user's is no mathematics, and one that begins with _ is to be seen all the same.
        for text, (name, *_) in zip(legend.get_texts(), curves, strict=True):
            text.set_parse_math(False)
            text.set_text(printable(name))
        tidy(axes)
        return svg_of(canvas)
