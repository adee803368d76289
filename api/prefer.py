"""The Prefer header (RFC 7240), as far as it is honoured: `return=minimal`."""

from __future__ import annotations

import re
from typing import Annotated

from fastapi import Depends, Header

APPLIED = {"Preference-Applied": "return=minimal"}
_MINIMAL = re.compile(r'(^|[,;\s])return\s*=\s*"?minimal"?\s*($|[,;])', re.IGNORECASE)


def prefers_minimal(
    prefer: Annotated[
        str | None, Header(description="`return=minimal` leaves the verdict out (RFC 7240).")
    ] = None,
) -> bool:
    """Return whether the sender wants an answer without the verdict."""
    return prefer is not None and _MINIMAL.search(prefer) is not None


MinimalDep = Annotated[bool, Depends(prefers_minimal)]
