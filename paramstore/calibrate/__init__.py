"""Calibration: bench measurements to parameters, and what fitting and storing them costs.

A recipe says which model feeds which parameters, a table holds the measurements, a fit is linear
least squares, and the result says what the stored values make of every measured point. May know
schemas and stored values. Must not know layouts, records, files to write, or how a result looks.
numpy is loaded only when there is something to fit.
"""
