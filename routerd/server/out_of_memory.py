"""What a server does that has no memory left: it ends, and the engine starts another, which works."""

from __future__ import annotations

import os

EXIT_STATUS = 3
_WORDS = b"routerd: the server has no memory left and ends\n"


def end_if_out_of_memory(error: BaseException | None) -> None:
    """End this process at once if the error means that; nothing that needs memory is tried any more."""
    no_thread = isinstance(error, RuntimeError) and "start new thread" in str(error)
    if isinstance(error, MemoryError) or no_thread:
        os.write(2, _WORDS)
        os._exit(EXIT_STATUS)
