"""The recipe language as tables: every key, what it takes, and which model has it.

The reader walks these tables, and the JSON Schema for editors is made from them. A model here is
its keys and outputs; its units are in `recipe_units`, how it is fitted in `models`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from paramstore.calibrate.record_keys import PARTICULAR_KEYS
from paramstore.located.json_schema import tables_of
from paramstore.located.keys import BOOL, INTEGER, NUMBER, TABLE, TEXT, Key, key_table
from paramstore.schema.identifiers import NAME_SCHEMA

__all__ = ["COMMON_KEYS", "EQUATIONS", "GIVES", "MODELS", "MODEL_ALIASES", "PLANE_COUNTS",
           "ROOT_KEYS", "SMALLEST", "ModelInfo", "ModelOutput"]


_ANY: dict[str, Any] = {"low": -1e12, "high": 1e12, "code": "PS804",
                        "why": "a reading is a number of ordinary size"}
_SIZE: dict[str, Any] = {"low": 0, "high": 1e12, "code": "PS804",
                         "why": "it is a distance: not below 0"}

ROOT_KEYS = key_table(
    Key("serial", TEXT, "Text parameter that takes the serial number of the unit.",
        'serial = "identity.serial"'),
    Key("calibration", TABLE, "The calibrations, one table [calibration.NAME] for each.",
        "[calibration.electrode]", required=True,
        json=tables_of("calibration", NAME_SCHEMA, minProperties=1)),
)

COMMON_KEYS = key_table(
    Key("model", TEXT, "What is fitted.", 'model = "line"', required=True),
    Key("doc", TEXT, "What is calibrated, and how.", 'doc = "In buffer solutions"',
        default=""),
    Key("from", NUMBER, "Smallest reading that the firmware will meet; else the smallest "
        "measured.", "from = 0", **_ANY),
    Key("to", NUMBER, "Largest reading that the firmware will meet; else the largest "
        "measured.", "to = 4095", **_ANY),
    Key("all_units", BOOL, "Measured once, on one unit or in common; its results go into every "
        "unit, and its table has no column `serial`.", "all_units = true", default=False),
    Key("channels", BOOL, "Each parameter is an array with an element for each channel, and the "
        "table has a column `channel`, from 0: each is fitted by itself.", "channels = true",
        default=False),
    *PARTICULAR_KEYS.values(),
    Key("reference_uncertainty", NUMBER, "Standard uncertainty of the reference that all points "
        "share, in its unit: U / k of its certificate.", "reference_uncertainty = 0.01", **_SIZE),
    Key("reference_drift", NUMBER, "Most that the reference may have drifted since its "
        "certificate.", "reference_drift = 0.02", **_SIZE),
    Key("reference_resolution", NUMBER, "Smallest step of the reference.",
        "reference_resolution = 0.01", **_SIZE),
    Key("reading_noise", NUMBER, "Standard uncertainty of one reading, by itself; the fit then "
        "counts errors in both axes.", "reading_noise = 0.05", **_SIZE),
    Key("reading_resolution", NUMBER, "Smallest step of the reading.", "reading_resolution = 0.1",
        **_SIZE),
)

_READING = Key("reading_unit", TEXT, "Unit of the column `reading`.", 'reading_unit = "mV"',
               required=True)
_REFERENCE = Key("reference_unit", TEXT, "Unit of the column `reference`.",
                 'reference_unit = "degC"', required=True)


def _unit_key(key: Key, default: str) -> Key:
    return Key(key.name, key.form, key.doc, f'{key.name} = "{default}"', default=default)


def _parameter(name: str, doc: str, example: str, required: bool = False) -> Key:
    """Return the key of an output; its parameter may be `GROUP.PARAMETER[ELEMENT]`."""
    return Key(name, TEXT, f"Parameter that takes {doc}.", f'{name} = "{example}"', required)


EQUATIONS = (
    "reference = gain * reading + offset",
    "reading = gain * reference + offset",
    "reference = gain * (reading - offset)",
)
"""What the parameters of a line mean; the first is meant if nothing is said."""

GIVES = ("value", "difference", "percent")
"""What a curve gives at a reading: the value, what to add to the reading, or that in percent."""

PLANE_COUNTS = (3, 6, 10)
"""Coefficients of a polynomial of degree 1, 2 or 3 in two variables."""

SMALLEST = ("squares", "largest")
"""What the heights of a curve make smallest."""


@dataclass(frozen=True, slots=True)
class ModelOutput:
    """What a model computes for one parameter: `key` names it, `count` is its number of elements
    (0: as many as the parameter has, one of `counts` if that says any)."""

    key: str
    count: int = 1
    counts: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ModelInfo:
    """A model: its keys besides the common ones, what it computes, and what it asks of a table.

    `reading_unit` and `reference_unit` are the units it computes in; "" where any will do.
    A recipe must name one or more of the outputs `at_least_one_of`, and no two of
    `at_most_one_of`.
    """

    doc: str
    keys: dict[str, Key]
    outputs: tuple[ModelOutput, ...]
    reading_unit: str = ""
    reference_unit: str = ""
    needs_temperature: bool = False
    at_least_one_of: tuple[str, ...] = ()
    at_most_one_of: tuple[str, ...] = ()


_TEMPERATURE = Key(
    "temperature_c", NUMBER, "Temperature in degC of all measurements, if the table has no "
    "column for it.", "temperature_c = 25", low=-273, high=2000, code="PS804",
    why="nothing is colder than -273.15 degC")

_CENTRE = Key("centre", NUMBER, "Taken off the reading first, by the firmware too.",
              "centre = 2048", default=0, **_ANY)
_SPAN = Key("span", NUMBER, "What the rest is divided by, by the firmware too.", "span = 2048",
            default=1, low=1e-12, high=1e12, code="PS804", why="it is the size of a reading")

MODELS: dict[str, ModelInfo] = {
    "line": ModelInfo(
        "gain and offset; one left out is fixed, a gain at 1, an offset at 0",
        key_table(
            _READING, _REFERENCE,
            Key("equation", TEXT, "What gain and offset mean.", f'equation = "{EQUATIONS[0]}"',
                default=EQUATIONS[0], json={"enum": list(EQUATIONS)}),
            _parameter("gain", "the gain", "factory.gain"),
            _parameter("offset", "the offset", "factory.offset"),
            Key("tempco", NUMBER, "Temperature coefficient in %/K: readings are referred to "
                "25 degC before anything is fitted, as conductivity is.", "tempco = 2.0", low=-10,
                high=10, code="PS804", why="water solutions have about 2 %/K"),
            _TEMPERATURE,
        ),
        (ModelOutput("gain"), ModelOutput("offset")), at_least_one_of=("gain", "offset"),
    ),
    "polynomial": ModelInfo(
        "reference = c0 + c1 x + c2 x^2 + ..., x = (reading - centre) / span",
        key_table(
            _READING, _REFERENCE,
            _parameter("coefficients", "c0, c1, ..., an array", "factory.poly", required=True),
            Key("degree", INTEGER, "Highest power; else the array is filled. Higher "
                "coefficients are 0.", "degree = 2", low=1, high=9, code="PS804",
                why="higher powers follow the noise between the points"),
            _CENTRE, _SPAN,
        ),
        (ModelOutput("coefficients", 0),),
    ),
    "polynomial-temperature": ModelInfo(
        "reference = c0 + c1 x + c2 y + c3 x^2 + c4 x y + c5 y^2 + ..., x = (reading - centre) / "
        "span, y = temperature - 25 degC; 3, 6 or 10 coefficients",
        key_table(
            _READING, _REFERENCE,
            _parameter("coefficients", "c0, c1, ..., an array", "factory.compensation",
                       required=True),
            _CENTRE, _SPAN,
        ),
        (ModelOutput("coefficients", 0, PLANE_COUNTS),), needs_temperature=True,
    ),
    "curve": ModelInfo(
        "straight lines between breakpoints that are chosen, at readings or between them",
        key_table(
            _READING, _REFERENCE,
            _parameter("curve", "the points", "factory.curve", required=True),
            Key("gives", TEXT, "What the curve gives: `value`, the `difference` to add to "
                "the reading, or that difference in `percent` of the reading.",
                'gives = "percent"', default=GIVES[0], json={"enum": list(GIVES)}),
            Key("smallest", TEXT, "What the curve makes smallest: the sum of `squares` of the "
                "errors, or the `largest` error.", 'smallest = "largest"', default=SMALLEST[0],
                json={"enum": list(SMALLEST)}),
        ),
        (ModelOutput("curve", 0),),
    ),
    "steinhart-hart": ModelInfo(
        "thermistor: 1/T = A + B ln R + C (ln R)^3, in K and ohm",
        key_table(
            _unit_key(_READING, "ohm"),
            _parameter("coefficients", "A, B, C, an array of 3", "factory.ntc"),
            _parameter("a", "A", "factory.ntc_a"),
            _parameter("b", "B", "factory.ntc_b"),
            _parameter("c", "C", "factory.ntc_c"),
        ),
        (ModelOutput("coefficients", 3), ModelOutput("a"), ModelOutput("b"), ModelOutput("c")),
        reading_unit="ohm", reference_unit="degC", at_least_one_of=("coefficients", "a"),
        at_most_one_of=("coefficients", "a"),
    ),
    "beta": ModelInfo(
        "thermistor: R = r25 exp(beta (1/T - 1/298.15 K))",
        key_table(
            _unit_key(_READING, "ohm"),
            _parameter("beta", "beta, in K", "factory.ntc_beta", required=True),
            _parameter("r25", "the resistance at 25 degC", "factory.ntc_r25", required=True),
        ),
        (ModelOutput("beta"), ModelOutput("r25")), reading_unit="ohm", reference_unit="degC",
    ),
    "platinum": ModelInfo(
        "platinum resistance: R = r0 (1 + a t + b t^2), below 0 degC also + r0 c (t - 100) t^3; "
        "what is left out has the value of IEC 60751",
        key_table(
            _unit_key(_READING, "ohm"),
            _parameter("r0", "the resistance at 0 degC", "factory.pt_r0", required=True),
            _parameter("a", "a, with b", "factory.pt_a"),
            _parameter("b", "b, with a", "factory.pt_b"),
            _parameter("c", "c, with a and b", "factory.pt_c"),
        ),
        (ModelOutput("r0"), ModelOutput("a"), ModelOutput("b"), ModelOutput("c")),
        reading_unit="ohm", reference_unit="degC",
    ),
    "ph": ModelInfo(
        "pH electrode: E = zero + slope (pH - 7) T/298.15 K",
        key_table(
            _unit_key(_READING, "mV"),
            _parameter("slope", "the slope at 25 degC", "electrode.ph_slope", required=True),
            _parameter("zero", "the voltage at pH 7", "electrode.ph_zero", required=True),
            _parameter("temperature", "the mean temperature of the buffers", "electrode.buffer_temp"
                       ),
            _TEMPERATURE,
        ),
        (ModelOutput("slope"), ModelOutput("zero"), ModelOutput("temperature")),
        reading_unit="mV", reference_unit="pH", needs_temperature=True,
    ),
    "adc": ModelInfo(
        "converter: reference = gain x reading x nominal / full_scale + offset",
        key_table(
            _unit_key(_READING, "count"), _unit_key(_REFERENCE, "V"),
            Key("full_scale", NUMBER, "Readings of the whole range: 4096 for 12 bits.",
                "full_scale = 4096", required=True, low=2, high=2**32, code="PS804",
                why="that is 1 to 32 bits"),
            Key("nominal", NUMBER, "Reference of the converter that the firmware computes "
                "with; needed for a gain.", "nominal = 2.5", low=1e-6, high=1e6, code="PS804",
                why="it is the size of a voltage"),
            _parameter("reference_voltage", "the true reference of the converter",
                       "factory.adc_reference"),
            _parameter("gain", "the gain, about 1", "factory.adc_gain"),
            _parameter("offset", "the offset, else fixed at 0", "factory.adc_offset"),
        ),
        (ModelOutput("reference_voltage"), ModelOutput("gain"), ModelOutput("offset")),
        at_least_one_of=("reference_voltage", "gain", "offset"),
        at_most_one_of=("reference_voltage", "gain"),
    ),
}

MODEL_ALIASES = {
    "linear": "line", "gain_offset": "line", "two-point": "line", "conductivity": "line",
    "cell": "line", "poly": "polynomial", "quadratic": "polynomial", "piecewise": "curve",
    "table": "curve", "lut": "curve", "spline": "curve", "steinhart": "steinhart-hart",
    "steinhart_hart": "steinhart-hart", "thermistor": "steinhart-hart", "ntc": "steinhart-hart",
    "pt100": "platinum", "pt1000": "platinum", "rtd": "platinum", "callendar-van-dusen": "platinum",
    "electrode": "ph", "pH": "ph", "nernst": "ph", "converter": "adc", "voltage": "adc",
}  # fmt: skip
"""Names a person may try, for suggestions only."""
