"""The API asked what its own OpenAPI document allows, and what it does not, by schemathesis.

Statuses, content types, schemas and headers of all answers are as documented, none is a 5xx but the 503 of
`/v1/health` where something is wrong (no real-time scheduling on this machine, say), methods that are not
there are refused with Allow, and what breaks a schema with 4xx. Each day another third of the operations
is asked with one example, another each time; `ROUTERD_API_EXAMPLES=25` asks all of them, and more.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from schemathesis import GenerationMode
from schemathesis.checks import CHECKS, load_all_checks

from routerd.server.http.about import document
from routerd.server.http.application import OPERATIONS as DECLARED
from tests.hostile.rich_rig import DEMO
from tests.service import Service

EXAMPLES = int(os.environ.get("ROUTERD_API_EXAMPLES", "1"))
LEFT_OUT = {"/v1/events", "/v1/monitor"}
"""A stream has no end to wait for; tests/server/live/test_events.py."""

load_all_checks()
DOCUMENT = document(DECLARED)
schema = schemathesis.openapi.from_dict(DOCUMENT)
OPERATIONS = [
    operation.ok() for operation in schema.get_all_operations() if operation.ok().path not in LEFT_OUT
]

NOT_ASKED = [CHECKS.get_one("positive_data_acceptance")]
"""No schema tells which songs, devices and places there are, nor that 3.0 is no whole number here."""
NOT_ASKED_OF = {"/v1/health": [CHECKS.get_one("not_a_server_error")]}

if EXAMPLES == 1:
    OPERATIONS = OPERATIONS[datetime.now(UTC).date().toordinal() % 3 :: 3]


def name_of(operation: schemathesis.APIOperation) -> str:
    return f"{operation.method.upper()} {operation.path}"


def can_be_broken(operation: schemathesis.APIOperation) -> bool:
    """Return whether a request can break the schema: one without body and query cannot."""
    described = DOCUMENT["paths"][operation.path][operation.method]
    return "requestBody" in described or any(one["in"] == "query" for one in described.get("parameters", ()))


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    folder = tmp_path_factory.mktemp("api")
    rig = Path(shutil.copytree(DEMO, folder / "rig"))  # asked to save its set list, it does
    with Service(rig, folder / "state", "--ports", "simulated") as service:
        service.wait_until_open()
        yield service


@pytest.mark.parametrize("operation", OPERATIONS, ids=name_of)
def test_what_the_document_allows(operation: schemathesis.APIOperation, service: Service) -> None:
    """Songs, devices and places that are not there, and what only words can forbid, are 4xx all the same."""
    ask(operation, GenerationMode.POSITIVE, service)


@pytest.mark.parametrize("operation", [one for one in OPERATIONS if can_be_broken(one)], ids=name_of)
def test_what_the_document_does_not_allow(operation: schemathesis.APIOperation, service: Service) -> None:
    ask(operation, GenerationMode.NEGATIVE, service)


def ask(operation: schemathesis.APIOperation, mode: GenerationMode, service: Service) -> None:
    base = f"http://127.0.0.1:{service.http}"
    cases = operation.as_strategy(generation_mode=mode)

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        phases=[Phase.explicit, Phase.generate],
        suppress_health_check=list(HealthCheck),
        database=None,
    )
    @given(cases)
    def one(case: schemathesis.Case) -> None:
        left_out = NOT_ASKED + NOT_ASKED_OF.get(operation.path, [])
        case.call_and_validate(base_url=base, timeout=60, excluded_checks=left_out)

    one()
