"""What the demo tells of what it does; the whole of it is played where the package is installed."""

from __future__ import annotations

from routerd.cli.demo import by_hand


def test_steps_by_hand_are_text() -> None:
    step = {"number": 1, "text": "Wind the tape to zero", "who": "", "section": "", "done": False}
    other = step | {"text": "Mute the guitar's channel", "who": "Technician", "section": "verse"}
    assert by_hand([step, step | {"done": True}, other]) == [
        "by hand: Wind the tape to zero",
        "by hand: before verse: Mute the guitar's channel (Technician)",
    ]
