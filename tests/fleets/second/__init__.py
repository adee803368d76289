"""A second generator of fleets, so that detection is never judged on one alone.

Written apart from ``demo_fleet`` and from the engine, with other laws: Vogel's viscosity of a
fuel whose blend changes with the season, leaks of which a part goes as the root of pressure,
wear that is growth of clearance or loss of delivery, noise whose law is each workshop's own.
Only the form of the documents and of the truth is shared (``demo_fleet.generate.Fleet``,
``demo_fleet.truth.Truth``), so that ``tests.fleets.score`` and ``rules`` serve both.

``kinds`` names the settings, ``generate`` makes a fleet of them; ``tests.fleets.second_score``
is the command that scores the engine on one.
"""
