"""Tests, mirroring the source; a package so that no wheel that ships a `tests` of its own hides it."""
