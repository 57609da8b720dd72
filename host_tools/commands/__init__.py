"""The commands, one module each, loaded only when called."""

SUMMARIES = {
    "tour": "Do the whole job once on an example, with a simulated EEPROM.",
    "check": "Find the mistakes in a schema.",
    "freeze": "Make the schema as it stands a release that later ones must respect.",
    "compare": "Say what changed between two states of a store, and what it means.",
    "parts": "List and search the EEPROM parts.",
    "plan": "Show where everything lies, how long it lasts and what it costs.",
    "generate": "Write the C files for the firmware.",
    "prove": "Cut the power everywhere in the firmware's work, and judge every boot.",
    "calibrate": "Fit bench measurements to parameters, with what storing them costs.",
    "pack": "Make an EEPROM image from a schema and values.",
    "batch": "Make images of many units from a table, with serial numbers and records.",
    "units": "List units on record; write tables, labels and calibration records.",
    "unpack": "Read the values and the health of every slot from a dump.",
    "examine": "Say all that a dump in any form tells: damage, history, wear.",
    "bytes": "Show a dump byte by byte, with what each one is.",
    "locate": "Explain an address, or find where a parameter lies.",
    "differ": "Say what differs between two dumps, or a dump and values.",
    "salvage": "Make a clean image from a damaged dump.",
    "transcribe": "Write a dump in another form.",
    "read": "Read a part on a bus, and say what it holds.",
    "write": "Write values or an image to a part on a bus; shows first what would change.",
    "verify": "Compare a part on a bus with values or an image.",
    "erase": "Make a part on a bus blank; shows first what would be lost.",
    "migrate": "Make an image of one release, or a dump of a fixed layout, one of another release.",
}
"""Name and one-line summary of every command, in the order of the work."""
