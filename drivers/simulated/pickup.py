"""What the meter picks up: means of the bus over the aperture, with its accuracy, noise, hum and range.

A reading is the mean of the bus over the aperture (behind the input's time constant), times (1 + gain error) plus the
offset, plus noise and what the aperture leaves of the hum.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from drivers.simulated.clock import on_grid
from drivers.simulated.randomness import generator
from drivers.simulated.response import OVERLOAD
from drivers.simulated.segment import Floats
from drivers.simulated.world import World

RANGES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
OVERRANGE = 1.2
RESOLUTION = 1e-9
"""Of the range: what a reading is rounded to. Far below any noise, and far above what sums of floats leave behind."""
NOISE_APERTURE_S = 1e-4
SLACK_S = 1e-9
"""By so much a reading may be early: less than the grid of bench times resolves."""


@dataclass
class Acquisition:
    """What one INITiate started: when each reading starts, and the readings computed so far.

    `after_s`: when each reading starts, in seconds after the bench time `origin_s`; with the bus trigger they come one
    by one. `noise_v`: one a reading, drawn at the start. `hum_phase`: at the origin; who starts a meter knows nothing
    of the mains, so that each acquisition meets it at another phase.
    """

    total: int
    origin_s: float
    after_s: Floats
    aperture_s: float
    duration_s: float
    range_v: float
    noise_v: Floats
    hum_phase: float
    aborted: bool = False
    values: list[float] = field(default_factory=list)

    def end_s(self) -> float:
        """When the last reading is complete; infinity while a trigger is awaited."""
        if len(self.after_s) < self.total:
            return math.inf
        return self.origin_s + on_grid(float(self.after_s[-1]) + self.duration_s)

    def complete(self, now_s: float) -> int:
        """Readings whose aperture has passed."""
        return int(np.searchsorted(self.after_s + self.duration_s, now_s - self.origin_s + SLACK_S, side="right"))


class Pickup:
    """The meter's analogue part. Gain and offset hold for the whole bench: drawn from the seed alone."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.part = world.board.meter
        chance = generator(world.seed, "", "meter accuracy")
        self._gain = 1 + self.part.gain_error * float(chance.uniform(-1, 1))
        self._offset_v = self.part.offset_error_v * float(chance.uniform(-1, 1))

    def noise(self, count: int, aperture_s: float) -> Floats:
        """White noise, which falls with the root of the aperture, and 1/f noise (a spectrum of white noise, shaped)."""
        chance = self.world.chance_of_next("noise")
        white_v = self.part.noise_v * math.sqrt(NOISE_APERTURE_S / aperture_s)
        noise = white_v * chance.standard_normal(count)
        if self.part.flicker_v and count > 2:
            spectrum = np.fft.rfft(chance.standard_normal(count))
            spectrum[0] = 0
            spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
            flicker = np.fft.irfft(spectrum, count)
            noise = noise + self.part.flicker_v * flicker / np.std(flicker)
        return np.asarray(noise)

    def readings(self, acquisition: Acquisition, which: slice) -> list[float]:
        """Readings of an acquisition whose apertures have passed; ±OVERLOAD beyond the range."""
        after_s, aperture_s = acquisition.after_s[which], acquisition.aperture_s
        mean_v = self.world.means(acquisition.origin_s, after_s, aperture_s)
        volts = mean_v * self._gain + self._offset_v + acquisition.noise_v[which]
        if self.part.hum_v:
            hertz = self.part.line_frequency_hz
            middle_s = after_s + aperture_s / 2
            # A mean over the aperture leaves sinc(f·aperture) of a sine: nothing over whole cycles.
            amplitude = self.part.hum_v * np.sinc(hertz * aperture_s)
            volts = volts + amplitude * np.sin(2 * math.pi * hertz * middle_s + acquisition.hum_phase)
        step_v = acquisition.range_v * RESOLUTION
        volts = np.round(volts / step_v) * step_v
        beyond = np.abs(volts) > OVERRANGE * acquisition.range_v
        return [float(v) for v in np.where(beyond, np.copysign(OVERLOAD, volts), volts)]
