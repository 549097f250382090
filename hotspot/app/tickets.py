"""Short-lived signed tickets: who may open the live channel. Never in a log or an address."""

from __future__ import annotations

import hashlib
import hmac
import secrets
import time
from collections.abc import Callable

LIFE_S = 60


class TicketOffice:
    """Issues and checks tickets.

    Parameters
    ----------
    clock
        Unix time in s.
    secret
        Signs them; a new one for each server when None.
    """

    def __init__(
        self, *, clock: Callable[[], float] = time.time, secret: bytes | None = None
    ) -> None:
        self._clock = clock
        self._secret = secret or secrets.token_bytes(32)

    def issue(self, who: str) -> str:
        """Return a ticket for `who` (letters, digits and dashes) that is good for a minute."""
        if not who or not who.replace("-", "").isalnum():
            raise ValueError(f"who must be letters, digits and dashes, got {who!r}")
        body = f"{who}.{int(self._clock()) + LIFE_S}"
        return f"{body}.{self._sign(body)}"

    def holder(self, ticket: str) -> str | None:
        """Return whose ticket it is; None for a forged or expired one."""
        who, _, rest = ticket.partition(".")
        expiry, _, signature = rest.partition(".")
        if not hmac.compare_digest(signature.encode(), self._sign(f"{who}.{expiry}").encode()):
            return None
        return who if int(expiry) >= self._clock() else None

    def _sign(self, body: str) -> str:
        return hmac.new(self._secret, body.encode(), hashlib.sha256).hexdigest()
