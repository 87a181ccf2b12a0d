"""The kinds of events: one catalogue, from their classes, in the API's document and in the manual."""

from __future__ import annotations

import json
from dataclasses import fields
from inspect import cleandoc
from pathlib import Path
from typing import Any, get_args, get_type_hints

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from routerd.core.model import events
from routerd.core.model.codec import MalformedError
from routerd.core.model.events import KINDS, AnyEvent, Event, event_from_json, event_to_json
from routerd.link.frames import Unpacker, pack_message
from routerd.link.messages import Happened
from routerd.server.http.about import document
from routerd.server.http.show_handlers import OPERATIONS

MANUAL = Path(__file__).parents[2] / "configs" / "INTEGRATORS.md"
DOCUMENT = document(OPERATIONS)
ENGINES = frozenset(get_args(events.EngineEvent))


def made(kind: type[Any]) -> st.SearchStrategy[Any]:
    """Events of a kind with anything that its hints allow."""
    hints = get_type_hints(kind)
    return st.builds(kind, **{one.name: st.from_type(hints[one.name]) for one in fields(kind)})


FINITE = {float: st.floats(allow_nan=False, allow_infinity=False)}
for _type, _strategy in FINITE.items():
    st.register_type_strategy(_type, _strategy)


def test_every_class_of_events_is_in_the_catalogue() -> None:
    classes = {one for one in vars(events).values() if isinstance(one, type) and issubclass(one, Event)}
    assert classes - {Event} == set(KINDS.values()) == set(get_args(AnyEvent))
    assert len(KINDS) == len(get_args(AnyEvent))


@pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))
def test_an_event_comes_back_from_json_and_over_the_link_and_is_as_documented(kind: type[AnyEvent]) -> None:
    schema = {"$ref": f"#/components/schemas/{kind.__name__}Event", "components": DOCUMENT["components"]}
    validator = jsonschema.Draft202012Validator(schema)

    @given(made(kind))
    def check(event: AnyEvent) -> None:
        told = json.loads(json.dumps(event_to_json(event)))
        assert event_from_json(told) == event
        validator.validate({**told, "at": "2031-05-06T20:00:00.000Z"})
        if type(event) in ENGINES:
            (message,) = Unpacker().feed(pack_message(Happened(event)))  # type: ignore[arg-type]
            assert message == Happened(event)  # type: ignore[arg-type]

    check()


@pytest.mark.parametrize(
    "data",
    [None, [], {}, {"kind": "no-such"}, {"kind": "panic"}, {"kind": "panic", "at_ns": "1"}],
)
def test_what_is_no_event_is_refused(data: object) -> None:
    with pytest.raises(MalformedError):
        event_from_json(data)


def test_the_document_has_every_kind_with_its_keys() -> None:
    stream = DOCUMENT["paths"]["/v1/events"]["get"]["responses"]["200"]["content"]["text/event-stream"]
    mapping = stream["schema"]["discriminator"]["mapping"]
    assert list(mapping) == list(KINDS)
    for kind, reference in mapping.items():
        schema = DOCUMENT["components"]["schemas"][reference.rpartition("/")[2]]
        assert schema["properties"]["kind"]["const"] == kind
        assert set(schema["required"]) == {"kind", "at", *(one.name for one in fields(KINDS[kind]))}
        assert schema["description"]


def test_the_manual_has_every_kind_with_its_keys_in_the_same_words() -> None:
    rows = [line for line in MANUAL.read_text(encoding="utf-8").splitlines() if line.startswith("| `")]
    for kind in KINDS.values():
        keys = ", ".join(f"`{one.name}`" for one in fields(kind) if one.name != "at_ns")
        words = " ".join(cleandoc(kind.__doc__ or "").split())
        assert f"| `{kind.kind}` | {keys} | {words} |" in rows
