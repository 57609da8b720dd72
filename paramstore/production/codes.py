"""The findings of tables of units (PS93x, PS94x), serial numbers and records (PS95x)."""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

_FORM: dict[str, Code] = {
    "PS931": Code(
        "not a table of units",
        "A table is UTF-8 text: a line of column names, then one line for each unit. Lines that "
        "begin with `#` are comments. A byte-order mark at the start, as some spreadsheets write "
        "it, is left out and told.",
    ),
    "PS932": Code(
        "quotes that do not match",
        "A cell with a comma in it stands in quotes, from its first character to its last, on one "
        "line. A quote inside is written twice.",
    ),
    "PS933": Code(
        "columns not separated by commas",
        "Spreadsheets set to a language with decimal commas separate columns by semicolons. Such "
        "a table is refused rather than guessed at, for 1,234 means one thing here and another "
        "there. Export it with commas between columns and points in numbers.",
    ),
    "PS934": Code(
        "a header that cannot be read",
        "Each column is called GROUP.PARAMETER, with the unit of the parameter in brackets:\n\n"
        "    identity.serial,factory.adc_reference [V],factory.ntc[0]\n\n"
        "A column whose name begins with `#`, and one called `remark`, is left alone.",
    ),
    "PS935": Code(
        "a column that is no parameter",
        "A column that is not known is refused rather than left out, because a misspelt parameter "
        "would silently keep its default in every unit.",
    ),
    "PS936": Code(
        "a column without its unit, or in another one",
        "The header repeats the unit that the schema gives. Nothing is converted: whoever wrote "
        "another unit may have measured in it, or not.",
    ),
    "PS937": Code(
        "columns that do not make a whole parameter",
        "An array or a curve has one column with all elements (`1.2; 3.4`, points as `0 1.5; 100 "
        "2.5`), or one column for each element: `ntc[0]`, `ntc[1]`, ..., `ec_curve[0].x`, "
        "`ec_curve[0].y`, ...",
    ),
    "PS938": Code(
        "no serial numbers",
        "Each unit needs a serial number of its own: in a column of the table, or from a pattern "
        "such as TP-26-####, by which the tool gives them.",
    ),
}

_CELLS: dict[str, Code] = {
    "PS939": Code(
        "a row with too many or too few cells",
        "Every row has as many cells as the header. A text with a comma in it needs quotes.",
    ),
    "PS940": Code(
        "a decimal comma",
        "Numbers have a decimal point, and nothing between their thousands: 1234.5.",
    ),
    "PS941": Code(
        "not a value of the parameter",
        "Numbers have a decimal point; a bool is true or false; an enumeration the name of a "
        "member; flags names joined by `+`, or none; a date 2026-01-31; bytes hex digits. An empty "
        "cell is no value: it may have been forgotten. An empty text is written as \"\". Only "
        "where all cells of an identity or calibration group are empty, and the values of all "
        "units say nothing of it, has the unit no values there, and no record.",
    ),
    "PS942": Code(
        "a formula of a spreadsheet",
        "The table holds what a spreadsheet computes with, or an error of it, instead of a result.",
    ),
    "PS943": Code(
        "a value outside its limits",
        "The schema gives each parameter a range (`min`, `max`), and the stored type has one of "
        "its own. Mostly a measurement is wrong, and the limit has done its work.",
    ),
    "PS944": Code(
        "no such member",
        "An enumeration takes the names that its `members` list, flags names of such a list.",
    ),
    "PS945": Code(
        "a text or byte string that does not fit",
        "A text may have at most as many bytes in UTF-8 as its `size`; letters beyond ASCII take "
        "2 to 4 bytes. A byte string must have exactly as many as its `size`.",
    ),
    "PS946": Code(
        "a curve that does not rise",
        "Each x of a curve must be greater than the one before, after rounding to the stored type.",
    ),
    "PS947": Code(
        "two values in the wrong order",
        "The schema says with `below` that one parameter must stay below another. The rule is "
        "checked on what will be stored: the row, its calibration, the values file, the defaults.",
    ),
    "PS948": Code(
        "a column that storage rounds",
        "A scaled integer holds whole steps of its `scale`. Values of this column are stored as "
        "the nearest step; the warning is given once for the column, with the largest error.",
    ),
}

_SERIALS: dict[str, Code] = {
    "PS951": Code(
        "a serial number that cannot be used",
        "A serial number becomes the name of a file and a word on a label, so it keeps to letters, "
        "digits, `.`, `_` and `-`, and begins with a letter or digit.",
    ),
    "PS952": Code(
        "a serial number twice in a table",
        "Two rows would become one unit. A serial number names one unit, for ever. Capital and "
        "small letters count as the same here, as they do in names of files on many disks.",
    ),
    "PS953": Code(
        "a serial number that was given before",
        "The records have a unit of this number, from another batch. If the same unit is to get a "
        "new image, after a repair or a calibration, say so with `--again`.",
    ),
    "PS954": Code(
        "a row that was made with other values",
        "A run that is repeated goes on where it stopped: a row whose unit is on record already "
        "keeps its number. So its values must be those on record, or there would be two units of "
        "one number. A new image for a unit that has its number comes from another batch, whose "
        "table has the serial number, with `--again`; `units --csv` writes such a table.",
    ),
    "PS955": Code(
        "a pattern of serial numbers that does not do",
        "A pattern is a serial number with one run of `#`, one for each digit that counts: "
        "TP-26-####. All else is taken as it is. It needs digits enough for every unit, and the "
        "parameter room for the whole text.",
    ),
    "PS956": Code(
        "a unit without its calibration",
        "With a folder of calibrations, each unit of the table needs a values file there, called "
        "by its serial number. A unit that lacks one would leave with defaults.",
    ),
    "PS957": Code(
        "a value from two places",
        "A parameter of a unit comes from the table or from its calibration. If both give it, one "
        "would silently win.",
    ),
    "PS958": Code(
        "a batch that was begun otherwise",
        "A batch has one layout and one set of constants. They are on record from its first run; "
        "with others it would be another batch, and needs another name.",
    ),
    "PS959": Code(
        "a unit that loses values of its own",
        "An earlier image of the unit was made with values of its own, from a table or a "
        "calibration. This run gives it none for these parameters, so that it gets those that all "
        "units have: a calibration that was measured would be gone without a word.",
    ),
}

CODES: dict[str, Code] = {**_FORM, **_CELLS, **_SERIALS}
"""Kinds of findings of this package."""
