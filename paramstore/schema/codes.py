"""The findings a schema can give: PS1xx text and structure, PS2xx parameters, PS3xx store.

Each explanation says what is wrong, why it matters, and shows how to mend it.
"""

from __future__ import annotations

from paramstore.errors import Code

__all__ = ["CODES"]

_STRUCTURE: dict[str, Code] = {
    "PS100": Code(
        "the file is not UTF-8",
        "TOML is UTF-8 text. An editor that saves in another encoding (Latin-1, UTF-16) turns "
        "`µ`, `°` and accents into bytes that mean nothing here. Save the file as UTF-8.",
    ),
    "PS101": Code(
        "the file is not valid TOML",
        "The text breaks a rule of TOML 1.0, so nothing in it can be read. Only the first such "
        "place is told, for what follows it may be misread. The rest of the file is checked when "
        "it is mended.\n\n"
        "    mode = auto          a text needs quotes:       mode = \"auto\"\n"
        "    limit = 3,3          decimals have a point:     limit = 3.3\n"
        "    p = { type = \"u8\",   a table in braces ends on the line it begins on",
    ),
    "PS102": Code(
        "a key or table is given twice",
        "TOML allows each name once in a table, so that no line can silently undo an earlier one. "
        "Take one out, or rename it. A table that is written `[group.a]` is given twice as well "
        "if there is a second header `[group.a]` further down: move its keys to the first.",
    ),
    "PS103": Code(
        "the file goes beyond what is read",
        "Files of more than a million characters, more than 32 levels of nesting and numbers of "
        "more than 160 characters are refused. No schema or values file comes near this: the file "
        "is probably not what was meant.",
    ),
    "PS104": Code(
        "a key that does not exist",
        "A misspelt key would otherwise be ignored, and its limit or scale with it. The message "
        "suggests the key that looks most like it, or lists the keys that are still free.\n\n"
        "    level = { type = \"u8\", maximum = 9 }       the key is called `max`\n"
        "    [calibration]                             groups are tables `[group.calibration]`",
    ),
    "PS105": Code(
        "a key is missing",
        "The key has no default that could be right for everybody. A store needs `name` and "
        "`part`, a group `role` and `writes`, a parameter `type`, an enumeration `members`, a text "
        "`size`, a curve `points`, `x` and `y`.",
    ),
    "PS106": Code(
        "a value of the wrong type",
        "TOML tells texts, whole numbers, decimal numbers, dates, arrays and tables apart, and "
        "nothing is converted silently.\n\n"
        "    address = \"0x50\"     a number has no quotes:    address = 0x50\n"
        "    made = \"2026-01-31\"  nor has a date:            made = 2026-01-31",
    ),
    "PS107": Code(
        "a key that means nothing for the type",
        "The key exists, but not for parameters of this type: a text has no `max`, a number no "
        "`size`. Often the type is not the one meant.\n\n"
        "    gains = { type = \"f32\", size = 4 }      for four elements: count = 4",
    ),
    "PS108": Code(
        "a name that cannot be used",
        "Names of stores, groups, parameters and members become C identifiers. They begin with a "
        "letter a to z and go on with letters a to z, digits and `_`, at most 48 in all. Upper "
        "case is left to constants.\n\n"
        "    phSlope, ph-slope, 2nd_slope      write: ph_slope, slope_2",
    ),
    "PS109": Code(
        "a reserved word as a name",
        "Groups and parameters become members of C structs, which the words of C and C++ and a few "
        "macros of compilers (`linux`, `unix`, `errno`) cannot be. The name would stop the "
        "firmware from compiling, perhaps only under another compiler. Members of enumerations "
        "and flags may be such words, for they get a prefix.",
    ),
    "PS110": Code(
        "a fixed layout where a store is needed",
        "A schema that begins with `[fixed]` describes bytes that are there already: it can be "
        "read and explained, but nothing is laid out, generated or packed from it. "
        "`paramstore migrate STORE DUMP --layout FIXED` takes its values into a store.",
    ),
    "PS112": Code(
        "a character that does not print",
        "Units, the names of parts and other texts of a schema are shown on terminals and pages, "
        "and written as comments of C and of values files. Line ends, control characters and marks "
        "that turn the direction of writing would end such a comment, hide what stands beside it, "
        "or be obeyed by a terminal. A `doc` may have several lines. Often the character came "
        "along with a text that was pasted.",
    ),
}

_PARAMETERS: dict[str, Code] = {
    "PS201": Code(
        "a type that does not exist",
        "Types are `bool`, `u8` `u16` `u32` `u64`, `i8` `i16` `i32` `i64`, `f32` `f64`, `enum`, "
        "`flags`, `text`, `bytes`, `date` and `curve`. A number that is stored as a scaled integer "
        "has the type of the integer, with `scale` and `offset`. Axes of a curve are numbers; "
        "an enum is stored in `u8`, `u16` or `u32`, flags also in `u64`.",
    ),
    "PS202": Code(
        "a size out of range",
        "`count` and `size` are 1 to 4096, `points` of a curve 2 to 255, `digits` 0 to 17. A "
        "parameter of more than 4096 elements makes a record that takes long to commit and "
        "wears many pages: keep such data elsewhere.",
    ),
    "PS203": Code(
        "`min` is above `max`",
        "No value could ever be set. The two are exchanged, or one of them lacks a sign.",
    ),
    "PS204": Code(
        "a number does not fit in its type",
        "The stored type has no such value: `u8` ends at 255, `i8` at 127; with a `scale` the "
        "limits are those times the scale. Nothing is cut off or wrapped round silently.\n\n"
        "    level = { type = \"u8\", default = 300 }                use u16\n"
        "    temp = { type = \"i8\", scale = 0.1, max = 50 }         ends at 12.7: use i16",
    ),
    "PS205": Code(
        "the default is outside of the limits",
        "The firmware would refuse the value that the store starts with. Either the default or "
        "one of `min` and `max` is wrong.",
    ),
    "PS206": Code(
        "no default, and zero is not allowed",
        "A parameter without `default` starts as 0, false, the first member, no flags, \"\", zero "
        "bytes or 2000-01-01. Here that value lies outside of `min` to `max` or beyond what the "
        "type can hold, so a default must be given.\n\n"
        "    interval = { type = \"u16\", min = 1 }      add: default = 10",
    ),
    "PS207": Code(
        "a scale or offset of no use",
        "Physical value = stored integer x `scale` + `offset`. With a scale of 0 every stored "
        "value would mean the same. `scale` lies between 1e-30 and 1e30 in size and may be "
        "negative, other than that of the x axis of a curve; `offset` too, or it is 0.",
    ),
    "PS208": Code(
        "a limit lies between two stored values",
        "A scaled integer can take only multiples of its scale. A limit between two of them is "
        "moved inwards, so nothing outside of what was written is ever allowed. Write the "
        "value that is used, so that the schema says what the firmware does.\n\n"
        "    temp = { type = \"i16\", scale = 0.5, max = 10.3 }      10.0 is used",
    ),
    "PS209": Code(
        "the default is rounded",
        "The stored type cannot hold the default exactly; the nearest value is taken, and reading "
        "it back shows that one. Write the value that is stored, or store it more finely: a "
        "smaller `scale`, or `f64` instead of `f32`.",
    ),
    "PS210": Code(
        "members that cannot be read",
        "`members` is an array of names, numbered from 0, or a table of names with whole numbers: "
        "the value of an enumeration, the bit of a flag. There is at least one.\n\n"
        "    members = [\"off\", \"on\"]\n"
        "    members = { off = 0, on = 5 }",
    ),
    "PS211": Code(
        "two members are the same",
        "A name or a number is given to two members, so a stored value could not be told apart. "
        "In C they would be two names for one constant.",
    ),
    "PS212": Code(
        "a member does not fit in its storage",
        "The numbers of an enumeration are 0 to 255 in `u8`, to 65535 in `u16`, to 4294967295 in "
        "`u32`. Flags have as many bits as their type, from bit 0. Without `storage` the narrowest "
        "type that holds all members is taken.",
    ),
    "PS213": Code(
        "a member that does not exist",
        "The default names a member that `members` does not have. Names are compared exactly.",
    ),
    "PS214": Code(
        "a text or byte string that does not fit",
        "`size` counts bytes. A text is stored as UTF-8, in which letters beyond ASCII take 2 to 4 "
        "bytes; it must not hold the character U+0000. A byte string is written as two "
        "hexadecimal digits for each byte and must have exactly `size` bytes.\n\n"
        "    key = { type = \"bytes\", size = 4, default = \"00 1A FF 07\" }",
    ),
    "PS215": Code(
        "a number of the wrong kind",
        "An integer without a scale takes whole numbers only, and no parameter can be nan or inf: "
        "the firmware compares values with limits, which such a number would pass or fail at "
        "random.",
    ),
    "PS216": Code(
        "a date that cannot be stored",
        "A date is stored as days since 2000-01-01 in 16 bits, which end at 2179-06-06.",
    ),
    "PS217": Code(
        "a wrong number of values",
        "The default of an array is one value for all elements, or an array of exactly `count`; "
        "that of a curve has exactly `points` pairs.",
    ),
    "PS218": Code(
        "the axis of a curve does not rise",
        "The firmware looks x up by bisection and interpolates between two points. A value that "
        "comes twice has no slope, and one out of order is never found. Two values that differ "
        "by less than the scale are stored as the same.",
    ),
    "PS219": Code(
        "a curve without a default",
        "Other parameters start as 0, but a curve whose x are all 0 does not rise. Give the points "
        "that hold until the unit is calibrated.\n\n"
        "    default = [[0, 0], [1000, 10]]",
    ),
    "PS220": Code(
        "`below` names no other parameter",
        "`below` keeps one parameter strictly below another of the same group: a low alarm below a "
        "high one. Groups are committed one by one, so a rule across groups could be broken by "
        "a power cut between two commits.",
    ),
    "PS221": Code(
        "`below` compares unlike parameters",
        "The firmware compares stored values, so both parameters need the same type, unit, scale, "
        "offset and count, and a scale that is not negative. Nothing is converted: 1 V is not "
        "below 900 mV.",
    ),
    "PS222": Code(
        "the defaults break `below`",
        "The store starts with the defaults, and every commit checks the rule. Equal is not below.",
    ),
    "PS223": Code(
        "no value lies within the limits",
        "A scaled integer takes only multiples of its scale, and none of them lies from `min` to "
        "`max`.\n\n"
        "    temp = { type = \"i16\", scale = 0.5, min = 10.1, max = 10.4 }",
    ),
    "PS224": Code(
        "a value in another unit",
        "A value may carry its unit, as in \"-58.2 mV/pH\", and then it must be exactly the unit "
        "of the parameter. Nothing is converted: a factor of 1000 that is applied twice, or not at "
        "all, is the costliest mistake a calibration can hold.",
    ),
    "PS225": Code(
        "`below` runs in a circle",
        "If a stays below b, and b below c, then c cannot stay below a: no values would keep all "
        "rules, and no commit could succeed.",
    ),
}

_STORE: dict[str, Code] = {
    "PS301": Code(
        "a store without groups",
        "Parameters live in groups, and a store has at least one.\n\n"
        "    [group.settings]\n"
        "    role = \"setting\"\n"
        "    writes = \"2 per week\"\n\n"
        "    [group.settings.parameter]\n"
        "    interval = { type = \"u16\", unit = \"s\", default = 10 }",
    ),
    "PS302": Code(
        "a group without parameters",
        "A group is what is committed together; with nothing in it, it would only wear pages. Its "
        "parameters are in the table `[group.NAME.parameter]`.",
    ),
    "PS303": Code(
        "too many groups",
        "The id of a group is stored in one byte, and 0 is not used: 255 groups at most. Join "
        "groups of the same role that are written equally often.",
    ),
    "PS304": Code("a group id out of range", "The id of a group is a whole number from 1 to 255."),
    "PS305": Code(
        "two groups with the same id",
        "The id keeps the records of groups apart on the EEPROM. Groups without an `id` take their "
        "place in the file, counted from 1, which may meet an id given further down. Once units "
        "are in the field, give every group an id: then its place in the file no longer matters.",
    ),
    "PS306": Code(
        "a role that does not exist",
        "`identity`: what the unit is; `calibration`: how it measures; both are kept twice and "
        "must be unlocked to be written. `setting`: what its user sets. `counter`: what it has "
        "lived through.",
    ),
    "PS307": Code(
        "how often a group is written",
        "`writes` is a number and a time: \"2 per year\", with second, minute, hour, day, week, "
        "month, year or life (the `life_years` of the store); or \"every 10 minutes\". The "
        "planner needs it to give the group enough slots for the endurance of the part. Count "
        "commits, not changes in RAM, and take the worst unit.",
    ),
    "PS308": Code(
        "copies, slots or room out of range",
        "`copies` is 1 to 8, `slots` 2 to 65535, `room` 0 to 4096 bytes. All three may be left "
        "out: the role decides the copies, the planner slots and room.",
    ),
    "PS309": Code(
        "a group is too large",
        "A group is committed as one record, and the firmware counts its bytes in 16 bits. Split "
        "it: what changes together stays together.",
    ),
    "PS310": Code(
        "a part that is not in the catalogue",
        "`paramstore parts` lists the parts. One that is missing can be described in the schema, "
        "from its data sheet:\n\n"
        "    [store.part]\n"
        "    name = \"my 32 kbit part\"\n"
        "    capacity = 4096\n"
        "    page = 32\n"
        "    address_bytes = 2\n"
        "    write_ms = 5\n"
        "    endurance = [[25, 1_000_000]]\n"
        "    clocks = [[1.7, 100], [2.5, 400]]",
    ),
    "PS311": Code(
        "a mistake in the description of a part",
        "The keys of `[store.part]` are those of the catalogue: `name`, `capacity`, `page`, "
        "`address_bytes`, `write_ms`, `endurance` and `clocks`, and others that have cautious "
        "defaults. `paramstore parts NAME` shows them for a part that is known. Life and timing "
        "are computed from them, so take the limits of the data sheet, not typical values.",
    ),
    "PS312": Code(
        "an I2C address out of range",
        "I2C EEPROMs answer on the 7-bit addresses 0x50 to 0x57. Data sheets often print the "
        "address as 8 bits with the read/write bit: 0xA0 is 0x50.",
    ),
    "PS313": Code(
        "the address meets block-select bits",
        "Parts with more bytes than their memory address can name carry the highest address bits "
        "in the device address. Those bits must be 0 in `address`: the firmware sets them for "
        "each transfer. Such a part also answers on all addresses that differ only in them.",
    ),
    "PS314": Code(
        "the bus is too fast for the part",
        "The highest SCL of a part depends on its supply: many reach 400 kHz or 1 MHz only above "
        "2.5 V. Too fast a clock gives errors that come and go with temperature.",
    ),
    "PS315": Code(
        "a supply at which the part does not work",
        "Outside of its range a part may acknowledge and store nothing. `supply_v` is the lowest "
        "supply at which the store is to work.",
    ),
    "PS316": Code(
        "a temperature out of range",
        "`temperature_c` is the hottest temperature at which the store is written for long, -40 to "
        "125 degC. Endurance falls with it: 4 million cycles at 25 degC become 1.2 million at "
        "85 degC in the data sheet of one family (M24C02, DocID024020).",
    ),
    "PS317": Code(
        "a life out of range",
        "`life_years` is 0.1 to 200 years; slots are planned for it.",
    ),
    "PS318": Code(
        "a life longer than the part keeps its data",
        "The data sheet promises retention for fewer years. Records that are never written again, "
        "such as identity and calibration, fade first. Where a long life is needed the firmware "
        "can commit each group anew once in some years.",
    ),
    "PS319": Code(
        "a series out of range",
        "`series` is 0 to 15. It grows by one where the units of earlier releases are laid out "
        "anew, on another part or in other rings, and is in the label of every unit.",
    ),
}

CODES: dict[str, Code] = _STRUCTURE | _PARAMETERS | _STORE
"""Kinds of findings of this package."""
