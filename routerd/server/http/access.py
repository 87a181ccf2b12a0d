"""What whoever asks may do: a page hides what it may not."""

from __future__ import annotations

from routerd.server.http.bodies import Nothing
from routerd.server.http.guard import Caller
from routerd.server.http.operation import Call, Operations

OPERATIONS = Operations("access")


class AccessHandlers:
    """Says who asks."""

    @OPERATIONS.add(
        "GET", "/v1/access", "What you may do here, and by what", Caller, needs_rig=False, public=True
    )
    async def access(self, call: Call[Nothing]) -> Caller:
        """Whether whoever asks may read or change things here, and what has shown who that is."""
        return call.caller
