"""`routerd report`: asks the running service over its API, as curl would."""

from __future__ import annotations

import json
import sys
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


def print_report(listen: str, token_file: Path | None, *, as_json: bool) -> int:
    """Print the jitter report of the service at `listen` (HOST:PORT); return the exit status."""
    accept = "application/json" if as_json else "text/plain"
    try:
        headers = {"Accept": accept}
        if token_file is not None:
            headers["Authorization"] = f"Bearer {token_file.read_text(encoding='utf-8').strip()}"
        request = urllib.request.Request(f"http://{listen}/v1/report", headers=headers)
        with urllib.request.urlopen(request, timeout=10) as answer:  # noqa: S310 - http, to our own service
            print(answer.read().decode())
    except urllib.error.HTTPError as error:
        print(f"routerd: {listen} answered {error.code}: {_detail(error)}", file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        print(f"routerd: no service answers at {listen} ({reason}); is `routerd run` up?", file=sys.stderr)
        return 1
    return 0


def _detail(error: urllib.error.HTTPError) -> str:
    try:
        return str(json.loads(error.read())["detail"])
    except (OSError, ValueError, KeyError, TypeError):
        return str(error.reason)
