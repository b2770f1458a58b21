"""The trade's arithmetic: light, colour, power, space.

What lives here: plain functions on plain numbers, each with its units, range, errors and
source. What may never come in: a profile, a device, a clock, anything that does I/O. Imports
nothing of ours.
"""
