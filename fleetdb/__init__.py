"""Fleet-wide memory of high-pressure pump tests, and what it says of each pump.

Rooms, each importing only those to its right:
cli, report -> trend -> warehouse -> store -> records, units.
"""
