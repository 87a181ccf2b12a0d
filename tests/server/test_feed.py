"""Streams reach whoever listens, and the engine sends whole messages only while somebody does."""

from __future__ import annotations

from typing import Any

import pytest

from routerd.server.feed import Feed, Stream


def test_each_listener_gets_every_value_in_the_order_of_subscription() -> None:
    heard: list[tuple[str, int]] = []
    stream: Stream[int] = Stream()
    stream.subscribe(lambda value: heard.append(("a", value)))
    stream.subscribe(lambda value: heard.append(("b", value)))
    stream.emit(1)
    stream.emit(2)
    assert heard == [("a", 1), ("b", 1), ("a", 2), ("b", 2)]


def test_a_listener_may_leave_while_it_is_called() -> None:
    heard: list[int] = []
    stream: Stream[int] = Stream()

    def once(value: int) -> None:
        heard.append(value)
        stream.unsubscribe(once)

    stream.subscribe(once)
    stream.subscribe(heard.append)
    stream.emit(1)
    stream.emit(2)
    assert heard == [1, 1, 2]


def test_whole_messages_are_wanted_from_the_first_listener_to_the_last() -> None:
    wanted: list[bool] = []
    feed = Feed(wanted.append)
    first: list[Any] = []
    second: list[Any] = []
    feed.messages.subscribe(first.append)
    feed.messages.subscribe(second.append)
    assert wanted == [True]
    feed.messages.unsubscribe(first.append)
    assert wanted == [True]
    feed.messages.unsubscribe(second.append)
    assert wanted == [True, False]
    with pytest.raises(ValueError, match="not in list"):
        feed.messages.unsubscribe(first.append)


def test_an_event_is_logged_and_handed_on(capsys: pytest.CaptureFixture[str]) -> None:
    heard: list[dict[str, Any]] = []
    feed = Feed(lambda _: None)
    feed.events.subscribe(heard.append)
    event = {"kind": "panic", "at_ns": 1}
    feed.emit(event)
    assert heard == [event]
    assert "panic: all that sounded has been ended" in capsys.readouterr().out
