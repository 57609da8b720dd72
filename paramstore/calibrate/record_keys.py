"""The keys of a recipe for what belongs with a calibration: circumstances, and what is accepted.

Nothing here changes a fit. The terms are those of JCGM 200:2012 and JCGM 106:2012.
"""

from __future__ import annotations

from datetime import date, datetime

from paramstore.located.json_schema import object_schema
from paramstore.located.keys import NUMBER, TABLE, TEXT, TEXTS, Key, ValueForm, key_table

__all__ = ["ACCEPTANCE_KEYS", "INTERVAL_UNITS", "PARTICULAR_KEYS", "REFERENCE_KEYS", "STORES_KEYS"]

DATE = ValueForm("a date", lambda v: isinstance(v, date) and not isinstance(v, datetime),
                 {"type": "string", "format": "date"})

INTERVAL_UNITS = ("day", "week", "month", "year")

REFERENCE_KEYS = key_table(
    Key("instrument", TEXT, "The reference instrument or standard, with its own serial number.",
        'instrument = "bath thermometer B-7"', required=True),
    Key("certificate", TEXT, "Number of its calibration certificate.",
        'certificate = "K-2025-118"', default=""),
    Key("date", DATE, "Date of that certificate.", "date = 2025-10-06"),
)

STORES_KEYS = key_table(
    Key("date", TEXT, "Date parameter that takes the date of calibration.",
        'date = "electrode.calibrated"'),
    Key("due", TEXT, "Date parameter that takes the date by which it is to be calibrated again.",
        'due = "electrode.due"'),
    Key("person", TEXT, "Text parameter that takes who calibrated it.",
        'person = "factory.calibrated_by"'),
    Key("instrument", TEXT, "Text parameter that takes the reference instrument.",
        'instrument = "factory.reference"'),
    Key("certificate", TEXT, "Text parameter that takes the number of the certificate.",
        'certificate = "factory.certificate"'),
    Key("ambient", TEXT, "Text parameter that takes the ambient conditions.",
        'ambient = "factory.ambient"'),
    Key("buffers", TEXT, "Flags or text parameter that takes the buffers used.",
        'buffers = "electrode.buffers"'),
)

ACCEPTANCE_KEYS = key_table(
    Key("limit", NUMBER, "Tolerance: the largest error that is accepted, in the unit of the "
        "reference.", "limit = 0.05", low=0, high=1e12, code="PS804",
        why="an error is judged without its sign", default=0),
    Key("percent", NUMBER, "Tolerance in % of the reference, on top of `limit`.",
        "percent = 0.5", low=0, high=1000, code="PS804",
        why="an error is judged without its sign", default=0),
    Key("guard_band", NUMBER, "Width of the guard band as a multiple of U; 0 is simple acceptance.",
        "guard_band = 1", low=0, high=10, code="PS804",
        why="a guard band makes the tolerance narrower", default=1),
)

PARTICULAR_KEYS = key_table(
    Key("date", DATE, "Date of the measurements; or --date.", "date = 2026-02-17"),
    Key("person", TEXT, "Who measured; or --person.", 'person = "bench 2, early shift"',
        default=""),
    Key("ambient", TEXT, "Ambient conditions; or --ambient.",
        'ambient = "21.4 degC, 44 % relative humidity"', default=""),
    Key("buffers", TEXTS, "Buffer or standard solutions used.", 'buffers = ["ph4", "ph7"]'),
    Key("interval", TEXT, "How long a calibration holds: the due date is so much after its date.",
        'interval = "12 months"', default=""),
    Key("reference", TABLE, "The reference instrument.", 'reference = { instrument = "B-7" }',
        json=object_schema(REFERENCE_KEYS, "The reference instrument.")),
    Key("stores", TABLE, "Which parameters take what belongs with the calibration.",
        'stores = { date = "factory.adjusted" }',
        json=object_schema(STORES_KEYS, "Parameters for what belongs with the calibration.")),
    Key("acceptance", TABLE, "Which errors are accepted, as left and as found.",
        "acceptance = { limit = 0.05 }",
        json=object_schema(ACCEPTANCE_KEYS, "Which errors are accepted.")),
)
