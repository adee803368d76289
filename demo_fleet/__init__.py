"""An invented operator: what happens to its vehicles, what its people write down, and the demo.

Happenings are in ``climate``, ``usage``, ``wear``, ``faults``, ``kits``, ``visits`` and
``life``, on the physics of ``physics`` and ``readings``; writing down is in ``habits``
and ``documents``; ``generate`` puts them together, ``truth`` keeps what no workshop
knows. fleetdb never imports this package.
"""
