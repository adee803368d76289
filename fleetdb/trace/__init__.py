"""From a pressure trace to its figures: reading, checking, the figures, the picture.

A trace is rail pressure against time, with crank speed, regulator duty and fuel temperature
where the kit recorded them. Nothing here knows of databases or of the other tests of a pump.
"""
