"""Varied invented fleets, simple rules to compare with, and scores against the truth.

``variants`` names option sets, ``rules`` judges them as a spreadsheet would, ``score``
compares verdicts at month ends with what really happened.
"""
