"""The findings of calibration: recipes (PS80x), tables (PS81x, PS82x), fits and storage (PS83x)."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

_RECIPES: dict[str, Code] = {
    "PS801": Code(
        "not a recipe",
        "A recipe has tables `[calibration.NAME]`, each of which says which model is fitted and "
        "which parameters of the schema it feeds. It is a file of its own beside the schema.",
    ),
    "PS802": Code(
        "no such model",
        "The models are `line` (gain and offset), `polynomial`, `curve` (straight lines between "
        "breakpoints), `steinhart-hart` and `beta` (thermistors), `ph` (electrodes) and `adc` "
        "(converters).",
    ),
    "PS803": Code(
        "not a parameter that can take the result",
        "A recipe names parameters as GROUP.PARAMETER. A single number goes into a parameter of "
        "an integer type, f32 or f64 without `count`; coefficients go into an array; a curve goes "
        "into a curve, a serial number into a text.",
    ),
    "PS804": Code(
        "keys of a recipe that do not go together",
        "A key is out of its range, two keys say the same, or one lacks another. A model with no "
        "parameter to feed would compute something that nobody keeps.",
    ),
    "PS805": Code(
        "a parameter that takes two results",
        "Two calibrations would write the same parameter, and the second would silently win.",
    ),
    "PS806": Code(
        "units that do not fit",
        "The unit of a result follows from those of reading and reference: a slope of mV against "
        "pH is in mV/pH. It must be that of the parameter, or differ by SI prefixes only (V and "
        "uV), which are converted. A parameter without a unit takes any. The unit of a curve's x "
        "is that of the reading.",
    ),
}

_TABLES: dict[str, Code] = {
    "PS811": Code(
        "not a table of measurements",
        "A table is UTF-8 text: a line of column names, then one line for each measurement, up to "
        "20000. Lines that begin with `#` are comments. A byte-order mark at the start, as some "
        "spreadsheets write it, is left out and told.",
    ),
    "PS812": Code(
        "quotes that do not match",
        "A cell with a comma in it stands in quotes, from its first character to its last, on one "
        "line. A quote inside is written twice.",
    ),
    "PS813": Code(
        "columns not separated by commas",
        "Spreadsheets set to a language with decimal commas separate columns by semicolons. Such "
        "a table is refused rather than guessed at, for 1,234 means one thing here and another "
        "there. Export it with commas between columns and points in numbers.",
    ),
    "PS814": Code(
        "a header that cannot be read",
        "Each column has a name of its own, and a unit in brackets where it has one:\n\n"
        "    reference [pH],reading [mV],temperature [degC],serial",
    ),
    "PS815": Code(
        "a column is missing",
        "Every table needs `reference` and `reading`; models that depend on it need `temperature` "
        "as well, unless the recipe gives one temperature for all.",
    ),
    "PS816": Code(
        "a column that is not used",
        "Columns are `reference`, `reading`, `uncertainty` (standard uncertainty, in the unit of "
        "the reference), `temperature` and `serial`. A `remark`, `date`, `time` or `operator` is "
        "left alone. Any other is told, and refused if it looks like a misspelt one.",
    ),
    "PS817": Code(
        "a column in another unit",
        "The header of a column must have the unit that the recipe gives. Nothing is converted: "
        "whoever wrote the wrong unit may have measured in it, or not.",
    ),
    "PS818": Code(
        "a decimal comma",
        "Numbers have a decimal point, and nothing between their thousands: 1234.5.",
    ),
    "PS819": Code(
        "a row with too many or too few cells",
        "Every row has as many cells as the header. A text with a comma in it needs quotes.",
    ),
    "PS820": Code(
        "not a number",
        "The cell is empty, holds a text, a number with its unit, a dash for a minus sign, NaN, "
        "or more than any instrument shows. A row without a measurement has no place in a fit.",
    ),
    "PS821": Code(
        "a formula of a spreadsheet",
        "The table holds what a spreadsheet computes with, or an error of it, instead of a result.",
    ),
    "PS822": Code(
        "a measurement that cannot be",
        "Resistances and uncertainties are greater than 0, and nothing is colder than -273.15 "
        "degC. A correction in per cent needs readings other than 0.",
    ),
    "PS823": Code(
        "a serial number that cannot be used",
        "If there is a column `serial`, each row has one. It becomes the name of a file, so it "
        "keeps to letters, digits, `.`, `_` and `-`.",
    ),
    "PS824": Code(
        "a unit that was not measured",
        "Tables that name units must name the same ones: a unit that lacks one of its calibrations "
        "would leave with a default, and nothing would show it.",
    ),
}

_FITS: dict[str, Code] = {
    "PS831": Code(
        "too few points",
        "A model with n coefficients needs n points at least. With exactly n the fit goes through "
        "all of them, right or wrong: one or two more show errors.",
    ),
    "PS832": Code(
        "points that give no result",
        "All readings are equal, the readings do not follow the reference, or the model has no "
        "value for some of them.",
    ),
    "PS833": Code(
        "an outlier",
        "So large an error would turn up by chance, somewhere among all points, in fewer than 1 "
        "of 20 tables. With given uncertainties the error is measured against its own; without, or "
        "if these are too small for all points, against the scatter of the other points "
        "(externally studentised residuals, Student's t, times the number of points). The point is "
        "told and stays in the fit: only who measured it can know whether it is wrong.",
    ),
    "PS834": Code(
        "errors larger than the uncertainties",
        "The sum of the squared errors, each in units of its uncertainty, is so large that chance "
        "makes it so in fewer than 1 of 100 tables (chi-square). The uncertainties are too small, "
        "a point is wrong, or the model is not that of the sensor. The standard uncertainties of "
        "the results are multiplied by the ratio of the two (Birge ratio), so that they are not "
        "smaller than the scatter says.",
    ),
    "PS835": Code(
        "a range beyond the points",
        "The firmware will meet readings outside of those measured, by more than a tenth of their "
        "span. What the model gives there is a guess.",
    ),
    "PS836": Code(
        "a result that cannot be stored",
        "The fitted number is outside the limits of the parameter, or does not fit in its type. "
        "Mostly a measurement is wrong, and the limit has done its work.",
    ),
    "PS837": Code(
        "an electrode out of order",
        "A pH electrode in order has 90 to 105 % of the ideal slope, and within 30 mV of zero at "
        "pH 7 (common practice). Old, dry or dirty electrodes, and wrong buffers, go beyond.",
    ),
    "PS838": Code(
        "storage that costs more than measuring",
        "Rounding to the stored type changes what the firmware shows by more than the largest "
        "error of the fit and its uncertainty. The measurements are better than what is kept.",
    ),
    "PS839": Code(
        "a reading at the end of the converter",
        "At its first and last code a converter gives the same reading for any voltage beyond, so "
        "the point says little and bends the fit.",
    ),
    "PS840": Code(
        "a thermistor that does not fall",
        "The resistance of an NTC thermistor falls steadily with temperature. Fitted coefficients "
        "that turn back within the range come of wrong readings, or of points too close.",
    ),
}

CODES: dict[str, Code] = {**_RECIPES, **_TABLES, **_FITS}
"""Kinds of findings of this package."""
