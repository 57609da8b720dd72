"""The models of the figures of calibration: random units, and the same fit by statsmodels.

Each case makes a true sensor and readings, and solves a noisy table by statsmodels (ordinary least
squares) with columns and derivatives written here, from the equation alone; least largest errors
are a linear program of scipy.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import statsmodels.api as sm
from scipy.optimize import linprog

from paramstore.calibrate.recipe import Calibration
from tests.calibrate.bench import recipe_of

KELVIN = 273.15
Random = np.random.Generator


@dataclass(frozen=True)
class Table:
    """Readings and temperatures of a unit, and the true value at each. `error`: what is off in the
    reference beside its scatter, because the reading is; `scatter` of the reference, else that of
    the case."""

    reading: np.ndarray
    temperature: np.ndarray
    value: np.ndarray
    error: float | np.ndarray = 0.0
    scatter: float | None = None


@dataclass(frozen=True)
class Reference:
    """What another program makes of a table: numbers in the order of the recipe's parameters, and
    their standard uncertainties, None if it has others; `largest`: the least largest error."""

    numbers: np.ndarray
    uncertainty: np.ndarray | None
    freedom: int
    largest: float | None = None


@dataclass(frozen=True)
class Case:
    """One model: its recipe, random units, the scatter of a reference, and the fit by another
    program; `chosen`: breakpoints are chosen from the points, which no library does; `promised`:
    the sensor is as the model says."""

    name: str
    body: str
    unit: Callable[[Random], Table]
    noise: float
    solve: Callable[[np.ndarray, Table], Reference] | None = None
    chosen: bool = False
    promised: bool = True

    @cached_property
    def calibration(self) -> Calibration:
        """The recipe as it is read."""
        (calibration,) = recipe_of(self.body).calibrations
        return calibration


def _count(random: Random) -> int:
    return int(random.integers(14, 31))


def _plain(x: np.ndarray, value: np.ndarray) -> Table:
    return Table(x, np.full_like(x, 25.0), value)


def _ols(columns: list[np.ndarray], target: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    fit = sm.OLS(target, np.column_stack(columns)).fit(method="qr")
    return fit.params, fit.cov_params(), int(fit.df_resid)


def _reference(numbers: list[float], slopes: list[list[float]], covariance: np.ndarray,
               freedom: int) -> Reference:
    """Return numbers with the uncertainties that their derivatives to the coefficients give."""
    g = np.array(slopes)
    return Reference(np.array(numbers), np.sqrt(np.diag(g @ covariance @ g.T)), freedom)


# ---- Units and their fits -----------------------------------------------------------------------


def line(random: Random) -> Table:
    x = random.uniform(0, 100, _count(random))
    return _plain(x, random.uniform(0.5, 2) * x + random.uniform(-10, 10))


def solve_line(reference: np.ndarray, table: Table) -> Reference:
    c, v, f = _ols([table.reading, np.ones_like(reference)], reference)
    return _reference([*c], [[1, 0], [0, 1]], v, f)


def solve_inverse(reference: np.ndarray, table: Table) -> Reference:
    (a, b), v, f = _ols([table.reading, np.ones_like(reference)], reference)
    return _reference([1 / a, -b / a], [[-1 / a**2, 0], [b / a**2, -1 / a]], v, f)


def cubic(random: Random) -> Table:
    x = random.uniform(-1, 1, _count(random))
    return _plain(x, np.polynomial.polynomial.polyval(x, random.standard_normal(4)))


def solve_cubic(reference: np.ndarray, table: Table) -> Reference:
    c, v, f = _ols([table.reading**k for k in range(4)], reference)
    return _reference([*c], np.eye(4).tolist(), v, f)


def _thermistor(random: Random, c: float) -> Table:
    ohm = np.exp(random.uniform(np.log(1000), np.log(30000), _count(random)))
    log = np.log(ohm)
    b = 2.4e-4 * random.uniform(0.95, 1.05)
    return _plain(ohm, 1 / (1.1e-3 + b * log + c * log**3) - KELVIN)


def thermistor(random: Random) -> Table:
    return _thermistor(random, 7e-8)


def beta_thermistor(random: Random) -> Table:
    return _thermistor(random, 0.0)


def solve_steinhart(reference: np.ndarray, table: Table) -> Reference:
    kelvin, log = reference + KELVIN, np.log(table.reading)
    # A third column square on the others but for little: the raw ones cost half the digits.
    m, h = float(log.mean()), float(np.ptp(log))
    z = (log - m) / h
    c, v, f = _ols([kelvin**2, z * kelvin**2, z**2 * (z + 3 * m / h) * kelvin**2], kelvin)
    # log^3 = m^3 + 3 m^2 (log - m) + h^3 z^2 (z + 3 m / h)
    p, q, s = c
    back = [[1, -m / h, 2 * m**3 / h**3], [0, 1 / h, -3 * m**2 / h**3], [0, 0, 1 / h**3]]
    return _reference([*(np.array(back) @ [p, q, s])], back, v, f)


def solve_beta(reference: np.ndarray, table: Table) -> Reference:
    kelvin, log = reference + KELVIN, np.log(table.reading)
    m = float(log.mean())
    (p, q), v, f = _ols([kelvin**2, (log - m) * kelvin**2], kelvin)
    r25 = np.exp(m + (1 / 298.15 - p) / q)
    return _reference([1 / q, r25 / 1000],
                      [[0, -1 / q**2], [-r25 / q / 1000, -r25 * (1 / 298.15 - p) / q**2 / 1000]],
                      v, f)


def electrode(random: Random) -> Table:
    n = _count(random)
    ph, t = random.uniform(3, 11, n), random.uniform(10, 40, n)
    slope, zero = random.uniform(-60, -54), random.uniform(-20, 20)
    return Table(zero + slope * (ph - 7) * (t + KELVIN) / 298.15, t, ph)


def solve_electrode(reference: np.ndarray, table: Table) -> Reference:
    warm = (table.temperature + KELVIN) / 298.15
    (p, q), v, f = _ols([table.reading / warm, 1 / warm], reference - 7)
    return _reference([1 / p, -q / p], [[-1 / p**2, 0], [q / p**2, -1 / p]], v, f)


def converter(random: Random) -> Table:
    counts = random.integers(1, 4000, _count(random)).astype(float)
    return _plain(counts, random.uniform(2.45, 2.55) * counts / 4096 + random.uniform(-.01, .01))


def solve_converter(reference: np.ndarray, table: Table) -> Reference:
    c, v, f = _ols([table.reading * 2.5 / 4096, np.ones_like(reference)], reference)
    return _reference([*c], [[1, 0], [0, 1]], v, f)


def platinum(random: Random) -> Table:
    t = random.uniform(0, 400, _count(random))
    r0, a, b = random.uniform(99, 101), 3.9083e-3 * random.uniform(0.999, 1.001), -5.775e-7
    return _plain(r0 * (1 + a * t + b * t * t), t)


def solve_platinum(reference: np.ndarray, table: Table) -> Reference:
    t, r, a, b = reference, table.reading, 3.9083e-3, -5.775e-7
    cold = np.where(t < 0, -4.183e-12 * (t - 100) * t**3, 0.0)
    steep = (r / (1 + a * t + b * t * t + cold)).mean() * (a + 2 * b * t)
    (p, q, s), v, f = _ols([(1 + cold) / steep, t / steep, t * t / steep], r / steep)
    return _reference([p, q / p, s / p], [[1, 0, 0], [-q / p**2, 1 / p, 0],
                                          [-s / p**2, 0, 1 / p]], v, f)


def given_curve(random: Random) -> Table:
    """Four readings, each six times: the breakpoints are these."""
    x = np.repeat([0.0, *np.sort(random.choice(np.arange(10, 91, 10), 2, replace=False)), 100.0], 6)
    return _plain(x, np.interp(x, np.unique(x), random.uniform(-20, 20, 4)))


def solve_curve(reference: np.ndarray, table: Table) -> Reference:
    c, v, f = _ols([*_hats(table).T], reference)
    return _reference([*c], np.eye(4).tolist(), v, f)


def _hats(table: Table) -> np.ndarray:
    knots = np.unique(table.reading)
    return np.array([np.interp(table.reading, knots, e) for e in np.eye(4)]).T


def solve_largest(reference: np.ndarray, table: Table) -> Reference:
    """The least largest error of lines between the readings, as a linear program in the heights."""
    columns = _hats(table)
    one = np.ones((len(reference), 1))
    best = linprog([0, 0, 0, 0, 1], np.block([[columns, -one], [-columns, -one]]),
                   np.concatenate([reference, -reference]), bounds=(None, None))
    return Reference(best.x[:4], None, len(reference) - 4, best.x[4])


def plane(random: Random) -> Table:
    n = _count(random)
    x, t = random.uniform(-1, 1, n), random.uniform(10, 40, n)
    c = random.standard_normal(6) * [1, 1, 0.03, 1, 0.03, 0.001]
    y = t - 25
    return Table(x, t, np.column_stack([np.ones(n), x, y, x * x, x * y, y * y]) @ c)


def solve_plane(reference: np.ndarray, table: Table) -> Reference:
    x, y = table.reading, table.temperature - 25
    c, v, f = _ols([np.ones_like(x), x, y, x * x, x * y, y * y], reference)
    return _reference([*c], np.eye(6).tolist(), v, f)


NOISE = 0.1
"""Of a reading, in mV."""


def noisy_line(random: Random) -> Table:
    """A line whose readings scatter, and whose references do not."""
    n = _count(random)
    slope, offset = random.uniform(0.5, 2), random.uniform(-10, 10)
    off = NOISE * random.standard_normal(n)
    x = random.uniform(0, 100, n) + off
    return Table(x, np.full_like(x, 25.0), slope * x + offset, -slope * off, slope * NOISE)


def solve_noisy_line(reference: np.ndarray, table: Table) -> Reference:
    """Least squares of the readings: with none in the references that is the whole of it."""
    (a, b), _, f = _ols([reference, np.ones_like(reference)], table.reading)
    return Reference(np.array([1 / a, -b / a]), None, f)


def bent(random: Random) -> Table:
    """24 to 36 readings of a line with two bends, eight readings or more apart."""
    n = int(random.integers(24, 37))
    x = (np.linspace(0, 100, n) + random.uniform(-1, 1, n)).round(1)
    first = int(random.integers(7, n - 15))
    second = int(random.integers(first + 8, n - 6))
    bends = [0, first, second, n - 1]
    return _plain(x, np.interp(x, x[bends], random.uniform(-20, 20, 4)))


def bent_between(random: Random) -> Table:
    """As `bent`, but it bends anywhere between the readings."""
    n = int(random.integers(24, 37))
    x = (np.linspace(0, 100, n) + random.uniform(-1, 1, n)).round(1)
    first = random.uniform(x[6], x[n - 16])
    second = random.uniform(first + 800 / (n - 1), x[n - 6])
    return _plain(x, np.interp(x, [x[0], first, second, x[-1]], random.uniform(-20, 20, 4)))


def smooth(random: Random) -> Table:
    """As many readings of a parabola, which straight lines miss by up to 3 times the scatter."""
    table = bent(random)
    return _plain(table.reading, random.uniform(-20, 20) * (table.reading / 100)**2)


def straight(random: Random) -> Table:
    """As many readings on a straight line: nothing tells where it should bend."""
    table = bent(random)
    return _plain(table.reading, random.uniform(-1, 1) * table.reading)


_LINE = 'model = "line"\nreading_unit = "mV"\nreference_unit = "degC"\n' \
        'gain = "cal.gain"\noffset = "cal.offset"\n'
_CURVE = 'model = "curve"\nreading_unit = "mV"\nreference_unit = "degC"\ncurve = "cal.bend"\n'
_TENTHS = _CURVE.replace('cal.bend', 'cal.tenths')
_LARGEST = 'smallest = "largest"\n'
_COMMON = 'reference_uncertainty = 0.05\n'

CASES = (
    Case("line", _LINE, line, 0.1, solve_line),
    Case("line, reading = gain * reference + offset", _LINE
         + 'equation = "reading = gain * reference + offset"\n', line, 0.1, solve_inverse),
    Case("polynomial of degree 3", 'model = "polynomial"\nreading_unit = "mV"\n'
         'reference_unit = "degC"\ncoefficients = "cal.poly"\n', cubic, 0.01, solve_cubic),
    Case("steinhart-hart", 'model = "steinhart-hart"\ncoefficients = "cal.abc"\n',
         thermistor, 0.02, solve_steinhart),
    Case("beta", 'model = "beta"\nbeta = "cal.beta"\nr25 = "cal.r25"\n',
         beta_thermistor, 0.05, solve_beta),
    Case("ph", 'model = "ph"\nslope = "cal.slope"\nzero = "cal.wide_zero"\n', electrode, 0.01,
         solve_electrode),
    Case("adc", 'model = "adc"\nfull_scale = 4096\nnominal = 2.5\ngain = "cal.gain"\n'
         'offset = "cal.offset"\n', converter, 0.001, solve_converter),
    Case("platinum", 'model = "platinum"\nr0 = "cal.pt_r0"\na = "cal.pt_a"\nb = "cal.pt_b"\n',
         platinum, 0.02, solve_platinum),
    Case("curve, breakpoints given", _CURVE, given_curve, 0.1, solve_curve),
    Case("curve, least largest error", _CURVE + _LARGEST, given_curve, 0.1, solve_largest),
    Case("polynomial over temperature", 'model = "polynomial-temperature"\nreading_unit = "mV"\n'
         'reference_unit = "degC"\ncoefficients = "cal.plane"\n', plane, 0.01, solve_plane),
    Case("line, errors in the readings", _LINE + f"reading_noise = {NOISE}\n", noisy_line, 0.0,
         solve_noisy_line),
    Case("line, common error of the reference", _LINE + _COMMON, line, 0.1),
    Case("curve, breakpoints chosen", _TENTHS, bent, 0.1, chosen=True),
    Case("curve, bends between readings", _TENTHS, bent_between, 0.1, chosen=True),
    Case("curve, chosen on a straight line", _TENTHS, straight, 0.1, chosen=True),
    Case("curve, chosen, common error", _TENTHS + _COMMON, bent, 0.1, chosen=True),
    Case("curve, chosen, a smooth sensor", _TENTHS, smooth, 0.1, chosen=True, promised=False),
)
