"""From stored readings to verdicts: DuckDB for joins and windows, compiled NumPy for recursions.

The stages, one module or SQL file each, in the order ``pipeline`` runs them:
fitments and readings (``series``), reference conditions (``conditions``), kits (``kits``),
what the fleet teaches (``constants``, ``learning``), state (``reserve_filter``), forecast
(``forecast``), cause (``cause``), verdict (``verdict``).
"""
