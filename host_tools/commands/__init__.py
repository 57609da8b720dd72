"""The commands, one module each, loaded only when called."""

STAGES = {
    "Define": {
        "tour": "Do the whole job once, with a simulated EEPROM.",
        "parts": "List and search the EEPROM parts.",
        "check": "Find the mistakes in a schema.",
        "plan": "Show where everything lies, how long it lasts, what it costs.",
        "generate": "Write the C files for the firmware.",
    },
    "Release": {
        "freeze": "Make the schema as it stands a release.",
        "compare": "Say what changed between two releases or schemas.",
        "migrate": "Make an image of one release, or a fixed layout, another's.",
    },
    "Prove": {
        "prove": "Cut the power everywhere in the firmware's work, judge every boot.",
    },
    "Produce": {
        "calibrate": "Fit bench measurements to parameters.",
        "pack": "Make an EEPROM image from a schema and values.",
        "batch": "Make images of many units from a table, with serial numbers.",
        "units": "List units on record; write tables, labels, records of units.",
        "write": "Write values or an image to a part on a bus.",
        "verify": "Compare a part on a bus with values or an image.",
        "erase": "Make a part on a bus blank.",
    },
    "Debug": {
        "read": "Read a part on a bus, and say what it holds.",
        "unpack": "Read the values and the health of every slot from a dump.",
        "examine": "Say all that a dump tells: damage, history, wear.",
        "bytes": "Say what each byte is, and where a parameter lies.",
        "differ": "Say what differs between two dumps, or a dump and values.",
        "salvage": "Make a clean image from a damaged dump.",
        "transcribe": "Write a dump in another form.",
    },
}
"""Name and one-line summary of every command, by the stage of the work."""

SUMMARIES = {name: summary for stage in STAGES.values() for name, summary in stage.items()}
"""The same in one, in the order of the work."""
