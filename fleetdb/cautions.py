"""What every answer about a test must say: the work can hurt, and a verdict is only advice."""

from __future__ import annotations

# Common practice, no source, except where the vehicle maker's data say more.
WORKING_CAUTIONS = (
    "Rail pressure can exceed 1000 bar: a jet from a pinhole goes through skin. Treat any "
    "injection injury as a surgical emergency, however small it looks.",
    "Never search for a leak by hand, and never loosen a union while there is pressure in the "
    "rail: let the pressure fall first.",
    "Keep hands, hair and clothing clear of moving parts while cranking.",
    "The vehicle maker's data and procedure, local rules and licensed practice decide.",
)
VERDICT_CAUTION = "A verdict is advice from past tests. It never declares a vehicle safe."
CAUTIONS = (*WORKING_CAUTIONS, VERDICT_CAUTION)
