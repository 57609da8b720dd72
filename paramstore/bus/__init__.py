"""A part on a bus, read and written from this computer.

`bus` says what a bus is; a Linux device and a part simulated on a file are the two there are. Above
it the part's own manners (`programmer`: addresses, pages, busy times) and whether it is the planned
one (`first_page`, `recognise`). `look` reads what a store needs; `changes` and `exact` say what to
do, as `steps` in an order that a cut does no harm to; `work` does it. May know images, plans and
simulated parts. Must not know files other than that of a part and its backups, records of units, or
how a report looks. smbus2 is used in `i2cdev` alone.
"""
