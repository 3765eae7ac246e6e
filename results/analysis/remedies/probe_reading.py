"""One look at a node within a procedure of several acts, as a voltage with its uncertainty."""

from __future__ import annotations

import math

import numpy as np

from results.analysis.ends import ground_of
from results.analysis.uncertainty.coverage_interval import standard_uncertainty
from results.analysis.value import Value
from results.record.observation import Observation, Probe
from results.record.run_record import MeterModel
from results.record.trace import FloatArray

LAST = 3
"""Readings that a look ends with: the node is taken as their mean."""

MOVES_BEYOND = 2.0
"""Last readings further apart than so many accuracy limits of the meter are those of a node that still moves."""


def last_readings(observation: Observation, probe: Probe) -> FloatArray:
    """The voltages of the last readings of a look, shape (n,) with n <= 3; none where there was none."""
    end = probe.first + probe.count
    return observation.trace.voltage_v[max(probe.first, end - LAST) : end]


def node_of(observation: Observation, probe: Probe, meter: MeterModel) -> Value | None:
    """The node in volt: mean of the last readings, with noise (type A) and the meter's accuracy (type B) in its u.

    None where nothing was read, or the meter was overloaded.
    """
    volts = last_readings(observation, probe)
    if not volts.size or np.isnan(volts).any():
        return None
    mean_v = float(volts.mean())
    noise_v = reading_noise(observation) / math.sqrt(volts.size)
    return Value(mean_v, standard_uncertainty((gain_limit_v(mean_v, meter), meter.accuracy_v), noise_v))


def gain_limit_v(at_v: float, meter: MeterModel) -> float:
    """The part of the accuracy of a reading that goes with it: in a mirror image the meter reads from ground."""
    return abs(at_v - ground_of(meter).value) * meter.accuracy_reading


def source_of(observation: Observation, probe: Probe) -> float | None:
    """Mean current of the source in ampere beside the same readings; None where it was not read."""
    current_a = observation.trace.current_a
    if current_a is None:
        return None
    end = probe.first + probe.count
    amperes = current_a[max(probe.first, end - LAST) : end]
    return None if not amperes.size or np.isnan(amperes).any() else float(amperes.mean())


def reading_noise(observation: Observation) -> float:
    """Standard deviation of one reading in volt, pooled over the last readings of every look."""
    groups = [last_readings(observation, probe) for probe in observation.probes]
    groups = [group for group in groups if group.size > 1 and not np.isnan(group).any()]
    freedom = sum(group.size - 1 for group in groups)
    if not freedom:
        return 0.0
    return math.sqrt(sum(float(np.sum((group - group.mean()) ** 2)) for group in groups) / freedom)


def moves(observation: Observation, probe: Probe, meter: MeterModel) -> bool:
    """Whether the node still moved at the end of a look."""
    volts = last_readings(observation, probe)
    if not volts.size:
        return False
    limit_v = gain_limit_v(float(volts[-1]), meter) + meter.accuracy_v
    return float(volts.max() - volts.min()) > MOVES_BEYOND * limit_v + 1e-4
