"""Files beside the truth: a Parquet mirror of the records, and published snapshots of verdicts.

Everything here can be deleted and made again from the truth.
"""
