"""The only place that opens anything: rasters, vectors, tables, pictures, records.

Inputs are read-only and local; nothing is ever written beside one.
"""
