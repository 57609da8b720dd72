"""A parameter store for an I2C EEPROM: schema, layout, firmware C, images and dumps.

The library prints nothing and never exits; `host_tools` is what a person runs.
"""
