"""Tests, mirroring the source. A package, lest a wheel that ships a `tests` hides it."""
