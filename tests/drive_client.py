"""Has a generated Python client ask for every operation once; a program in the generator's environment.

    python drive_client.py FOLDER BASE-URL < operations.json

FOLDER has the package `client` in it. Each operation is {"module", "body", "arguments", "stream", "before"};
`before` are requests that make it possible. It prints a list of {"module", "status", "parsed", "problem"}.
"""

from __future__ import annotations

import importlib
import json
import sys
from collections.abc import Iterator
from enum import EnumType
from typing import Any, get_args, get_type_hints

FOLDER, BASE = sys.argv[1:3]
sys.path.insert(0, FOLDER)


def body_of(function: Any, values: Any) -> Any:
    """Return the body as the model that fits it: the generated code has no other way to tell."""
    hint = get_type_hints(function)["body"]
    for model in get_args(hint) or (hint,):
        if hasattr(model, "from_dict"):
            try:
                made = model.from_dict(values)
            except KeyError:  # it lacks what this one needs
                continue
            if made.to_dict() == values:
                return made
    raise SystemExit(f"{function.__module__}: no model is {values}")


def arguments_of(function: Any, values: dict[str, Any]) -> Iterator[tuple[str, Any]]:
    """Yield parameters under the names and as the types that the generated code has for them."""
    hints = get_type_hints(function)
    for name, value in values.items():
        known = name if name in hints else f"{name}_"
        kinds = [one for one in (*get_args(hints[known]), hints[known]) if isinstance(one, EnumType)]
        yield known, kinds[0](value) if kinds else value


def ask(client: Any, operation: dict[str, Any]) -> dict[str, Any]:
    """Return what came of one operation."""
    http = client.get_httpx_client()
    for method, path, values in operation["before"]:
        http.request(method, path, json=values)
    module = importlib.import_module(f"client.api.{operation['module']}")
    arguments = dict(arguments_of(module.sync_detailed, operation["arguments"]))
    if operation["body"] is not None:
        arguments["body"] = body_of(module.sync_detailed, operation["body"])
    said = {"module": operation["module"], "problem": None}
    if operation["stream"]:
        with http.stream(**module._get_kwargs(**arguments)) as answer:
            first = next(line for line in answer.iter_lines() if line)
            return {**said, "status": answer.status_code, "parsed": first}
    answer = module.sync_detailed(client=client, **arguments)
    if answer.status_code != 200:
        said["problem"] = answer.content.decode()
    return {**said, "status": int(answer.status_code), "parsed": type(answer.parsed).__name__}


def main() -> None:
    """Ask for all of them."""
    made = importlib.import_module("client").Client(
        base_url=BASE, raise_on_unexpected_status=True, timeout=60
    )
    with made as client:
        print(json.dumps([ask(client, operation) for operation in json.load(sys.stdin)]))


if __name__ == "__main__":
    main()
